"""Measure fresh synthetic clips and compare with their truth.

python scripts/evaluate.py --calibrate  stores the errors that set the width of intervals
python scripts/evaluate.py              prints the tables of the model card, from other clips
python scripts/evaluate.py --write      also stores them with the weights
"""

import argparse
import json
import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.analysis import analyse
from layermotion.clip import Frame
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import LayermotionError
from layermotion.evaluation.compare import Comparison, compare_frames, compare_measures
from layermotion.files import write_text
from layermotion.labels import MUSCLES, STRUCTURES, WALL_LAYERS, Task, View, label_of
from layermotion.measures.error import clip_confidence
from layermotion.network.grid import ModelGrid
from layermotion.network.look import look_at
from layermotion.network.segmenter import WEIGHTS_FOLDER, Segmenter, load_segmenter, read_card
from layermotion.normal import Z95
from synthetic.clips import clip_truth, draw_clip, render_clip
from synthetic.motion import BLADDER_TASKS, WALL_TASKS
from synthetic.write import write_video

# No training seed starts with this word, so none of these clips was trained on.
EVALUATION_STREAM = 20_261_125
# Clips from this number on set the errors; those below judge them.
CALIBRATION_FIRST = 100_000
# Slow tasks change little from frame to frame; a cough needs a scanner's own rate.
FRAME_RATE_HZ, COUGH_RATE_HZ = 10.0, 30.0
FRAMES_COMPARED = 12
JUDGED = ("thickness", "base_displacement")
# Largest mean absolute error, mm, and smallest Dice that the project asks of its weights.
LIMITS_MM = {"fat": 0.3, "eo": 0.3, "io": 0.3, "tra": 0.2, "bladder": 0.4}
DICE_LIMIT = 0.92
# Smallest share of the frames a person could measure that must be measured, percent.
ACCEPTED_LIMIT = 90.0


@dataclass(frozen=True)
class ClipResult:
    """What one clip gave.

    ``mm_per_model_px`` scales errors; ``confidence`` is that of each structure; ``dice`` holds
    (twice the overlap, sizes) per structure.
    """

    view: str
    failure: str
    mm_per_model_px: float
    confidence: dict[str, float]
    frames: list[Comparison]
    measures: list[Comparison]
    dice: dict[str, tuple[float, float]]


def evaluate_clip(folder: Path, name: str | None, number: int) -> ClipResult:
    """Draw, write, measure and compare clip ``number``; odd numbers show the bladder."""
    cv2.setNumThreads(1)
    view = View.BLADDER if number % 2 else View.ABDOMINAL_WALL
    rng = np.random.Generator(np.random.SFC64([EVALUATION_STREAM, number]))
    tasks = BLADDER_TASKS[1:] if view is View.BLADDER else WALL_TASKS[1:]
    task = tasks[int(rng.integers(len(tasks)))]
    rate_hz = COUGH_RATE_HZ if task is Task.COUGH else FRAME_RATE_HZ
    plan = draw_clip(rng, view, task=task, frame_rate_hz=rate_hz)
    truth = clip_truth(plan)
    rendered = list(render_clip(plan))
    segmenter = load_unjudged(folder, name)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        write_video(path, [screen for screen, _ in rendered], rate_hz)
        spacing = (plan.grid.row_mm, plan.grid.column_mm)
        clip = open_clip(path, SourceOptions(mm_per_pixel=spacing, task=plan.motion.task))
        grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
        chosen = np.linspace(0, len(rendered) - 1, FRAMES_COMPARED).astype(int).tolist()
        labels = {i: rendered[i][1] for i in chosen[::4]}
        result = ClipResult(
            view=view,
            failure="",
            mm_per_model_px=grid.mm_per_pixel or float("nan"),
            confidence={},
            frames=[],
            measures=[],
            dice=dice_sums(clip.frames(), labels, segmenter, grid),
        )
        try:
            with Recording() as recording:
                analysis = analyse(clip, segmenter, parse_site("muscle-centre"), recording)
        except LayermotionError as error:
            return replace(result, failure=str(error))
    if analysis.view is not view:
        return replace(result, failure=f"taken for {analysis.view}")
    quantities = [q for q in analysis.series.quantities if q.structure in set(STRUCTURES)]
    return replace(
        result,
        confidence={q.structure: clip_confidence(q) for q in quantities if q.name in JUDGED},
        frames=compare_frames(analysis, plan, truth, chosen, {i: rendered[i][0] for i in chosen}),
        measures=compare_measures(analysis, plan, truth),
    )


