"""Train small variants of the network on the same pictures, and compare them.

python scripts/ablation.py --out out/ablation             trains and scores every variant
python scripts/ablation.py --out out/ablation --write     stores the table with the weights

Variants that are scored already are not trained again. With several GPUs each trains variants of
its own; without one it takes hours.
"""

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from evaluate import store
from numpy.typing import NDArray

from layermotion.files import atomic_path, write_text
from layermotion.labels import WALL_LAYERS, label_of
from layermotion.network.grid import input_shape
from layermotion.network.segmenter import load_segmenter
from layermotion.training.composing import load_settings
from layermotion.training.data import Batch, collate, seeded
from layermotion.training.loop import train
from layermotion.training.network import LayerNet
from layermotion.training.scoring import evaluate
from layermotion.training.settings import TrainSettings
from layermotion_synthetic.dataset import Example, draw_example

# What each variant changes of configs/train.yaml. The second tells how far chance alone goes.
VARIANTS: dict[str, tuple[str, ...]] = {
    "as shipped": (),
    "as shipped, other draws": ("seed=1",),
    "borders weigh no more": ("boundary_weight=0",),
    "borders weigh three times as much": ("boundary_weight=6",),
    "half the encoder": ("encoder=tu-mobilenetv4_conv_small_050",),
    "larger encoder": ("encoder=tu-mobilenetv4_conv_medium",),
    "narrow decoder": ("decoder_channels=[64,48,32,24]",),
    "256 rows": ("size_px=256",),
    "384 rows": ("size_px=384",),
}
# First words of the seeds; no training starts with one of them. (Exported networks are brought to
# eight bits on some of the pictures of the second.)
POOL_STREAM, SCORED_STREAM = 20_261_125_7, 20_261_125_8
SCORED = 512
# Each variant sees the same number of pictures, drawn anew by augmentation alone.
SAME = ("batch_size=128", "reuse=1", "warmup_steps=100", "ema_decay=0.99", "tracking=csv")


