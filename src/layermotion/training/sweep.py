"""Owns sweeps: one run for each combination of values, started by a launcher of hydra.

``python -m layermotion.training`` is the hydra application; ``run_sweep`` checks every combination,
calls it, and tells what came of the runs.
"""

import csv
import itertools
import math
import os
import signal
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import hydra
import numpy as np
from hydra.core.hydra_config import HydraConfig
from hydra.core.override_parser.overrides_parser import OverridesParser
from hydra.errors import HydraException
from omegaconf import DictConfig

from layermotion.errors import ConfigError
from layermotion.files import atomic_path
from layermotion.training import tracking
from layermotion.training.checkpoint import (
    CHECKPOINT_NAME,
    RUN_PARTS,
    load_checkpoint,
    refuse_other_settings,
    refuse_other_start,
    start_names,
)
from layermotion.training.composing import (
    check_names,
    config_folder,
    load_settings,
    register_schema,
    starting_from,
    to_settings,
    values_of,
)
from layermotion.training.loop import Start, train
from layermotion.training.settings import TrainSettings
from layermotion.training.where import Elsewhere

# Tells each run what to start from, wherever a launcher starts it.
START_VARIABLE = "LAYERMOTION_START_FROM"
TABLE_NAME = "sweep.csv"
HERE = Elsewhere()
INTERRUPTED = 130
# Numbers of a run that stand in the table, by their names in metrics.csv.
SHOWN = ("loss_total", "dice_mean", "images_per_second")


@dataclass(frozen=True)
class Row:
    """What came of one run; a number is NaN where the run has not come to it."""

    run: str
    step: int
    values: tuple[float, ...]


def run_sweep(
    config: str,
    overrides: Sequence[str],
    out: Path,
    start_from: str | None = None,
    where: Elsewhere = HERE,
) -> tuple[Row, ...] | None:
    """Train once for every combination of the values in ``overrides``, each in a folder of its own.

    The folder is named by what differs, such as ``learning_rate=0.001,model=small``. The same call
    goes on with what a stopped sweep left.

    Parameters
    ----------
    overrides
        As for ``load_settings``, with several values such as ``learning_rate=1e-3,2e-3``.
    where
        Where the runs are started.

    Returns
    -------
    tuple of Row, or None
        One for every run that was begun; None if it was interrupted.

    Raises
    ------
    ConfigError
        Before anything runs, for the first combination that is not possible; or if a run failed,
        with the table of the others written.
    """
    chosen = where.overrides()
    overrides = starting_from(overrides, start_from)
    plan = plan_sweep(config, overrides)
    for name, settings in plan.items():
        path = out / name / CHECKPOINT_NAME
        if path.exists():
            state = load_checkpoint(path, RUN_PARTS)
            refuse_other_settings(path.parent, state, settings, world=1)
            refuse_other_start(path.parent, state, start_names(start_from, teacher=None))
    if all(settings.tracking == "sqlite" for settings in plan.values()):
        # One store for all, made before runs that begin together would each try to.
        overrides = (*overrides, f"tracking={_quoted(tracking.open_store(out))}")
    fixed = [word.split("=")[0] for word, values in _values(config, overrides) if len(values) == 1]
    command = [
        *(sys.executable, "-m", "layermotion.training", "--multirun", "--config-name", config),
        f"hydra.sweep.dir={_quoted(str(out.absolute()))}",
        "hydra.sweep.subdir=${hydra.job.override_dirname}",
        f"hydra.job.config.override_dirname.exclude_keys=[{','.join(fixed)}]",
        *([f"+hydra.job.env_set.{START_VARIABLE}={_quoted(start_from)}"] if start_from else []),
        *overrides,
        *chosen,
    ]
    code = _wait_for(command)
    if code in (INTERRUPTED, -signal.SIGINT):
        return None
    rows = read_rows(out, plan)
    if rows:
        _write_table(out / TABLE_NAME, rows)
    if code != 0:
        failed = [name for name in plan if not _has_ended(out / name)]
        numbers = f"{out / TABLE_NAME} has the numbers of all that began" if rows else "none began"
        raise ConfigError(
            f"{len(failed)} of {len(plan)} runs of the sweep did not come to their end "
            f"({', '.join(failed)}); the message of the first is above, and {numbers}."
        )
    return rows