def load_unjudged(folder: Path = WEIGHTS_FOLDER, name: str | None = None) -> Segmenter:
    """Load weights, the newest if not named; errors not known yet count as one model pixel."""
    found = load_segmenter(name, threads=1, folder=folder)
    names = [f"thickness_{layer}" for layer in WALL_LAYERS]
    names += [f"change_{muscle}" for muscle in MUSCLES]
    start = dict.fromkeys([*names, "base_displacement"], (1.0, 0.0))
    return replace(found, errors_px={**start, **found.errors_px})


def store(name: str, entries: dict[str, Any], folder: Path = WEIGHTS_FOLDER) -> None:
    """Put what a study found into the card of some weights, and say so."""
    write_text(
        folder / f"{name}.json", json.dumps(read_card(name, folder) | entries, indent=2) + "\n"
    )
    print(f"stored in {name}.json")


def dice_sums(
    frames: Iterator[Frame],
    labels: dict[int, NDArray[np.uint8]],
    segmenter: Segmenter,
    grid: ModelGrid,
) -> dict[str, tuple[float, float]]:
    """Twice the overlap, and the sizes, of each structure over the labelled frames."""
    sums = {structure: np.zeros(2) for structure in STRUCTURES}
    for frame in frames:
        if frame.index not in labels:
            continue
        rows, columns = grid.slices
        chances = look_at(frame, segmenter, grid).probabilities[:, rows, columns]
        size = (grid.area.width, grid.area.height)
        # At the frame's own pixels, where the truth is: model pixels are coarser.
        fine = [
            cv2.resize(np.ascontiguousarray(c), size, interpolation=cv2.INTER_LINEAR)
            for c in chances
        ]
        found = np.argmax(fine, axis=0)
        true = labels[frame.index][grid.area.slices]
        for structure in STRUCTURES:
            own, other = found == label_of(structure), true == label_of(structure)
            sums[structure] += (2 * np.sum(own & other), np.sum(own) + np.sum(other))
    return {str(structure): (float(a), float(b)) for structure, (a, b) in sums.items()}


