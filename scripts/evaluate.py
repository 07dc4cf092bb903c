"""Measure fresh synthetic clips and compare with their truth.

python scripts/evaluate.py              prints the table of the README
python scripts/evaluate.py --write      also stores the errors with the weights
"""

import argparse
import json
import multiprocessing
import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from layermotion.analysis import analyse, look_at
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import LayermotionError
from layermotion.files import write_text
from layermotion.labels import STRUCTURES, WALL_LAYERS, View, label_of
from layermotion.recording import Recording
from layermotion.segment import WEIGHTS_FOLDER, ModelGrid, Segmenter, load_segmenter, read_card
from layermotion.site import parse_site
from synthetic.clips import clip_truth, draw_clip, render_clip
from synthetic.compare import Comparison, compare_frames, compare_measures
from synthetic.write import write_video

# No training seed starts with this word, so none of these clips was trained on.
EVALUATION_STREAM = 20_261_125
FRAME_RATE_HZ = 10.0
FRAMES_COMPARED = 12
LIMITS_MM = {"fat": 0.35, "eo": 0.35, "io": 0.35, "tra": 0.25, "bladder": 0.5}
DICE_LIMIT = 0.92


@dataclass(frozen=True)
class ClipResult:
    """What one clip gave.

    ``mm_per_model_px`` scales errors; ``dice`` holds (overlap, size) sums per structure.
    """

    view: str
    failure: str
    mm_per_model_px: float
    frames: list[Comparison]
    measures: list[Comparison]
    dice: dict[str, tuple[float, float]]


def evaluate_clip(number: int) -> ClipResult:
    """Draw, write, measure and compare clip ``number``; odd numbers show the bladder."""
    cv2.setNumThreads(1)
    view = View.BLADDER if number % 2 else View.ABDOMINAL_WALL
    rng = np.random.Generator(np.random.SFC64([EVALUATION_STREAM, number]))
    plan = draw_clip(rng, view, frame_rate_hz=FRAME_RATE_HZ)
    truth = clip_truth(plan)
    rendered = list(render_clip(plan))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        write_video(path, [screen for screen, _ in rendered], FRAME_RATE_HZ)
        options = SourceOptions(
            mm_per_pixel=(plan.grid.row_mm, plan.grid.column_mm), task=plan.motion.task
        )
        segmenter = _segmenter()
        clip = open_clip(path, options)
        grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
        scale = grid.mm_per_pixel or float("nan")
        chosen = np.linspace(0, len(rendered) - 1, FRAMES_COMPARED).astype(int)
        dice = _dice(clip.frames(), [labels for _, labels in rendered], chosen, segmenter, grid)
        try:
            with Recording() as recording:
                analysis = analyse(clip, segmenter, parse_site("muscle-centre"), recording)
        except LayermotionError as error:
            return ClipResult(view, str(error), scale, [], [], dice)
        if analysis.view is not view:
            return ClipResult(view, f"taken for {analysis.view}", scale, [], [], dice)
        frames = compare_frames(analysis, plan, truth, [int(i) for i in chosen])
        return ClipResult(view, "", scale, frames, compare_measures(analysis, plan, truth), dice)


_loaded: list[Segmenter] = []


def _segmenter() -> Segmenter:
    """Weights of this process, with a placeholder error where none was stored yet."""
    if not _loaded:
        found = load_segmenter(threads=1)
        if not found.errors_px:
            names = [f"{kind}_{layer}" for kind in ("thickness", "change") for layer in WALL_LAYERS]
            errors = dict.fromkeys([*names, "base_displacement"], 1.0)
            found = Segmenter(
                found.name, found.sha256, found.size_px, found.spacing_range_mm, errors,
                found.session,
            )  # fmt: skip
        _loaded.append(found)
    return _loaded[0]


