"""Owns the record of a run: ``metrics.csv``, and its import into an mlflow store with its files."""

import csv
import importlib.util
import json
import logging
import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlsplit

from layermotion import __version__
from layermotion.errors import ConfigError
from layermotion.files import atomic_path, write_text
from layermotion.provenance import code_digest
from layermotion.training.settings import TrainSettings

if TYPE_CHECKING:
    from mlflow import MlflowClient

CSV_NAME, STATE_NAME, SETTINGS_NAME = "metrics.csv", "tracking.json", "settings.json"
SHEET_NAME = "samples.png"
EXPERIMENT = "layermotion"
FILE_PREFIX = "sqlite:///"
# mlflow's own limit on one call.
METRICS_A_CALL = 1000


class Metric(NamedTuple):
    """One row of ``metrics.csv``: a named number after so many steps."""

    step: int
    time_s: float
    name: str
    value: float


def append(out: Path, step: int, values: dict[str, float]) -> None:
    """Add one row for each value; a row is whole or absent after a kill (see ``read``)."""
    path = out / CSV_NAME
    now_s = round(time.time(), 3)
    with path.open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        if file.tell() == 0:
            writer.writerow(Metric._fields)
        writer.writerows(Metric(step, now_s, n, float(f"{v:.9g}")) for n, v in values.items())


def read(out: Path) -> list[Metric]:
    """All whole rows, in the order written; a last line cut short by a kill is left out."""
    path = out / CSV_NAME
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    rows = csv.reader(text[: text.rfind("\n") + 1].splitlines()[1:])
    return [Metric(int(r[0]), float(r[1]), r[2], float(r[3])) for r in rows]


def keep_until(out: Path, step: int) -> None:
    """Drop rows after ``step``: a resumed run computes and writes them again."""
    rows = [row for row in read(out) if row.step <= step]
    with atomic_path(out / CSV_NAME) as temporary, temporary.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(Metric._fields)
        writer.writerows(rows)


def write_settings(out: Path, settings: TrainSettings) -> None:
    """Save the resolved settings beside the numbers."""
    write_text(out / SETTINGS_NAME, json.dumps(asdict(settings), indent=2) + "\n")


def check_tracking(tracking: str) -> None:
    """Refuse, before any training, a store that this installation cannot open.

    Raises
    ------
    ConfigError
        If it is no store, if mlflow is missing, or its SQLite store is (``mlflow-skinny`` comes
        without it).
    """
    if tracking == "csv":
        return
    is_uri = "://" in tracking or Path(tracking).is_absolute()
    if not is_uri and tracking not in ("sqlite", "databricks"):
        raise ConfigError(
            f"tracking cannot be {tracking}; give csv, sqlite, or the URI of an mlflow store."
        )
    needed = ["mlflow"]
    if tracking.startswith("sqlite"):
        needed.append("sqlalchemy")
    missing = [name for name in needed if importlib.util.find_spec(name) is None]
    if missing:
        raise ConfigError(
            f"tracking={tracking} needs the package {missing[0]}, which is not installed; "
            f"give tracking=csv and record the run later on a machine that has it."
        )


def require_here(tracking: str) -> None:
    """Refuse a store that does not lie on this machine, for what is made from local pictures.

    Raises
    ------
    ConfigError
        If it is anything but a file.
    """
    if not _is_here(tracking):
        raise ConfigError(
            f"tracking={tracking} lies elsewhere, and what is made from local pictures stays on "
            f"this machine; give tracking=sqlite, or a file such as sqlite:////folder/runs.db."
        )


def _is_here(uri: str) -> bool:
    """Whether a store, or a place of artefacts, is a file of this machine.

    Examples
    --------
    >>> [_is_here(uri) for uri in ("sqlite", "sqlite:////a/b.db", "file:///a", "/a/b")]
    [True, True, True, True]
    >>> [_is_here(uri) for uri in ("http://127.0.0.1:5000", "file://host/a", "databricks", "s3://a")]
    [False, False, False, False]
    """
    parts = urlsplit(uri)
    is_path = parts.scheme == "" and Path(uri).is_absolute()
    is_file = parts.scheme in ("file", "sqlite") and parts.netloc == "" and parts.path != ""
    return uri in ("csv", "sqlite") or is_path or is_file


