"""Movement: slide and times as measures, with intervals, and a reason wherever there is none."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.efforts.course import Course
from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.measures.bladder import (
    BASE_LEFT,
    NO_EFFORT,
    NO_EFFORT_SEEN,
    PROBE_LOST,
    measure_bladder,
)
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import Measure, Status
from layermotion.measures.slide import SLIDE_ERROR_MM, UNSEEN_SLIDE, measure_slide
from layermotion.measures.timing import (
    ACROSS_GAP,
    BEGAN_BEFORE,
    ENDS_AFTER,
    NOT_HELD,
    Gap,
    measure_timing,
)
from layermotion.normal import Z95
from layermotion.series.series import Quantity, Series

Array = NDArray[np.float64]

FRAMES = 80
EFFORTS = (
    Window("rest", 0, 19, 1),
    Window("contracted", 25, 39, 1),
    Window("rest", 45, 54, 2),
    Window("contracted", 60, 74, 2),
)
COURSES = (
    Course(1, 1.0, 1.25, 2.0, 2.3, 0.03, 0.04),
    Course(2, 2.8, 3.0, float("nan"), float("nan"), 0.03, float("nan")),
)
NAN = float("nan")


def series_of(name: str, structure: str, value: Array, probe: Array | None = None) -> Series:
    seen = np.where(np.isnan(value), 0.0, 0.8)
    quantities = [Quantity(name, structure, "mm", value, seen)]
    if probe is not None:
        known = np.where(np.isnan(probe), 0.0, 0.9)
        quantities.append(Quantity("probe_shift", "image", "mm", probe, known))
    return Series("c0ffee12", np.arange(FRAMES) / 20, tuple(quantities))


def slide(first_mm: float, second_mm: float) -> Array:
    """Slide that has drifted by 1 mm when the second effort begins."""
    value = np.zeros(FRAMES)
    value[22:43], value[43:57], value[57:] = first_mm, 1.0, 1.0 + second_mm
    return value


def by_repeat(measures: tuple[Measure, ...], name: str) -> dict[str, Measure]:
    return {measure.repeat: measure for measure in measures if measure.name == name}


@pytest.mark.parametrize("sign", [1, -1])
def test_slide_is_relative_to_the_rest_of_its_own_effort(sign: int) -> None:
    series = series_of("slide", "tra", sign * slide(12.0, 14.0))
    found = by_repeat(measure_slide(series, EFFORTS, "draw_in", "How."), "slide")
    assert found["1"].value == pytest.approx(sign * 12.0)
    assert found["2"].value == pytest.approx(sign * 14.0)
    assert found["mean"].value == pytest.approx(sign * 13.0)
    assert found["1"].high is not None and found["1"].value is not None
    assert found["1"].high - found["1"].value == pytest.approx(Z95 * SLIDE_ERROR_MM)
    assert {m.structure for m in found.values()} == {"tra"} and found["1"].unit == "mm"


def test_slide_whose_texture_is_lost_needs_a_person() -> None:
    value = slide(12.0, 14.0)
    value[30:43] = np.nan
    found = by_repeat(measure_slide(series_of("slide", "tra", value), EFFORTS, "", ""), "slide")
    assert (found["1"].value, found["1"].reason) == (None, UNSEEN_SLIDE)
    assert found["1"].status is Status.NEEDS_MANUAL
    assert found["2"].value == pytest.approx(14.0)
    assert "mean" not in found
    # No slide is made up where there was no effort, or no slide.
    assert measure_slide(series_of("slide", "tra", value), EFFORTS[:1], "", "") == ()
    assert measure_slide(series_of("thickness", "tra", value), EFFORTS, "", "") == ()


def test_times_are_differences_of_the_course() -> None:
    measures = measure_timing(COURSES, EFFORTS, Structure.TRA, "draw_in", "How.")
    for name, first, second in (
        ("onset_time", 1.0, 2.8),
        ("rise_time", 0.25, 0.2),
        ("hold_time", 0.75, None),
        ("return_time", 0.3, None),
    ):
        found = by_repeat(measures, name)
        assert found["1"].value == pytest.approx(first)
        if second is None:
            assert (found["2"].value, found["2"].reason) == (None, ENDS_AFTER)
        else:
            assert found["2"].value == pytest.approx(second)
        assert "mean" not in found
        assert found["1"].unit == "s" and found["1"].frames == "25-39"
    onset = by_repeat(measures, "onset_time")["1"]
    assert onset.high is not None and onset.value is not None
    assert onset.high - onset.value == pytest.approx(Z95 * 0.03)
    hold = by_repeat(measures, "hold_time")["1"]
    assert hold.high is not None and hold.value is not None
    assert hold.high - hold.value == pytest.approx(Z95 * 0.05)  # 3, 4, 5


def test_three_times_have_a_mean_and_two_have_none() -> None:
    # Two would have an interval from 0 to many seconds.
    courses = (*COURSES, replace(COURSES[1], repeat=3))
    third = replace(EFFORTS[-1], repeat=3)
    measures = measure_timing(courses, (*EFFORTS, third), Structure.TRA, "draw_in", "How.")
    rise = by_repeat(measures, "rise_time")
    assert rise["mean"].value == pytest.approx((0.25 + 0.2 + 0.2) / 3)
    assert rise["mean"].low is not None and rise["mean"].low > 0
    assert "mean" not in by_repeat(measures, "onset_time")


def test_effort_that_began_before_the_clip_has_only_its_return() -> None:
    course = Course(1, NAN, NAN, 2.0, 2.4, NAN, 0.04)
    measures = measure_timing((course,), EFFORTS, Structure.BLADDER, "cough", "How.")
    given = {m.name: (m.value, m.reason) for m in measures}
    for name in ("onset_time", "rise_time", "hold_time"):
        assert given[name] == (None, BEGAN_BEFORE)
    assert given["return_time"] == (pytest.approx(0.4), "")


def test_peak_that_is_not_held_is_held_for_no_time() -> None:
    course = Course(1, 1.0, 1.3, 1.28, 1.6, 0.03, 0.03)
    measures = measure_timing((course,), EFFORTS, Structure.BLADDER, "cough", "How.")
    hold = by_repeat(measures, "hold_time")["1"]
    assert (hold.value, hold.low) == (0.0, 0.0)
    assert hold.high is not None and hold.high == pytest.approx(Z95 * 0.03 * 2**0.5)


def test_a_return_that_begins_well_before_the_rise_ends_gives_no_hold() -> None:
    course = Course(1, 1.0, 1.3, 1.1, 1.6, 0.03, 0.03)
    measures = measure_timing((course,), EFFORTS, Structure.BLADDER, "cough", "How.")
    hold = by_repeat(measures, "hold_time")["1"]
    assert (hold.value, hold.reason) == (None, NOT_HELD)
    # What is known for certain beside it stays.
    assert by_repeat(measures, "onset_time")["1"].value == pytest.approx(1.0)


def test_no_interval_of_a_time_reaches_below_zero() -> None:
    course = Course(1, 0.05, 0.1, 0.12, 0.2, 0.1, 0.1)
    for measure in measure_timing((course,), EFFORTS, Structure.TRA, "cough", "How."):
        assert measure.low == 0.0 and measure.value is not None and measure.value > 0


@pytest.mark.parametrize(
    ("gap", "across"),
    [
        (Gap(0.2, 0.9), {"onset_time"}),
        (Gap(0.2, 1.1), {"onset_time", "rise_time"}),
        (Gap(1.4, 1.9), {"hold_time"}),
        (Gap(1.9, 2.2), {"hold_time", "return_time"}),
        (Gap(2.4, 4.0), set()),
    ],
)
def test_a_time_across_missing_pictures_has_no_value(gap: Gap, across: set[str]) -> None:
    measures = measure_timing(COURSES[:1], EFFORTS, Structure.TRA, "draw_in", "How.", (gap,))
    assert {m.name for m in measures if m.value is None} == across
    assert {m.reason for m in measures if m.value is None} <= {ACROSS_GAP}


ERROR = Uncertainty(thickness={}, change={}, base=0.3)


@pytest.mark.parametrize(("hidden", "reason"), [(5, NO_EFFORT), (30, NO_EFFORT_SEEN)])
def test_effort_may_be_where_the_base_is_hidden(hidden: int, reason: str) -> None:
    value = np.zeros(FRAMES)
    value[40 : 40 + hidden] = np.nan
    series = series_of("base_displacement", "bladder", value, np.zeros(FRAMES))
    (measure,) = measure_bladder(series, (Window("rest", 0, 39, 1),), "strain", ERROR, "How.")
    assert (measure.value, measure.reason) == (None, reason)


def test_displacement_with_an_unknown_probe_needs_a_person() -> None:
    value = np.where(np.arange(FRAMES) < 22, 0.0, 6.0)
    probe = np.where(np.arange(FRAMES) < 22, 0.0, np.nan)
    for shift, is_given in ((probe, False), (np.zeros(FRAMES), True), (None, True)):
        series = series_of("base_displacement", "bladder", value, shift)
        (measure,) = measure_bladder(series, EFFORTS[:2], "strain", ERROR, "How.")
        assert (measure.value is not None) == is_given
        assert measure.reason == ("" if is_given else PROBE_LOST)


@pytest.mark.parametrize(("hidden", "is_given"), [(slice(22, 24), True), (slice(30, 38), False)])
def test_effort_whose_height_may_be_hidden_is_withheld(hidden: slice, is_given: bool) -> None:
    value = np.zeros(FRAMES)
    value[21:43] = -8.0
    value[hidden] = NAN
    # The window found holds only what was seen: the way down and up again.
    windows = (Window("rest", 0, 19, 1), Window("contracted", 25, 29, 1))
    series = series_of("base_displacement", "bladder", value)
    (measure,) = measure_bladder(series, windows, "strain", ERROR, "How.")
    assert (measure.value is not None) == is_given
    assert measure.reason == ("" if is_given else BASE_LEFT)