def error_model(
    errors: NDArray[np.float64], confidence: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the standard deviation at full confidence and the rate at which doubt raises it.

    The rate is a line through the logarithm of the errors, never falling with doubt; the level is
    that of a normal error that holds 95 % of all.
    """
    size, doubt = np.abs(errors), 1 - confidence
    growth = 0.0
    if np.ptp(doubt) > 0:
        # Tiny errors are luck, and would pull the line down.
        growth = max(float(np.polyfit(doubt, np.log(size + np.median(size) / 4), 1)[0]), 0.0)
    level = np.quantile(size / np.exp(growth * doubt), 0.95) / Z95
    return round(float(level), 3), round(growth, 2)


def summarise(results: Sequence[ClipResult]) -> dict[str, Any]:
    """Put all clips into tables: frame values, measures, Dice and errors in model pixels."""
    frames, measures, errors_px = [], [], {}
    for structure in STRUCTURES:
        compared = [c for r in results for c in r.frames if c.structure == structure]
        errors = np.array([c.error for c in compared])
        if errors.size == 0:
            continue
        legible = np.array([c.legible for c in compared], bool)
        kept = errors[~np.isnan(errors)]
        frames.append(
            {
                "structure": str(structure),
                "values": int(errors.size),
                "withheld_percent": 100 * float(np.isnan(errors).mean()),
                "legible_percent": 100 * float(legible.mean()),
                "accepted_percent": 100 * float(np.mean(~np.isnan(errors[legible]))),
                "mean_absolute_error_mm": float(np.abs(kept).mean()),
                "median_absolute_error_mm": float(np.median(np.abs(kept))),
                "bias_mm": float(kept.mean()),
                "error_95_mm": float(np.quantile(np.abs(kept), 0.95)),
                "limit_mm": LIMITS_MM[structure],
            }
        )
    rows = [(c, r.mm_per_model_px, r.confidence[c.structure]) for r in results for c in r.measures]
    for name, structure, unit in dict.fromkeys((c.name, c.structure, c.unit) for c, *_ in rows):
        kind = (name, structure, unit)
        group = [row for row in rows if (row[0].name, row[0].structure, row[0].unit) == kind]
        errors = np.array([c.error for c, *_ in group])
        inside = [c.is_inside for c, *_ in group if c.is_inside is not None]
        measures.append(
            {
                "measure": name,
                "structure": structure,
                "unit": unit,
                "values": len(group),
                "mean_absolute_error": float(np.abs(errors).mean()),
                "median_absolute_error": float(np.median(np.abs(errors))),
                "inside_interval_percent": 100 * float(np.mean(inside)),
            }
        )
        judged = {"thickness_rest": "thickness", "thickness_change": "change"}.get(name)
        in_px = np.array([c.error / scale for c, scale, _ in group])
        sure = np.array([sure for *_, sure in group])
        if unit == "mm" and judged:
            errors_px[f"{judged}_{structure}"] = error_model(in_px, sure)
        elif name == "base_displacement":
            errors_px[name] = error_model(in_px, sure)
    dice = {}
    for structure in STRUCTURES:
        overlap, size = np.sum([r.dice[structure] for r in results], axis=0)
        dice[str(structure)] = float(overlap / size)
    failures = [f"{r.view}: {r.failure}" for r in results if r.failure]
    return {
        "clips": len(results),
        "not_measured": failures,
        "frames": frames,
        "measures": measures,
        "dice": dice,
        "dice_limit": DICE_LIMIT,
        "accepted_limit": ACCEPTED_LIMIT,
        "errors_px": errors_px,
    }


def show(summary: dict[str, Any]) -> None:
    """Print the tables."""
    print(f"not measured: {len(summary['not_measured'])} of {summary['clips']} clips")
    for failure in summary["not_measured"]:
        print(f"  {failure}")
    print(f"{'frame values':14}{'n':>6}{'withheld':>10}{'legible':>9}{'accepted':>10}{'MAE':>8}"
          f"{'median':>8}{'bias':>8}{'95 %':>8}{'limit':>7}  mm")  # fmt: skip
    for row in summary["frames"]:
        mae, limit = row["mean_absolute_error_mm"], row["limit_mm"]
        print(f"{row['structure']:14}{row['values']:6d}{row['withheld_percent']:9.1f}%"
              f"{row['legible_percent']:8.1f}%{row['accepted_percent']:9.1f}%{mae:8.3f}"
              f"{row['median_absolute_error_mm']:8.3f}{row['bias_mm']:+8.3f}"
              f"{row['error_95_mm']:8.3f}{limit:7.2f}  "
              f"{'met' if mae <= limit else 'MISSED'}")  # fmt: skip
    print(f"{'measures':38}{'n':>5}{'MAE':>9}{'median':>9}{'in interval':>13}")
    for row in summary["measures"]:
        name = f"{row['structure']} {row['measure']} ({row['unit']})"
        mae, median = row["mean_absolute_error"], row["median_absolute_error"]
        inside = row["inside_interval_percent"]
        print(f"{name:38}{row['values']:5d}{mae:9.3f}{median:9.3f}{inside:11.0f} %")
    for structure, value in summary["dice"].items():
        verdict = "met" if value >= summary["dice_limit"] else "MISSED"
        print(f"Dice {structure:8}{value:.3f}  {verdict}")


def main() -> None:
    """Measure, print, and store if asked."""
    parser = argparse.ArgumentParser(description="Compare measured with true values.")
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--first", type=int, default=2000, help="number of the first clip")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--write", action="store_true", help="store the tables with the weights")
    what.add_argument(
        "--calibrate",
        action="store_true",
        help=f"store the errors, from clips {CALIBRATION_FIRST} on",
    )
    parser.add_argument("--name", help="weights to judge; the newest if not given")
    parser.add_argument("--models", type=Path, default=WEIGHTS_FOLDER, help="where they lie")
    options = parser.parse_args()
    started_s = time.monotonic()
    first = CALIBRATION_FIRST if options.calibrate else options.first
    numbers = range(first, first + options.clips)
    if not options.calibrate and numbers.stop > CALIBRATION_FIRST:
        parser.error(f"clips from {CALIBRATION_FIRST} on are kept for --calibrate")
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        judge = partial(evaluate_clip, options.models, options.name)
        results = list(pool.map(judge, numbers))
    name = load_segmenter(options.name, folder=options.models).name
    print(f"weights {name}, {time.monotonic() - started_s:.0f} s")
    summary = summarise(results)
    show(summary)
    errors_px = summary.pop("errors_px")
    if options.calibrate:
        command = f"python scripts/evaluate.py --calibrate --clips {options.clips}"
        entries = {"errors_px": errors_px, "calibration": {"command": command}}
        store(name, entries, options.models)
    if options.write:
        command = f"python scripts/evaluate.py --clips {options.clips} --first {options.first}"
        store(name, {"evaluation": {"command": command, **summary}}, options.models)


if __name__ == "__main__":
    main()
