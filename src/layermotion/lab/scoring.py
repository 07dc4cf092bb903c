"""Owns scoring weights on the held-out frames of a build, and on the synthetic benchmark."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import cast

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.edges.frame import edges_in
from layermotion.geometry import COLUMN_RATIO, ImageArea
from layermotion.lab.builds import Build, Split
from layermotion.lab.metrics import score_mask
from layermotion.lab.site_error import labelled_edges, site_errors_mm
from layermotion.lab.widening import widen
from layermotion.labels import STRUCTURES, Structure, View, label_of
from layermotion.models.judging import Score, judge
from layermotion.models.registry import Judged, Registry
from layermotion.network.grid import ModelGrid
from layermotion.network.look import look_at
from layermotion.network.picture import full_size_label
from layermotion.network.segmenter import WEIGHTS_FOLDER, Segmenter
from layermotion.series.series import Scale
from layermotion_synthetic.dataset import Example, draw_example

# First word of the seeds of the synthetic benchmark; no training seed starts with it.
BENCHMARK_STREAM = 20_261_126
# Part of a picture from which on a structure that is not there counts as a false alarm (our
# choice: smaller specks are dropped by the measuring side).
FALSE_ALARM_PART = 0.002
SYNTHETIC = "synthetic"


def judge_weights(
    registry: Registry, build: Build, before: str, after: str, scenes: int
) -> tuple[Judged, str]:
    """Score two weights on the same frames, keep the comparison, and widen intervals by it.

    Parameters
    ----------
    before, after
        Names of the weights in use and of those that would replace them.
    scenes
        Size of the synthetic benchmark.

    Returns
    -------
    tuple
        The comparison, and what the intervals of local weights rest on now.
    """
    old, new = (registry.load(name, threads=0) for name in (before, after))
    local = [score_build(build, each) for each in (old, new)]
    judgement = judge(
        *((local[place], score_synthetic(each, scenes)) for place, each in enumerate((old, new)))
    )
    judged = Judged(
        old.sha256, new.sha256, build.name, build.fingerprint, scenes,
        date.today().isoformat(), judgement,
    )  # fmt: skip
    registry.store(judged)
    place = registry.place(after)
    return judged, widen(place, after, build.name, local[1]) if place != WEIGHTS_FOLDER else ""


def score_build(build: Build, segmenter: Segmenter) -> tuple[Score, ...]:
    """Score every held-out frame, at the frame's own resolution."""
    scores: list[Score] = []
    for frame in build.of(Split.HELD_OUT):
        image, label = build.image(frame), build.label(frame)
        area = ImageArea(0, 0, *image.shape)
        grid = ModelGrid.for_area(area, frame.spacing, segmenter.size_px)
        look = look_at(Frame(0, 0.0, image), segmenter, grid)
        found = full_size_label(look.probabilities[(slice(None), *grid.slices)], area)
        size_mm = (frame.row_mm, frame.column_mm)
        errors = site_errors_mm(
            # Frames with a label have a view.
            edges_in(look, grid, cast(View, frame.view), least=0.0),
            labelled_edges(label),
            Scale.of(frame.spacing, area.width),
        )
        for score in _score(frame.key, frame.subject, frame.scanner, found, label, size_mm):
            error_mm, is_withheld = errors.get(Structure(score.structure), (math.nan, None))
            withheld = math.nan if is_withheld is None else 100.0 * is_withheld
            error_px = error_mm / grid.row_size
            scores.append(
                replace(score, site_mm=error_mm, withheld_percent=withheld, site_px=error_px)
            )
    return tuple(scores)


def score_synthetic(segmenter: Segmenter, count: int) -> tuple[Score, ...]:
    """Score the synthetic benchmark: scenes that no training run draws, each a subject."""
    scores: list[Score] = []
    for number, example in enumerate(draw_scenes(BENCHMARK_STREAM, count, segmenter.size_px)):
        found = np.asarray(segmenter.run(example.image[None])[0][0].argmax(axis=0), np.uint8)
        size_mm = (example.mm_per_pixel, COLUMN_RATIO * example.mm_per_pixel)
        name = f"scene-{number}"
        scores += _score(name, name, SYNTHETIC, found, example.label, size_mm)
    return tuple(scores)


def draw_scenes(stream: int, count: int, size_px: int) -> Iterator[Example]:
    """Draw the scenes of a stream, the first word of their seeds."""
    for number in range(count):
        rng = np.random.default_rng(np.random.SeedSequence([stream, number]))
        yield draw_example(rng, size_px)


def _score(
    key: str,
    subject: str,
    scanner: str,
    found: NDArray[np.uint8],
    label: NDArray[np.uint8],
    size_mm: tuple[float, float],
) -> list[Score]:
    scores = []
    for structure in STRUCTURES:
        mine, truth = found == label_of(structure), label == label_of(structure)
        if truth.any():
            score = score_mask(mine, truth, row_mm=size_mm[0], column_mm=size_mm[1])
            values = (
                score.dice, score.hausdorff_95_mm, score.surface_distance_mm,
                0.0 if mine.any() else 100.0, math.nan,
            )  # fmt: skip
        else:
            alarm = 100.0 if mine.mean() > FALSE_ALARM_PART else 0.0
            values = (math.nan, math.nan, math.nan, math.nan, alarm)
        scores.append(Score(key, subject, scanner, str(structure), *values))
    return scores
