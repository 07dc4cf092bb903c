"""Time `layermotion measure` on an 800 x 600 H.264 wall clip, stage by stage, and watch its memory.

python scripts/benchmark.py             prints frames per second, shares of stages and peak memory
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import chain, pairwise, repeat
from pathlib import Path
from typing import NamedTuple

import cv2
import numpy as np

from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.frame import edges_in
from layermotion.edges.second_look import EVERY, look_again
from layermotion.edges.site import parse_site
from layermotion.labels import Task, View
from layermotion.network.grid import ModelGrid, input_shape
from layermotion.network.look import LEAST_RECOGNISED, look_at
from layermotion.network.segmenter import CLASSES, load_segmenter
from layermotion.tissue.tracker import MotionTracker
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.write import write_video

SCREEN_PX = (600, 800)
RATE_HZ = 30.0
SEED = 5
# Runs the command, then tells its processor time, s, and peak memory, kB. Linux tells that of this
# program alone; in what other systems tell, that of the process which started it counts too.
PROGRAM = """
import re, resource, sys, time
from pathlib import Path
from layermotion.cli import app
app(sys.argv[1:], standalone_mode=False)
status = Path("/proc/self/status")
peak_kb = (
    re.search(r"VmHWM:\\s+(\\d+)", status.read_text())[1]
    if status.exists()
    else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
)
print(time.process_time(), peak_kb, file=sys.stderr)
"""
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


class Run(NamedTuple):
    """What one run of the command took: wall and processor time, s, and peak memory, MB."""

    seconds: float
    processor_s: float
    peak_mb: float


def run(source: Path, spacing: str, out: Path, *extra: str) -> Run:
    """Measure once in a fresh process."""
    arguments = ["measure", str(source), "--out", str(out), "--mm-per-pixel", spacing, *extra]
    started_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments], capture_output=True, text=True, check=True
    )
    seconds = time.monotonic() - started_s
    processor_s, peak_kb = map(float, done.stderr.split()[-2:])
    return Run(seconds, processor_s, peak_kb / 1e3)


def time_stages(source: Path, spacing: str) -> dict[str, float]:
    """Processor time of each stage for one frame of a short clip, ms."""
    cv2.setNumThreads(1)
    row_mm, column_mm = map(float, spacing.split(","))
    view = View.ABDOMINAL_WALL
    clip = open_clip(source, SourceOptions(mm_per_pixel=(row_mm, column_mm), view=view))
    segmenter = load_segmenter(threads=1)
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    ended_s = {"": time.process_time()}
    frames = list(clip.frames())
    ended_s["reading the video"] = time.process_time()
    looks = [look_at(frame, segmenter, grid) for frame in frames]
    ended_s["network"] = time.process_time()
    found = [edges_in(look, grid, view, LEAST_RECOGNISED) for look in looks]
    ended_s["edges"] = time.process_time()
    for frame in frames[::EVERY]:
        look_again(frame, segmenter, grid, clip.spacing)
    ended_s[f"second look at one in {EVERY}"] = time.process_time()
    site_px, _ = parse_site("muscle-centre").place(found, clip)
    tracker = MotionTracker(clip.spacing, clip.area, view, site_px)
    for frame, edges in zip(frames, found, strict=True):
        tracker.update(frame.pixels, edges)
    ended_s["motion of tissue"] = time.process_time()
    return {
        stage: 1e3 * (end_s - start_s) / len(frames)
        for (_, start_s), (stage, end_s) in pairwise(ended_s.items())
    }


def show_stages(stages_ms: dict[str, float], frames: int, whole: Run) -> None:
    """Print what each stage takes of the processor time of one run."""
    print(f"{'':32}{'ms a frame':>10}{'share':>8}")
    for stage, each_ms in stages_ms.items():
        print(f"{stage:32}{each_ms:10.1f}{each_ms * frames / 10 / whole.processor_s:6.0f} %")
    rest_s = whole.processor_s - sum(stages_ms.values()) * frames / 1e3
    share = 100 * rest_s / whole.processor_s
    print(f"{'start, measures, plots, files':32}{rest_s:8.1f} s{share:6.0f} %")


def time_network(pictures: int = 60) -> float:
    """Median time of the network alone for one picture on one core, ms: how fast the machine is."""
    segmenter = load_segmenter(threads=1)
    image = np.zeros((1, *input_shape(segmenter.size_px)), np.uint8)
    return _median_ms(lambda: segmenter.run(image), pictures)


def time_usual_recipe(pictures: int = 20) -> float:
    """Median time of a U-Net on resnet34 in torch for one picture on one core, ms."""
    # Here alone, so that their memory is in no other figure.
    import segmentation_models_pytorch as smp
    import torch

    torch.set_num_threads(1)
    network = smp.Unet("resnet34", encoder_weights=None, in_channels=1, classes=len(CLASSES)).eval()
    image = torch.zeros(1, 1, *input_shape(load_segmenter().size_px))
    with torch.inference_mode():
        return _median_ms(lambda: network(image), pictures)


def _median_ms(do: Callable[[], object], times: int) -> float:
    taken_s = []
    for _ in range(times):
        started_s = time.perf_counter()
        do()
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
        whole = run(root / "clip.mp4", spacing, root / "without", "--no-overlay")
        tell(f"without overlay: {options.frames} frames", options.frames, whole)
        tell("with overlay", options.frames, run(root / "clip.mp4", spacing, root / "with"))
        if options.long:
            make_clip(root / "long.mp4", options.long)
            taken = run(root / "long.mp4", spacing, root / "long", "--no-overlay")
            tell(f"long clip: {options.long} frames", options.long, taken)
        make_clip(root / "short.mp4", BASE_FRAMES)
        show_stages(time_stages(root / "short.mp4", spacing), options.frames, whole)
        usual_ms = time_usual_recipe()
        print(f"a U-Net on resnet34 in torch, alone: {usual_ms:.1f} ms a picture on one core")


def tell(what: str, frames: int, taken: Run) -> None:
    """Print the speed of one run."""
    speed = frames / taken.seconds
    print(f"{what} in {taken.seconds:.1f} s, start included, {speed:.1f} frames/s, "
          f"peak {taken.peak_mb:.0f} MB")  # fmt: skip


if __name__ == "__main__":
    main()
