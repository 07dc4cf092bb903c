"""What was stated beside what was done: efforts at rest, lifts that should descend, lifts held."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_efforts import decoded_of
from standin import analysed, draw_texture, effort, make_clip, truth_segmenter, wall_labels
from test_assembly_bladder import ROW_MM, displacement, measured

from layermotion.analysis.result import Analysis
from layermotion.efforts import efforts
from layermotion.efforts.count import Count
from layermotion.efforts.efforts import Efforts
from layermotion.efforts.windows import Window
from layermotion.labels import Structure, Task, View

COUNT = 60
REST_ROWS = 45


def wall(grown_rows: float) -> Analysis:
    """Clip stated to be of rest, whose TrA grows for most of the time."""
    rows = REST_ROWS + grown_rows * effort(COUNT, 12, 48, ramp=4)
    segmenter = truth_segmenter(wall_labels, rows, View.ABDOMINAL_WALL)
    return analysed(make_clip([draw_texture()] * COUNT, task=Task.REST), segmenter)


def test_a_clip_that_may_be_read_upside_down_is_said_to_be() -> None:
    windows = (Window("contracted", 0, 24, 1), Window("rest", 30, 44, 1))
    found = Efforts(Structure.TRA, Count(1, 0.8), windows, (), ())
    count, words = found.cautions
    assert words.startswith("The clip seems to begin in an effort, so rest and effort may be tak")
    assert replace(found, count=Count(1, 0.99)).cautions == ()
    later = (replace(windows[0], first=3), windows[1])
    assert replace(found, windows=later).cautions == (count,)


def test_an_effort_in_a_recording_of_rest_is_said_and_left_out() -> None:
    found = wall(25)
    (rest,) = [m for m in found.measures if (m.name, m.structure) == ("thickness_rest", "tra")]
    assert rest.value == pytest.approx(REST_ROWS * ROW_MM, abs=0.05)
    assert found.efforts.count.number == 0 and not found.efforts.courses
    assert [window.state for window in found.efforts.windows] == ["rest"]
    (words,) = [words for words in found.cautions if "recording of rest" in words]
    assert words.startswith("This was stated to be a recording of rest, but 1 effort was seen")
    assert not [m for m in found.measures if m.name in ("thickness_change", "onset_time")]


def test_rest_without_an_effort_is_measured_over_the_whole_clip() -> None:
    found = wall(0)
    (window,) = found.efforts.windows
    assert (window.state, window.first, window.last) == ("rest", 0, COUNT - 1)
    assert not [words for words in found.cautions if "recording of rest" in words]


def test_deep_breaths_at_rest_are_no_efforts() -> None:
    # They thicken the TrA by 31 %: more than a breath does as a rule, but with its course.
    rows = REST_ROWS + 7 * (1 - np.cos(2 * np.pi * np.arange(COUNT) / 40))
    segmenter = truth_segmenter(wall_labels, rows, View.ABDOMINAL_WALL)
    found = analysed(make_clip([draw_texture()] * COUNT, task=Task.REST), segmenter)
    assert not [words for words in found.cautions if "recording of rest" in words]
    asked = analysed(make_clip([draw_texture()] * COUNT, task=Task.DRAW_IN), segmenter)
    assert asked.efforts.is_missed, "breathing is no effort even where one was asked for"
    assert any("asked for and none was seen" in words for words in asked.cautions)


def test_lifts_in_a_recording_of_rest_are_counted() -> None:
    lift = 40 * (effort(90, 15, 35, ramp=3) + effort(90, 55, 75, ramp=3))
    found = measured(lift, task=Task.REST)
    (words,) = [words for words in found.cautions if "recording of rest" in words]
    assert "2 efforts were seen in it; rest was measured outside of them" in words
    (window,) = found.efforts.windows
    assert not lift[window.first : window.last + 1].any()
    assert window.first >= 35, "the rest between the lifts is the longer one"
    assert displacement(found).value is None


@pytest.mark.parametrize(("rows", "is_said"), [(40, True), (-40, False)])
@pytest.mark.parametrize("task", [Task.STRAIN, Task.PELVIC_FLOOR_LIFT])
def test_a_lift_where_a_descent_was_asked_for_is_said(rows: int, is_said: bool, task: Task) -> None:
    found = measured(rows * effort(50, 15, 35, ramp=3), task=task)
    said = [words for words in found.cautions if "as a rule" in words]
    assert bool(said) == (is_said and task is Task.STRAIN)
    if said:
        assert "was lifted in 1 of 1 efforts of what was stated to be a strain" in said[0]
    assert (displacement(found).value or 0) == pytest.approx(rows * ROW_MM, abs=0.3)


def lift_parts(found: Analysis) -> dict[tuple[str, str], float | None]:
    return {
        (m.name, m.repeat): m.value
        for m in found.measures
        if m.name.startswith("lift_") or m.name == "base_displacement"
    }


def test_a_curl_up_upon_a_lift_has_its_parts() -> None:
    # A lift of 4.5 mm sags while it is held; the descent ends 3.7 mm below rest.
    sag = 1 - 0.3 * np.clip((np.arange(100) - 21) / 25, 0, 1)
    lift = 56 * effort(100, 15, 85) * sag - 86 * effort(100, 50, 64, ramp=5)
    found = measured(lift, task=Task.CURL_UP_PRELIFT)
    parts = lift_parts(found)
    assert parts["base_displacement", "1"] == pytest.approx(lift.min() * ROW_MM, abs=0.3)
    assert parts["lift_before", "1"] == pytest.approx(lift[35:50].mean() * ROW_MM, abs=0.3)
    assert parts["lift_after", "1"] == pytest.approx(lift[65:79].mean() * ROW_MM, abs=0.3)
    before = parts["lift_before", "1"]
    assert before is not None
    assert parts["lift_drop", "1"] == pytest.approx(before - lift.min() * ROW_MM, abs=0.4)


def test_a_lift_beforehand_that_pushes_down_is_said() -> None:
    lift = -30 * effort(100, 15, 85) - 60 * effort(100, 50, 64, ramp=5)
    found = measured(lift, task=Task.CURL_UP_PRELIFT)
    (words,) = [words for words in found.cautions if "was lowered where a lift" in words]
    assert words.startswith("Before 1 of 1 efforts the bladder base was lowered")
    raised = measured(-lift, task=Task.CURL_UP_PRELIFT)
    assert not [words for words in raised.cautions if "was lowered where" in words]


@pytest.mark.parametrize("before", [0, 2, 40])
def test_a_lift_that_was_asked_for_and_is_not_seen_is_said(before: int) -> None:
    # In rows: no lift, one too low to be seen, one that is seen; then 40 below rest.
    descent = before * effort(140, 15, 125) - (40 + before) * effort(140, 55, 90, ramp=8)
    found = measured(descent, task=Task.CURL_UP_PRELIFT)
    said = [words for words in found.cautions if words.startswith("No lift")]
    assert bool(said) == (before < 40)
    if said:
        assert "before 1 of 1 efforts of what was stated to be a curl-up with a lift" in said[0]
    nothing = measured(0 * descent, task=Task.CURL_UP_PRELIFT)
    assert not [words for words in nothing.cautions if words.startswith("No lift")]
    plain = measured(descent, task=Task.CURL_UP)
    assert not [words for words in plain.cautions if words.startswith("No lift")]


def test_each_cough_upon_a_lift_is_measured_by_itself() -> None:
    # At 25 Hz: a lift of 4 mm with coughs to 4 and to 2 mm below rest, 0.8 s apart.
    rise = 50 * effort(200, 40, 150, ramp=10)
    coughs = (
        np.interp(np.arange(200), [75, 77, 79, 87], [0, -100, -100, 0])
        + np.interp(np.arange(200), [107, 109, 111, 119], [0, -75, -75, 0])
    )  # fmt: skip
    found = measured(rise + coughs, task=Task.COUGH_PRELIFT, rate_hz=25.0)
    parts = lift_parts(found)
    for repeat, low in (("1", -50), ("2", -25)):
        assert parts["base_displacement", repeat] == pytest.approx(low * ROW_MM, abs=0.5)
        assert parts["lift_before", repeat] == pytest.approx(50 * ROW_MM, abs=0.3)
        assert parts["lift_after", repeat] == pytest.approx(50 * ROW_MM, abs=0.3)
    assert found.efforts.count.number == 3, "the lift counts as well"


def test_a_lift_before_a_strain_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    # Upon a lift by 4.8 mm follows a descent to 2.4 mm below rest.
    lift = 60 * effort(80, 12, 68, ramp=4) - 90 * effort(80, 45, 64, ramp=4)
    course = decoded_of(np.arange(80) / 10, [(1.2, 1.6, 6.8, 7.2)], [(4.5, 4.9, 6.4, 6.8)])
    monkeypatch.setattr(efforts, "course_of", lambda *_: course)
    found = measured(lift, task=Task.STRAIN)
    parts = lift_parts(found)
    assert parts["base_displacement", "1"] == pytest.approx(-2.4, abs=0.3)
    assert parts["lift_before", "1"] == pytest.approx(4.8, abs=0.3)
    said = [words for words in found.cautions if "lifted before it descended" in words]
    assert len(said) == 1 and "in 1 of 1 efforts of what was stated to be a strain" in said[0]
