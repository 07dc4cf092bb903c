"""Course of the edges of all layers, with gaps, a push of the probe, and too little seen."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import STRUCTURES, WALL_LAYERS, label_of
from layermotion.series.shape import FEWEST_PLACES, MOSTLY_SEEN, outline_courses
from layermotion.series.whole_muscle import EVERY_COLUMN

Array = NDArray[np.float64]
FRAMES, COLUMNS = 90, 120
COLUMN = np.arange(COLUMNS, dtype=float)
COURSE = np.interp(np.arange(FRAMES), [0, 20, 30, 55, 70, 89], [0, 0, 1, 1, 0, 0])
# The layers below sink to the left and rise to the right as one of them contracts.
BEND = np.linspace(-6, 4, COLUMNS)
NOISE_PX = 0.4


def frames(
    course: Array, push: Array | None = None, seen: NDArray[np.bool_] | None = None
) -> list[Boundaries]:
    """Edges of four layers; ``push`` moves all of a frame, ``seen`` has (F, 4, C)."""
    is_seen = np.ones((FRAMES, 4, COLUMNS), bool) if seen is None else seen
    shift = np.zeros(FRAMES) if push is None else push
    shape = (len(STRUCTURES), COLUMNS)
    rng = np.random.default_rng(5)
    result = []
    for factor, down, shown in zip(course, shift, is_seen, strict=True):
        top, deep = np.full((2, *shape), np.nan, np.float32)
        confidence = np.zeros(shape, np.float32)
        for depth, layer in enumerate(WALL_LAYERS):
            k, here = label_of(layer) - 1, shown[depth]
            bend = factor * BEND * (depth > 0) + rng.normal(0, NOISE_PX, COLUMNS)
            top[k, here] = (20 + 25 * depth + down + bend)[here]
            deep[k, here] = (40 + 25 * depth + down + bend)[here]
            confidence[k, here] = 0.9
        result.append(Boundaries(COLUMN.astype(np.float32), top, deep, confidence))
    return result


def courses(*scene: Any) -> Array:
    return outline_courses(frames(*scene), WALL_LAYERS)


def like_course(value: Array) -> float:
    """Correlation with the true course, which may be upside down."""
    known = ~np.isnan(value)
    return abs(float(np.corrcoef(value[known], COURSE[known])[0, 1]))


def test_shape_tells_the_course_whatever_hides_a_layer_for_a_while() -> None:
    seen = np.ones((FRAMES, 4, COLUMNS), bool)
    seen[:, 3] = False
    seen[35:50, 2, :70] = False
    push = 3 * np.sin(np.arange(FRAMES) / 5)
    value, _ = courses(COURSE, push, seen)
    assert like_course(value) > 0.99
    # Root mean square of what the places move, those of the fat included.
    assert np.ptp(value) == pytest.approx(np.sqrt((BEND**2).mean() * 2 / 3), rel=0.3)


def test_a_push_of_the_probe_is_no_change_of_shape() -> None:
    still, _ = courses(np.zeros(FRAMES), 5 * COURSE)
    assert np.abs(still).max() < NOISE_PX


def test_what_shows_too_little_has_no_value() -> None:
    seen = np.ones((FRAMES, 4, COLUMNS), bool)
    seen[10:20, :, int(0.9 * MOSTLY_SEEN * COLUMNS) :] = False
    value, _ = courses(COURSE, None, seen)
    assert np.flatnonzero(np.isnan(value)).tolist() == list(range(10, 20))
    assert like_course(value) > 0.99
    # Each column that is looked at shows two edges of a layer.
    few = np.zeros((FRAMES, 4, COLUMNS), bool)
    few[:, 0, : EVERY_COLUMN * (FEWEST_PLACES // 2 - 1)] = True
    assert np.isnan(courses(COURSE, None, few)).all()
    assert np.isnan(courses(COURSE, None, few & False)).all()


def test_a_few_places_that_jump_do_not_tell_alone() -> None:
    # In a tenth of the columns the lowest edge is another border in every second frame.
    jumping = frames(COURSE)
    for i, edges in enumerate(jumping[::2]):
        deep = edges.deep_px.copy()
        deep[label_of(WALL_LAYERS[-1]) - 1, :12] += 80
        jumping[2 * i] = replace(edges, deep_px=deep)
    assert like_course(outline_courses(jumping, WALL_LAYERS)[0]) > 0.98
