"""Time training on one GPU and on all of them: images a second, waiting for data, GPU busy.

python scripts/scaling.py --out out/scaling                     every case
python scripts/scaling.py --out out/scaling --cases ready       one case

``fresh`` draws pictures as configs/train.yaml says, ``eightfold``, ``sixteenfold`` and
``thirtytwofold`` use each drawn picture so many times, and ``ready`` takes them from the pool of
scripts/ablation.py in the same folder, which shows what the GPUs can do when drawing costs nothing.
Without a GPU processes share the cores.
"""

import argparse
import csv
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import torch
from ablation import make_pool

from layermotion.files import atomic_path
from layermotion.training import tracking
from layermotion.training.composing import load_settings
from layermotion.training.loop import train

CASES = {
    "ready": ("reuse=1",),
    "thirtytwofold": ("reuse=32",),
    "sixteenfold": ("reuse=16",),
    "eightfold": ("reuse=8",),
    "fresh": (),
}
# Cores of each process that do not load: it launches work, copies, and talks to the others (our
# choice).
SPARED_CORES = 4
# The first part of a run fills the queues of the loaders and does not count (our choice).
WARM_UP_SHARE = 0.5
SAME = ("steps=1000000", "validate_every_steps=1000000", "log_every_steps=10", "tracking=csv")


@dataclass(frozen=True)
class Row:
    """Speed of one case; shares from 0 to 1, that of the GPU of the first process, NaN without."""

    case: str
    processes: int
    workers_each: int
    images_per_second: float
    data_wait_share: float
    gpu_utilisation: float


def run_case(options: argparse.Namespace) -> None:
    """Train one case for a while; this is what torchrun starts."""
    world = int(os.environ["WORLD_SIZE"])
    overrides = [*SAME, f"workers={options.workers}", *CASES[options.only], *options.overrides]
    settings = load_settings("train", overrides)
    draw = None
    if options.only == "ready":
        draw = make_pool(options.out, settings.size_px, options.pictures)
    train(settings, _run(options.out, options.only, world), draw=draw, max_seconds=options.seconds)


def _run(out: Path, case: str, processes: int) -> Path:
    return out / f"{case}-{processes}"


def time_case(case: str, processes: int, workers: int, options: argparse.Namespace) -> Row:
    """Start the processes of one case, and read what they logged."""
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone"]
    command += ["--nproc-per-node", str(processes), __file__, "--out", str(options.out)]
    command += ["--only", case, "--workers", str(workers)]
    command += ["--seconds", str(options.seconds), "--pictures", str(options.pictures)]
    subprocess.run([*command, *options.overrides], check=True)
    batch = load_settings("train", [*CASES[case], *options.overrides]).batch_size
    logged = tracking.read(_run(options.out, case, processes))
    return read_speed(logged, case, processes, workers, batch)


def read_speed(
    logged: list[tracking.Metric], case: str, processes: int, workers: int, batch: int
) -> Row:
    """Speed of the later part of a run, from its log."""
    middle_s = logged[0].time_s + WARM_UP_SHARE * (logged[-1].time_s - logged[0].time_s)
    counted = [metric for metric in logged if metric.time_s >= middle_s]
    first, last = counted[0], counted[-1]
    images = (last.step - first.step) * batch * processes

    def mean(name: str) -> float:
        found = [m.value for m in counted if m.name == name and m.step > first.step]
        return float(np.mean(found)) if found else float("nan")

    return Row(
        case, processes, workers, images / (last.time_s - first.time_s), mean("data_wait_share"),
        mean("gpu_utilisation"),
    )  # fmt: skip


def table_text(rows: list[Row]) -> str:
    """Table for a screen; the gain is that over one process of the same case."""
    lines = ["case        processes  workers each  images/s   gain  waiting  GPU busy"]
    alone = {row.case: row.images_per_second for row in rows if row.processes == 1}
    for row in rows:
        gain = row.images_per_second / alone.get(row.case, float("nan"))
        lines.append(
            f"{row.case:12}{row.processes:9}{row.workers_each:14}{row.images_per_second:10.0f}"
            f"{gain:7.2f}{100 * row.data_wait_share:7.0f} %{100 * row.gpu_utilisation:8.0f} %"
        )
    return "\n".join(lines)


def write_rows(path: Path, rows: Sequence[Any]) -> None:
    """Write a table of dataclasses of one kind, at least one, as CSV."""
    with atomic_path(path) as temporary, temporary.open("w", newline="") as file:
        writer = csv.DictWriter(file, [f.name for f in fields(rows[0])], lineterminator="\n")
        writer.writeheader()
        writer.writerows(asdict(row) for row in rows)


def main() -> None:
    """Time every case on one process and on as many as there are GPUs; print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--seconds", type=float, default=40.0, help="length of each run")
    parser.add_argument("--pictures", type=int, default=20_000, help="pictures in the pool")
    parser.add_argument("--processes", type=int, default=max(1, torch.cuda.device_count()))
    parser.add_argument(
        "--workers", type=int, help="loaders of each process; by default all cores but four of each"
    )
    parser.add_argument("--only", choices=CASES, help=argparse.SUPPRESS)
    parser.add_argument("overrides", nargs="*", metavar="NAME=VALUE")
    options = parser.parse_args()
    if options.only:
        run_case(options)
        return
    workers = options.workers or max(1, (os.cpu_count() or 1) // options.processes - SPARED_CORES)
    options.out.mkdir(parents=True, exist_ok=True)
    if "ready" in options.cases:
        size_px = load_settings("train", options.overrides).size_px
        make_pool(options.out, size_px, options.pictures)
    rows = []
    for case in options.cases:
        for processes in sorted({1, options.processes}):
            rows.append(time_case(case, processes, workers, options))
            write_rows(options.out / f"scaling-{'-'.join(options.cases)}.csv", rows)
    print(table_text(rows))


if __name__ == "__main__":
    main()
