"""Thickness of a muscle over all that is seen of it, with shadows that come and go."""

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import STRUCTURES, Structure, label_of
from layermotion.series.whole_muscle import FEWEST_MUSCLE_COLUMNS, whole_thickness

Array = NDArray[np.float64]
FRAMES, COLUMNS = 60, 160
COLUMN = np.arange(COLUMNS, dtype=float)
# Rest, half as thick again, rest.
COURSE = 1 + 0.5 * np.interp(np.arange(FRAMES), [0, 15, 25, 40, 50, 59], [0, 0, 1, 1, 0, 0])
# Thin towards one end, as the TrA is.
PROFILE = np.interp(COLUMN, [0, 40, 160], [8.0, 20.0, 24.0])


def frames(course: Array, is_seen: NDArray[np.bool_]) -> list[Boundaries]:
    """Edges of a TrA that is ``course`` times as thick as its profile; ``is_seen`` has (F, C)."""
    k = label_of(Structure.TRA) - 1
    result = []
    for factor, seen in zip(course, is_seen, strict=True):
        top, deep = np.full((2, len(STRUCTURES), COLUMNS), np.nan, np.float32)
        confidence = np.zeros((len(STRUCTURES), COLUMNS), np.float32)
        top[k, seen] = 100
        deep[k, seen] = 100 + factor * PROFILE[seen]
        confidence[k, seen] = 0.9
        result.append(Boundaries(COLUMN.astype(np.float32), top, deep, confidence))
    return result


def tra_ratio(course: Array, is_seen: NDArray[np.bool_]) -> Array:
    quantity = whole_thickness(frames(course, is_seen), Structure.TRA)
    assert (quantity.structure, quantity.unit) == ("tra", "ratio")
    return quantity.value


def test_a_shadow_that_wanders_leaves_the_course() -> None:
    # It hides a third of the picture, the middle in most frames, never the same columns.
    left = np.linspace(20, 90, FRAMES)[:, None]
    is_seen = (COLUMN < left) | (COLUMN > left + 54)
    expected = COURSE / np.median(COURSE)
    assert tra_ratio(COURSE, is_seen) == pytest.approx(expected, rel=0.01)
    # The plain mean over what is seen would follow the shadow instead.
    mean = np.array([PROFILE[seen].mean() for seen in is_seen])
    assert np.ptp(mean) / mean.mean() > 0.05


def test_frames_that_show_too_little_have_no_value() -> None:
    is_seen = np.ones((FRAMES, COLUMNS), bool)
    is_seen[10:20, 4 * (FEWEST_MUSCLE_COLUMNS - 1) :] = False
    ratio = tra_ratio(COURSE, is_seen)
    assert np.flatnonzero(np.isnan(ratio)).tolist() == list(range(10, 20))
    assert np.isnan(tra_ratio(COURSE, np.zeros((FRAMES, COLUMNS), bool))).all()


def test_what_no_muscle_does_has_no_value() -> None:
    course = COURSE.copy()
    course[30:34] = 4.0
    ratio = tra_ratio(course, np.ones((FRAMES, COLUMNS), bool))
    assert np.flatnonzero(np.isnan(ratio)).tolist() == [30, 31, 32, 33]
