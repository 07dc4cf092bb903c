"""Time `layermotion measure` on an 800 x 600 H.264 wall clip, and watch its memory.

python scripts/benchmark.py             prints frames per second and peak memory
"""

import argparse
import subprocess
import sys
import tempfile
import time
from itertools import chain, repeat
from pathlib import Path

import numpy as np

from layermotion.labels import Task, View
from layermotion.network.grid import input_shape
from layermotion.network.segmenter import load_segmenter
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.write import write_video

SCREEN_PX = (600, 800)
RATE_HZ = 30.0
SEED = 5
# A clip of this length is shown over and over to make a long one.
BASE_FRAMES = 150


def make_clip(path: Path, frames: int) -> str:
    """Write a clip of ``frames`` frames and return its pixel size as the option takes it."""
    rng = np.random.Generator(np.random.SFC64(SEED))
    plan = draw_clip(
        rng, View.ABDOMINAL_WALL, task=Task.DRAW_IN, screen_px=SCREEN_PX, frame_rate_hz=RATE_HZ
    )
    base = [screen for (screen, _), _ in zip(render_clip(plan), range(BASE_FRAMES), strict=False)]
    endless = chain.from_iterable(repeat(base))
    write_video(path, (frame for frame, _ in zip(endless, range(frames), strict=False)), RATE_HZ)
    return f"{plan.grid.row_mm:.6f},{plan.grid.column_mm:.6f}"


def run(source: Path, spacing: str, out: Path, *extra: str) -> tuple[float, float]:
    """Measure once in a fresh process; seconds of wall time and peak memory in MB."""
    program = (
        "import resource, sys; from layermotion.cli import app; "
        "code = app(sys.argv[1:], standalone_mode=False); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    )
    arguments = ["measure", str(source), "--out", str(out), "--mm-per-pixel", spacing, *extra]
    started_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], capture_output=True, text=True, check=True
    )
    seconds = time.monotonic() - started_s
    # Linux counts kilobytes, macOS bytes.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return seconds, float(done.stderr.split()[-1]) / unit


def time_network(pictures: int = 60) -> float:
    """Median time of the network alone for one picture on one core, ms: how fast the machine is."""
    segmenter = load_segmenter(threads=1)
    image = np.zeros((1, *input_shape(segmenter.size_px)), np.uint8)
    taken_s = []
    for _ in range(pictures):
        started_s = time.perf_counter()
        segmenter.run(image)
        taken_s.append(time.perf_counter() - started_s)
    return 1e3 * float(np.median(taken_s))


def main() -> None:
    """Make clips, measure, print."""
    parser = argparse.ArgumentParser(description="Time the measuring command.")
    parser.add_argument("--frames", type=int, default=900)
    parser.add_argument("--long", type=int, default=9000, help="frames of the long clip; 0: none")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        print(f"the network alone: {time_network():.1f} ms a picture on one core")
        spacing = make_clip(root / "clip.mp4", options.frames)
        run(root / "clip.mp4", spacing, root / "warm", "--no-overlay")
        for name, extra in (("without overlay", ("--no-overlay",)), ("with overlay", ())):
            seconds, peak_mb = run(root / "clip.mp4", spacing, root / name, *extra)
            print(f"{name}: {options.frames} frames in {seconds:.1f} s, start included, "
                  f"{options.frames / seconds:.1f} frames/s, peak {peak_mb:.0f} MB")  # fmt: skip
        if options.long:
            make_clip(root / "long.mp4", options.long)
            seconds, peak_mb = run(root / "long.mp4", spacing, root / "long", "--no-overlay")
            print(f"long clip: {options.long} frames in {seconds:.1f} s, "
                  f"{options.long / seconds:.1f} frames/s, peak {peak_mb:.0f} MB")  # fmt: skip


if __name__ == "__main__":
    main()
