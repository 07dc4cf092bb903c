"""What measuring a whole clip of the bladder promises, each on one drawn clip."""

import numpy as np
import pytest
from numpy.typing import NDArray
from standin import (
    COLUMNS,
    ROWS,
    Labels,
    analysed,
    draw_texture,
    effort,
    make_clip,
    moved,
    truth_segmenter,
)

from layermotion.analysis.bladder import PUSH_UNKNOWN, SHAKING
from layermotion.analysis.result import Analysis
from layermotion.labels import Task, View
from layermotion.measures.bladder import NO_TASK, PROBE_MOVED
from layermotion.measures.measure import Measure

Rows = NDArray[np.float64]
ROW_MM, COLUMN_MM = 0.08, 0.11


def round_bladder(
    lift_rows: int, down: int = 0, right: int = 0, rows: tuple[int, int] = (100, 250)
) -> Labels:
    """Fat above a round bladder whose base bulges up; the probe shows all of it elsewhere."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    row, column = np.mgrid[:ROWS, :COLUMNS]
    row, across = row - down, column - right - 120
    labels[(row >= 25) & (row < 60)] = 1
    top, bottom = rows
    base = top + (bottom - top) * np.sqrt(np.clip(1 - (across / 80) ** 2, 0, 1))
    base -= lift_rows * np.exp(-0.5 * (across / 30) ** 2)
    labels[(row >= top) & (row < base) & (abs(across) < 80)] = 5
    return labels


def measured(
    lift_rows: Rows,
    down_rows: Rows | None = None,
    right_columns: Rows | None = None,
    task: Task | None = None,
    rate_hz: float = 10.0,
    rows: tuple[int, int] = (100, 250),
) -> Analysis:
    """Clip of a base that lifts by so many rows, while the whole picture moves beside that."""
    still = np.zeros(lift_rows.size)
    lift, down, right = (
        np.rint(still if part is None else part).astype(int).tolist()
        for part in (lift_rows, down_rows, right_columns)
    )
    segmenter = truth_segmenter(
        lambda k: round_bladder(lift[k], down[k], right[k], rows),
        np.arange(lift_rows.size, dtype=float),
        View.BLADDER,
    )
    pictures = moved(list(zip(down, right, strict=True)))
    return analysed(make_clip(pictures, task=task, rate_hz=rate_hz), segmenter)


def base_of(found: Analysis) -> Rows:
    base = found.series.get("base_displacement", "bladder")
    assert base is not None
    return base.value


def displacement(found: Analysis) -> Measure:
    """Find the one displacement of the base."""
    (measure,) = [m for m in found.measures if m.name == "base_displacement"]
    return measure


@pytest.mark.parametrize("side", [1, -1])
def test_motion_of_the_probe_is_removed_from_the_base(side: int) -> None:
    # The probe pushes the whole picture 1.6 mm while the base lifts by 3.2 mm.
    held = effort(40, 8, 34, ramp=4)
    found = measured(40 * held, side * 20 * held, 6 * held)
    shift = found.series.get("probe_shift", "image")
    assert shift is not None
    expected_mm = np.hypot(20 * ROW_MM, 6 * COLUMN_MM)
    assert shift.value[20] == pytest.approx(expected_mm, abs=0.05)
    np.testing.assert_allclose(base_of(found), 40 * held * ROW_MM, atol=0.25)
    assert displacement(found).value == pytest.approx(40 * ROW_MM, abs=0.25)
    assert PUSH_UNKNOWN not in found.cautions


def test_a_probe_pushed_too_far_is_said_and_nothing_is_measured() -> None:
    # By 104 and by 90 rows of 0.08 mm, where 8 mm are the limit.
    held = effort(54, 8, 46, ramp=12)
    values = []
    for rows in (104, 90):
        found = measured(60 * held, -rows * held, rows=(180, 300))
        values.append(displacement(found))
    far, near = values
    assert (far.value, far.reason) == (None, PROBE_MOVED)
    assert near.value == pytest.approx(60 * ROW_MM, abs=0.5) and not near.reason


def test_a_probe_whose_motion_is_unknown_is_said() -> None:
    # Other speckle in every frame: nothing near the probe can be followed.
    segmenter = truth_segmenter(round_bladder, np.zeros(12), View.BLADDER)
    found = analysed(make_clip([draw_texture(seed=k) for k in range(12)]), segmenter)
    assert PUSH_UNKNOWN in found.cautions


@pytest.mark.parametrize("side", [1, -1])
def test_a_lift_is_positive_and_a_descent_negative(side: int) -> None:
    held = effort(40, 8, 34, ramp=4)
    found = measured(side * 40 * held)
    assert displacement(found).value == pytest.approx(side * 40 * ROW_MM, abs=0.25)
    np.testing.assert_allclose(base_of(found), side * 40 * held * ROW_MM, atol=0.25)


def test_the_rest_before_the_effort_is_the_zero_of_the_base() -> None:
    # The base settles by 0.4 mm after the first 0.8 s.
    lift = 50 * effort(60, 30, 56, ramp=4)
    lift[8:] -= 5
    found = measured(lift)
    rest = next(w for w in found.efforts.windows if w.state == "rest")
    assert rest.first >= 8
    moved_mm = base_of(found)
    assert moved_mm[rest.frames].mean() == pytest.approx(0, abs=1e-9)
    assert moved_mm[:8].mean() == pytest.approx(0.4, abs=0.1)


@pytest.mark.parametrize(("shake_rows", "is_lost"), [(0, False), (12, True)])
def test_a_base_that_shakes_is_withheld(shake_rows: int, is_lost: bool) -> None:
    # Found up to 1 mm to one side or the other from frame to frame, at 20 frames/s.
    shake = np.random.default_rng(2).integers(-1, 2, 40).astype(float)
    found = measured(shake_rows * shake, rate_hz=20.0)
    assert np.isnan(base_of(found)).all() == is_lost
    measure = displacement(found)
    assert (measure.value, measure.reason) == (None, SHAKING if is_lost else NO_TASK)