def _dice(frames, labels, chosen, segmenter, grid) -> dict[str, tuple[float, float]]:  # noqa: ANN001
    sums = {structure: [0.0, 0.0] for structure in STRUCTURES}
    wanted = set(chosen[::4].tolist())
    for frame in frames:
        if frame.index not in wanted:
            continue
        found = look_at(frame, segmenter, grid).probabilities.argmax(0)[grid.slices]
        area = grid.area
        found = cv2.resize(
            found.astype(np.uint8), (area.width, area.height), interpolation=cv2.INTER_NEAREST
        )
        true = labels[frame.index][area.slices]
        for structure in STRUCTURES:
            own, other = found == label_of(structure), true == label_of(structure)
            sums[structure][0] += 2.0 * float(np.count_nonzero(own & other))
            sums[structure][1] += float(np.count_nonzero(own) + np.count_nonzero(other))
    return {str(structure): (a, b) for structure, (a, b) in sums.items()}


def spread(errors: np.ndarray) -> float:
    """Standard deviation of a normal error with the same 95 % range."""
    return float(np.quantile(np.abs(errors), 0.95) / 1.96)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="number of the first clip")
    parser.add_argument("--write", action="store_true", help="store the errors with the weights")
    options = parser.parse_args()
    started_s = time.monotonic()
    numbers = range(options.first, options.first + options.clips)
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        results = list(pool.imap_unordered(evaluate_clip, numbers))
    name = load_segmenter().name
    print(f"weights {name}, {len(results)} clips, {time.monotonic() - started_s:.0f} s")
    failed = [r for r in results if r.failure]
    print(f"clips not measured: {len(failed)}")
    for result in failed:
        print(f"  {result.view}: {result.failure}")
    print(f"{'frame values':24}{'n':>6}{'withheld':>10}{'MAE mm':>8}{'median':>8}{'bias':>8}"
          f"{'95 % mm':>9}{'limit':>7}")  # fmt: skip
    errors_px: dict[str, float] = {}
    for structure in STRUCTURES:
        pairs = [
            (row, r.mm_per_model_px) for r in results for row in r.frames
            if row.structure == structure
        ]  # fmt: skip
        if not pairs:
            continue
        errors = np.array([row.error for row, _ in pairs])
        known = ~np.isnan(errors)
        kept = errors[known]
        mae = np.abs(kept).mean()
        limit = LIMITS_MM[structure]
        print(f"{structure:24}{len(pairs):6d}{100 * (~known).mean():9.1f}%{mae:8.3f}"
              f"{np.median(np.abs(kept)):8.3f}{kept.mean():+8.3f}"
              f"{np.quantile(np.abs(kept), 0.95):9.3f}{limit:7.2f} "
              f"{'met' if mae <= limit else 'MISSED'}")  # fmt: skip
    print(f"{'measures':34}{'n':>5}{'MAE':>9}{'median':>9}{'inside interval':>17}")
    rows = [(row, r.mm_per_model_px) for r in results for row in r.measures]
    for key in sorted({(row.name, row.structure, row.unit) for row, _ in rows}):
        group = [(row, s) for row, s in rows if (row.name, row.structure, row.unit) == key]
        errors = np.array([row.error for row, _ in group])
        inside = np.mean([row.low <= row.true <= row.high for row, _ in group])
        print(f"{key[0] + ' ' + key[1]:34}{len(group):5d}{np.abs(errors).mean():8.3f} "
              f"{np.median(np.abs(errors)):8.3f}{100 * inside:15.0f} % {key[2]}")  # fmt: skip
        in_px = np.array([row.error / s for row, s in group])
        if key[2] == "mm":
            short = {"thickness_rest": "thickness", "thickness_change": "change"}.get(key[0])
            if short:
                errors_px[f"{short}_{key[1]}"] = spread(in_px)
            elif key[0] == "base_displacement":
                errors_px["base_displacement"] = spread(in_px)
    print(f"{'Dice':10}")
    for structure in STRUCTURES:
        overlap = sum(r.dice[structure][0] for r in results)
        size = sum(r.dice[structure][1] for r in results)
        value = overlap / size
        print(f"  {structure:8}{value:.3f} {'met' if value >= DICE_LIMIT else 'MISSED'}")
    if options.write:
        card = read_card(name)
        card["errors_px"] = {key: round(value, 3) for key, value in sorted(errors_px.items())}
        write_text(WEIGHTS_FOLDER / f"{name}.json", json.dumps(card, indent=2) + "\n")
        print(f"stored in {name}.json")


if __name__ == "__main__":
    main()
