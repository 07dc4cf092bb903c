"""Owns what weights make of fresh synthetic clips, and the errors that set their intervals."""

import json
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.analysis import analyse
from layermotion.clip import Frame
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import LayermotionError, WeightsError
from layermotion.evaluation.compare import Comparison, compare_frames, compare_measures
from layermotion.files import write_text
from layermotion.labels import STRUCTURES, Task, View, label_of
from layermotion.measures.error import clip_confidence
from layermotion.network.grid import ModelGrid
from layermotion.network.look import look_at
from layermotion.network.segmenter import (
    JUDGED_MEASURES,
    WEIGHTS_FOLDER,
    Segmenter,
    load_segmenter,
    missing_errors,
    read_card,
)
from layermotion.normal import Z95
from layermotion_synthetic.clips import clip_truth, draw_clip, render_clip
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.motion import BLADDER_TASKS, WALL_TASKS
from layermotion_synthetic.write import write_video

# No training seed starts with this word, so none of these clips was trained on.
EVALUATION_STREAM = 20_261_125
# Clips from this number on set the errors; those below judge them.
CALIBRATION_FIRST = 100_000
# Slow tasks change little from frame to frame; a cough needs a scanner's own rate.
FRAME_RATE_HZ, COUGH_RATE_HZ = 10.0, 30.0
FRAMES_COMPARED = 12
JUDGED = ("thickness", "base_displacement")
# Clips of both views that local weights are calibrated on unless told otherwise (our choice: some
# minutes on two cores; the shipped weights had 200).
CALIBRATION_CLIPS = 60
# Errors of the base come from so many times as many clips of the bladder as of the wall: each gives
# one value, where a clip of the wall gives two of each layer (our choice).
BLADDER_CLIPS = 3
# Smallest level of an error, model px (our choice: some 70 measures of base displacement were held
# by the spread within their windows alone, and then only 90 % of those of 200 other clips).
SMALLEST_LEVEL_PX = 0.25


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
    plan = draw_clip(rng, view, USUAL, task=task, frame_rate_hz=rate_hz)
    truth = clip_truth(plan)
    rendered = list(render_clip(plan))
    segmenter = load_unjudged(folder, name)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "clip.mp4"
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
    start = dict.fromkeys(JUDGED_MEASURES, (1.0, 0.0))
    return replace(found, errors_px={**start, **found.errors_px})


def evaluate_clips(
    folder: Path,
    name: str | None,
    numbers: Sequence[int],
    done: Callable[[int], None] = lambda count: None,
) -> list[ClipResult]:
    """Evaluate clips by their numbers on every core.

    Parameters
    ----------
    done
        Receives how many are done, after each.
    """
    context = multiprocessing.get_context("spawn")
    results = []
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        for result in pool.map(partial(evaluate_clip, folder, name), numbers):
            results.append(result)
            done(len(results))
    return results


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
    errors: NDArray[np.float64], confidence: NDArray[np.float64], spread: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the standard deviation at full confidence and the rate at which doubt raises it.

    The rate is a line through the logarithm of the errors, never falling with doubt; the level is
    the smallest with which 95 % of the intervals hold the truth, which hold the spread within the
    windows beside it: of all, of the half with the least spread, and of the half with the least
    doubt. Where most intervals are wide by their spread or their doubt, the narrow ones would else
    be too narrow.

    Parameters
    ----------
    errors, confidence, spread
        One for each measure; errors and spread in one unit.
    """
    size, doubt = np.abs(errors), 1 - confidence
    growth = 0.0
    if np.ptp(doubt) > 0:
        # Tiny errors are luck, and would pull the line down.
        growth = max(float(np.polyfit(doubt, np.log(size + np.median(size) / 4), 1)[0]), 0.0)
    beside = np.sqrt(np.maximum((size / Z95) ** 2 - spread**2, 0))
    beside /= np.exp(growth * doubt)
    chosen = (spread >= 0, spread <= np.median(spread), doubt <= np.median(doubt))
    level = max(np.quantile(beside[rows], 0.95) for rows in chosen)
    return round(max(float(level), SMALLEST_LEVEL_PX), 3), round(growth, 2)


def errors_of(
    results: Sequence[ClipResult], segmenter: Segmenter
) -> dict[str, tuple[float, float]]:
    """Return the error model of each measure that has an interval, in model pixels.

    Parameters
    ----------
    segmenter
        With which they were measured, as ``load_unjudged`` gives it.
    """
    rows: dict[str, list[tuple[float, float, float]]] = {}
    for result in results:
        for compared in result.measures:
            kind = {"thickness_rest": "thickness", "thickness_change": "change"}.get(compared.name)
            if compared.unit == "mm" and kind:
                name = f"{kind}_{compared.structure}"
            elif compared.name == "base_displacement":
                name = compared.name
            else:
                continue
            if compared.low is None or compared.high is None:
                continue
            sure = result.confidence[compared.structure]
            half_px = (compared.high - compared.low) / 2 / result.mm_per_model_px
            spread = (half_px / Z95) ** 2 - segmenter.error_px(name, sure) ** 2
            row = compared.error / result.mm_per_model_px, sure, float(np.sqrt(max(spread, 0)))
            rows.setdefault(name, []).append(row)
    return {name: error_model(*np.array(found).T) for name, found in rows.items()}


def calibration_numbers(clips: int) -> list[int]:
    """Numbers of the clips that errors are found on: ``clips`` of both views, then of the bladder.

    Odd numbers show the bladder.
    """
    last = CALIBRATION_FIRST + clips
    more = range(last | 1, last + (BLADDER_CLIPS - 1) * clips, 2)
    return [*range(CALIBRATION_FIRST, last), *more]


def calibrate(folder: Path, name: str, numbers: Sequence[int], done: Callable[[int], None]) -> None:
    """Store the errors of weights in their card, found on clips that no training run draws.

    Parameters
    ----------
    numbers
        Of the clips, as ``calibration_numbers`` gives them.
    done
        Receives how many are done, after each.

    Raises
    ------
    WeightsError
        If a measure has no value in any clip; the card stays as it was.
    """
    results = evaluate_clips(folder, name, numbers, done)
    errors = errors_of(results, load_unjudged(folder, name))
    if missing := missing_errors(errors):
        what = " and ".join(missing) if errors else "any measure"
        raise WeightsError(
            f"The weights {name} gave no value of {what} in {len(numbers)} clips; give more clips, "
            f"or train longer."
        )
    card = read_card(name, folder) | {"errors_px": errors, "calibration": {"clips": len(numbers)}}
    write_text(folder / f"{name}.json", json.dumps(card, indent=2) + "\n")
