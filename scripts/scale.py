"""Measures many small clips in one process and through Dask on two workers, and compares bytes.

    python scripts/scale.py --clips 1000 --frames 6 --out out/scale

It prints what a clip costs either way, from which the time of a larger study follows: a clip takes
what it takes by itself, and what each of its frames takes (``scripts/benchmark.py``).
"""

import argparse
import contextlib
import hashlib
import os
import resource
import shutil
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"

import cv2
import distributed
import numpy as np
from attack_seeds import draw_frames, write_dicom

from layermotion.cli import main as run_command

SIZE = (240, 320)
WORKERS = 2
# Grey levels of the noise by which the clips differ (our choice).
NOISE = 2


@dataclass(frozen=True)
class Cost:
    """What a run took: time on the clock, processor time of all its processes, bytes written."""

    clock_s: float
    processor_s: float
    written: int

    def line(self, name: str, clips: int) -> str:
        """Give a row of the table."""
        return (
            f"{name:24}{self.clock_s / clips:10.2f}{self.processor_s / clips:12.2f}"
            f"{self.written / clips / 1000:10.0f}"
        )


def write_clips(folder: Path, count: int, frames: int) -> list[Path]:
    """Write clips that differ by noise, so that each has a hash of its own."""
    folder.mkdir(parents=True)
    drawn = np.stack(draw_frames(frames, *SIZE)).astype(np.int16)
    paths = []
    for number in range(count):
        random = np.random.Generator(np.random.SFC64([7, number]))
        noisy = drawn + random.integers(-NOISE, NOISE + 1, drawn.shape, np.int16)
        path = folder / f"clip-{number:05d}.dcm"
        paths.append(write_dicom(path, list(np.clip(noisy, 0, 255).astype(np.uint8))))
    return paths


def digests(folder: Path) -> dict[str, str]:
    """Checksum of every file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def measured(clips: Sequence[Path], out: Path, address: str | None) -> None:
    """Run the command on all clips."""
    words = ["measure", *map(str, clips), "--out", str(out), "--no-overlay", "--task", "draw_in"]
    words += ["--cluster", address] if address else []
    with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere):
        with contextlib.redirect_stderr(nowhere), contextlib.suppress(SystemExit):
            run_command(words)


def processor_s() -> float:
    """Processor time of this process and of those that ended."""
    own, ended = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def cost_of(clips: Sequence[Path], out: Path, is_cluster: bool) -> Cost:
    """Measure all clips and tell what that took; what starting a cluster takes is part of it."""
    began_s, before_s = time.monotonic(), processor_s()
    if is_cluster:
        with distributed.LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=WORKERS, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0"
        ) as local:
            measured(clips, out, local.scheduler_address)
    else:
        measured(clips, out, None)
    written = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    return Cost(time.monotonic() - began_s, processor_s() - before_s, written)


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure either way, print the table, and return 1 if a byte differs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=1000)
    parser.add_argument("--frames", type=int, default=6)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    shutil.rmtree(options.out, ignore_errors=True)
    clips = write_clips(options.out / "clips", options.clips, options.frames)
    os.cpu_count = lambda: 1  # one process, however many cores
    found = {}
    print(f"{'':24}{'clock s':>10}{'processor s':>12}{'kB':>10}   a clip")
    for name in ("one process", f"Dask, {WORKERS} workers"):
        out = options.out / name.split(",")[0].replace(" ", "-").lower()
        cost = cost_of(clips, out, name.startswith("Dask"))
        found[name] = digests(out)
        print(cost.line(name, options.clips), flush=True)
    one, other = found.values()
    differing = sorted(k for k in {*one, *other} if one.get(k) != other.get(k))
    finished = sum(path.endswith("measures.json") for path in one)
    print(f"{finished} of {options.clips} clips measured, {len(one)} files, ", end="")
    print(f"{len(differing)} differ {differing[:4]}" if differing else "the same bytes")
    return int(bool(differing) or finished != options.clips)


if __name__ == "__main__":
    sys.exit(main())