def plan_sweep(config: str, overrides: Sequence[str]) -> dict[str, TrainSettings]:
    """Return the settings of every run of a sweep, by the name of its folder.

    Raises
    ------
    ConfigError
        If one of them is not possible, two are the same, or there is only one.

    Examples
    --------
    >>> {name: s.steps for name, s in plan_sweep("smoke", ["steps=1,2", "seed=3"]).items()}
    {'steps=1': 1, 'steps=2': 2}
    """
    parts = [
        [(f"{word.split('=')[0]}={value}", len(values) > 1) for value in values]
        for word, values in _values(config, overrides)
    ]
    runs = {}
    for chosen in itertools.product(*parts):
        name = ",".join(sorted(word for word, is_swept in chosen if is_swept))
        runs[name] = load_settings(config, [word for word, _ in chosen])
    if "" in runs:
        raise ConfigError("No override has several values; give some, such as steps=100,200.")
    if len(set(runs.values())) < math.prod(len(part) for part in parts):
        raise ConfigError("Two runs of the sweep would be the same; give values that differ.")
    return runs


def _values(config: str, overrides: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Return each override with the one value or the several that it stands for."""
    register_schema()
    try:
        check_names(config, overrides)
        parser = OverridesParser.create()
        return [(word, values_of(parser.parse_override(word))) for word in overrides]
    except HydraException as error:
        raise ConfigError(
            f"An override cannot be read ({str(error).splitlines()[0]}); correct its syntax."
        ) from error


def _quoted(text: str) -> str:
    """Put a text in quotes, as hydra reads them."""
    return "'" + text.replace("'", "\\'") + "'"


def _wait_for(command: Sequence[str]) -> int:
    """Run a command to its end and give its exit code; Ctrl-C is for the command alone."""
    with subprocess.Popen(command) as program:
        old = signal.signal(signal.SIGINT, signal.SIG_IGN)
        try:
            return program.wait()
        finally:
            signal.signal(signal.SIGINT, old)


def _has_ended(run: Path) -> bool:
    path = run / CHECKPOINT_NAME
    return path.exists() and bool(load_checkpoint(path)["progress"]["has_ended"])


def read_rows(out: Path, runs: Iterable[str]) -> tuple[Row, ...]:
    """Last numbers of those runs in a folder that were begun, the best ``dice_mean`` first."""
    rows = []
    for run in sorted(runs):
        found = tracking.read(out / run)
        if not found:
            continue
        last = {row.name: row.value for row in found}
        step = max(row.step for row in found)
        rows.append(Row(run, step, tuple(last.get(name, math.nan) for name in SHOWN)))
    place = SHOWN.index("dice_mean")
    return tuple(sorted(rows, key=lambda row: np.nan_to_num(-row.values[place], nan=math.inf)))


def table_text(rows: Sequence[Row]) -> str:
    """Table of the runs for a screen."""
    width = max(len(row.run) for row in rows)
    lines = ["".join((f"{'run':{width}}{'step':>8}", *(f"{name:>19}" for name in SHOWN)))]
    lines += [
        "".join((f"{row.run:{width}}{row.step:8}", *(f"{value:19.4g}" for value in row.values)))
        for row in rows
    ]
    return "\n".join(lines)


def _write_table(path: Path, rows: Sequence[Row]) -> None:
    with atomic_path(path) as temporary, temporary.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("run", "step", *SHOWN))
        writer.writerows((row.run, row.step, *row.values) for row in rows)


@hydra.main(version_base="1.3", config_path=str(config_folder()), config_name="train")
def main(composed: DictConfig) -> float:
    """Train one combination; hydra's launcher calls this, perhaps on another machine.

    Returns
    -------
    float
        Last ``dice_mean``, for sweepers that search; NaN if the run never came to it.
    """
    settings, out = to_settings(composed), Path(HydraConfig.get().runtime.output_dir)
    result = train(settings, out, start=Start(os.environ.get(START_VARIABLE)))
    if not result.is_finished:
        sys.exit(INTERRUPTED)
    scores = [row.value for row in tracking.read(out) if row.name == "dice_mean"]
    return scores[-1] if scores else math.nan


register_schema()