def record_run(
    out: Path,
    tracking: str = "sqlite",
    sources: Sequence[str] = (),
    *,
    is_local: bool = False,
    has_ended: bool = False,
) -> str:
    """Bring a run into an mlflow store; call again to add newer rows and pictures.

    Settings become parameters, rows of ``metrics.csv`` metrics, the sheet of samples an artefact;
    tags name the code and the pictures trained on.

    Parameters
    ----------
    out
        Folder of a run, with ``settings.json`` and ``metrics.csv``.
    tracking
        ``sqlite`` for ``mlflow.db`` in that folder, or the URI of an mlflow store.
    sources
        Names of the pictures trained on; each holds a fingerprint.
    is_local
        Whether local pictures are among them; then nothing may leave this machine.
    has_ended
        Whether the run is finished, and not only stopped.

    Returns
    -------
    str
        The mlflow run id.
    """
    check_tracking(tracking)
    from mlflow.entities import Metric as StoredMetric
    from mlflow.entities import Param, RunTag

    settings_path = out / SETTINGS_NAME
    if not settings_path.exists():
        raise ConfigError(f"{out} holds no {SETTINGS_NAME}; name the folder of a training run.")
    uri = _uri(out, tracking)
    client = _client(uri)
    rows = read(out)
    state_path = out / STATE_NAME
    state = json.loads(state_path.read_text()) if state_path.exists() else {}
    if state.get("tracking") != tracking:
        run = client.create_run(_experiment(uri), run_name=out.resolve().name)
        state = {"tracking": tracking, "run_id": run.info.run_id, "until_s": 0.0}
        state["is_local"] = is_local
        params = json.loads(settings_path.read_text())
        code = {"layermotion": __version__, "code_sha256": code_digest()}
        client.log_batch(
            state["run_id"],
            params=[Param(k, str(v)) for k, v in params.items()],
            tags=[RunTag(k, v) for k, v in code.items()],
        )
    if sources:
        client.set_tag(state["run_id"], "pictures", "; ".join(sources))
    if (out / SHEET_NAME).exists():
        keep_file(client, state, out / SHEET_NAME)
    fresh = [
        StoredMetric(row.name, row.value, round(row.time_s * 1000), row.step)
        for row in rows
        if row.time_s > state["until_s"] and math.isfinite(row.value)
    ]
    for start in range(0, len(fresh), METRICS_A_CALL):
        client.log_batch(state["run_id"], metrics=fresh[start : start + METRICS_A_CALL])
    state["until_s"] = max((row.time_s for row in rows), default=state["until_s"])
    if has_ended:
        client.set_terminated(state["run_id"])
    write_text(state_path, json.dumps(state) + "\n")
    return str(state["run_id"])


def open_store(folder: Path) -> str:
    """Make the store of a folder where there is none yet, and give its URI."""
    check_tracking("sqlite")
    folder.mkdir(parents=True, exist_ok=True)
    uri = _uri(folder, "sqlite")
    _experiment(uri)
    return uri


def _client(uri: str) -> "MlflowClient":
    """Reach a store; that it makes its tables is not said."""
    from mlflow import MlflowClient

    logging.getLogger("mlflow.store.db.utils").setLevel(logging.WARNING)
    return MlflowClient(tracking_uri=uri)


def _experiment(uri: str) -> str:
    """Id of our experiment in a store, made where missing."""
    client = _client(uri)
    experiment = client.get_experiment_by_name(EXPERIMENT)
    if experiment:
        return str(experiment.experiment_id)
    # A store in a file keeps its artefacts beside it; a server knows its own place.
    is_file = uri.startswith(FILE_PREFIX)
    folder = Path(uri.removeprefix(FILE_PREFIX)).resolve().parent if is_file else None
    place = (folder / "artifacts").as_uri() if folder else None
    return str(client.create_experiment(EXPERIMENT, artifact_location=place))


def record_files(out: Path, files: Iterable[Path]) -> None:
    """Keep exported weights and their card with the run, in the store that it was recorded in.

    A run that was not recorded keeps nothing: its files lie where they were written.
    """
    state_path = out / STATE_NAME
    if not state_path.exists():
        return
    state = json.loads(state_path.read_text())
    check_tracking(state["tracking"])
    client = _client(_uri(out, state["tracking"]))
    for path in files:
        keep_file(client, state, path, "weights")


def keep_file(client: "MlflowClient", state: dict[str, Any], path: Path, folder: str = "") -> None:
    """Store a file with a run; what was learnt from local pictures stays on this machine."""
    if state.get("is_local"):
        require_here(client.get_run(state["run_id"]).info.artifact_uri)
    client.log_artifact(state["run_id"], str(path), folder or None)


def _uri(out: Path, tracking: str) -> str:
    return f"{FILE_PREFIX}{out.resolve() / 'mlflow.db'}" if tracking == "sqlite" else tracking