class Pool:
    """Pictures drawn once and kept on disk, from which every variant draws."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def source(self) -> str:
        """Name of the pictures."""
        return f"scripts.ablation {self.folder.name}"

    @cached_property
    def arrays(self) -> tuple[NDArray[Any], ...]:
        """Images, labels, views and pixel heights; mapped, not read."""
        names = ("image", "label", "view", "mm_per_pixel")
        return tuple(np.load(self.folder / f"{name}.npy", mmap_mode="r") for name in names)

    def __getitem__(self, k: int) -> Example:
        image, label, view, mm_per_pixel = self.arrays
        return Example(np.array(image[k]), np.array(label[k]), int(view[k]), float(mm_per_pixel[k]))

    def __call__(self, rng: np.random.Generator, size_px: int) -> Example:
        """Pick one picture."""
        return self[int(rng.integers(len(self.arrays[2])))]


def make_pool(out: Path, size_px: int, count: int, stream: int = POOL_STREAM) -> Pool:
    """Draw a pool, or take the one that is there."""
    folder = out / f"{'pool' if stream == POOL_STREAM else 'scored'}-{size_px}"
    if not (folder / "mm_per_pixel.npy").exists():
        folder.mkdir(parents=True, exist_ok=True)
        shape = (count, *input_shape(size_px))
        image, label = np.empty(shape, np.uint8), np.empty(shape, np.uint8)
        view, mm_per_pixel = np.empty(count, np.int64), np.empty(count)
        # One thread a process: the processes themselves are the parallelism.
        with multiprocessing.Pool(os.cpu_count(), cv2.setNumThreads, (0,)) as pool:
            jobs = ((stream, k, size_px) for k in range(count))
            for k, drawn in enumerate(pool.imap(_draw_one, jobs, chunksize=32)):
                image[k], label[k] = drawn.image, drawn.label
                view[k], mm_per_pixel[k] = drawn.view, drawn.mm_per_pixel
        # The one that is looked for is written last.
        named: dict[str, NDArray[Any]] = {
            "image": image,
            "label": label,
            "view": view,
            "mm_per_pixel": mm_per_pixel,
        }
        for name, values in named.items():
            with atomic_path(folder / f"{name}.npy") as temporary, temporary.open("wb") as file:
                np.save(file, values)
    return Pool(folder)


def _draw_one(job: tuple[int, int, int]) -> Example:
    stream, k, size_px = job
    for attempt in range(10):
        try:
            return draw_example(seeded(stream, k, attempt), size_px)
        except ValueError:  # a draw in a million has a shape that cannot be
            continue
    raise RuntimeError(f"picture {k} cannot be drawn")


def run_variant(name: str, out: Path, steps: int, pictures: int, workers: int) -> None:
    """Train and score one variant; its row is written last."""
    settings = load_settings(
        "train",
        [*SAME, f"steps={steps}", f"validate_every_steps={steps + 1}", f"workers={workers}",
         *VARIANTS[name]],
    )  # fmt: skip
    pool = make_pool(out, settings.size_px, pictures)
    folder = _row_path(out, name).parent
    started_s = time.monotonic()
    train(settings, folder, draw=pool)
    seconds = time.monotonic() - started_s
    row: dict[str, Any] = {"variant": name, "change": " ".join(VARIANTS[name])}
    row |= {"steps": steps, "pictures": pictures, "seconds": round(seconds)}
    row |= score(folder, settings, make_pool(out, settings.size_px, SCORED, SCORED_STREAM))
    write_text(folder / "row.json", json.dumps(row) + "\n")


def score(folder: Path, settings: TrainSettings, pictures: Pool) -> dict[str, Any]:
    """Dice and error of the height of each layer, on pictures not trained on.

    The height error is that of the number of rows in a column, counted by probability, where the
    layer is in the truth; mm.
    """
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    state = torch.load(folder / "last.pt", map_location="cpu", weights_only=True)
    model = LayerNet(settings).eval()
    model.load_state_dict(state["average"])
    batches = [
        collate([pictures[k] for k in range(first, first + 64)]) for first in range(0, SCORED, 64)
    ]
    model.to(device)
    dice = evaluate(model, batches, device)
    values = {key: value for key, value in dice.items() if key.startswith("dice_")}
    errors = _height_errors(model, batches, device)
    return values | {f"height_{layer}_mm": error for layer, error in errors.items()}


@torch.no_grad()
def _height_errors(
    model: torch.nn.Module, batches: Sequence[Batch], device: torch.device
) -> dict[str, float]:
    found: dict[str, list[torch.Tensor]] = {layer: [] for layer in WALL_LAYERS}
    for batch in batches:
        chances = model(batch.image.to(device))[0].float().softmax(1).cpu()  # (N, K, R, C)
        for layer in WALL_LAYERS:
            truth = (batch.label == label_of(layer)).sum(1)  # (N, C)
            rows = (chances[:, label_of(layer)].sum(1) - truth).abs() * batch.mm_per_pixel[:, None]
            found[layer].append(rows[truth > 0])
    return {str(layer): float(torch.cat(values).mean()) for layer, values in found.items()}


@torch.no_grad()
def time_variant(name: str) -> float:
    """Median time of one picture on one core of this machine, ms, in torch."""
    settings = load_settings("train", list(VARIANTS[name]))
    model = LayerNet(settings).eval()
    torch.set_num_threads(1)
    image = torch.zeros(1, 1, *input_shape(settings.size_px))
    taken = []
    for _ in range(30):
        started_s = time.perf_counter()
        model(image)
        taken.append(time.perf_counter() - started_s)
    return 1e3 * float(np.median(taken))


def run_all(options: argparse.Namespace) -> None:
    """Give each GPU the next variant that is not scored, until none is left."""
    places = [str(k) for k in range(torch.cuda.device_count())] or [""]
    workers = max(1, (os.cpu_count() or 1) // len(places) - 1)
    waiting = [name for name in VARIANTS if not _row_path(options.out, name).exists()]
    for size_px in sorted({load_settings("train", list(VARIANTS[n])).size_px for n in waiting}):
        make_pool(options.out, size_px, options.pictures)
        make_pool(options.out, size_px, SCORED, SCORED_STREAM)
    running: dict[str, subprocess.Popen[bytes]] = {}
    while waiting or running:
        for place in places:
            if place in running and running[place].poll() is not None:
                if running.pop(place).returncode:
                    sys.exit("A variant failed; see above.")
            if place not in running and waiting:
                command = [sys.executable, __file__, "--out", str(options.out)]
                command += ["--steps", str(options.steps), "--pictures", str(options.pictures)]
                command += ["--workers", str(workers), "--only", waiting.pop(0)]
                environment = os.environ | ({"CUDA_VISIBLE_DEVICES": place} if place else {})
                running[place] = subprocess.Popen(command, env=environment)
        time.sleep(0.5)


def _row_path(out: Path, name: str) -> Path:
    return out / name.replace(",", "").replace(" ", "-") / "row.json"


def main() -> None:
    """Train what is missing, print, and store if asked."""
    parser = argparse.ArgumentParser(description="Compare variants of the network.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=1000)
    parser.add_argument("--pictures", type=int, default=20_000, help="pictures in the pool")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--only", choices=VARIANTS, help="train this variant alone")
    parser.add_argument("--write", action="store_true", help="store the table with the weights")
    options = parser.parse_args()
    if options.only:
        run_variant(options.only, options.out, options.steps, options.pictures, options.workers)
        return
    run_all(options)
    rows = [json.loads(_row_path(options.out, name).read_text()) for name in VARIANTS]
    for row in rows:
        row["cpu_ms"] = time_variant(row["variant"])
    print(f"{'variant':36}{'Dice TrA':>9}{'mean':>7}{'TrA mm':>8}{'IO mm':>8}{'ms':>7}")
    for row in rows:
        cells = f"{row['dice_tra']:9.3f}{row['dice_mean']:7.3f}{row['height_tra_mm']:8.3f}"
        print(f"{row['variant']:36}{cells}{row['height_io_mm']:8.3f}{row['cpu_ms']:7.1f}")
    if options.write:
        name = load_segmenter().name
        command = (
            f"python scripts/ablation.py --out out/ablation --steps {rows[0]['steps']} "
            f"--pictures {rows[0]['pictures']}"
        )
        store(name, {"ablation": {"command": command, "rows": rows}})


if __name__ == "__main__":
    main()
