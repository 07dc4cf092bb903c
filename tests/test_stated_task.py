"""What was stated beside what was done: efforts at rest, lifts that should descend, lifts held."""

import numpy as np
import pytest
from standin import analysed, draw_texture, effort, make_clip, truth_segmenter, wall_labels
from test_assembly_bladder import ROW_MM, displacement, measured

from layermotion.analysis.result import Analysis
from layermotion.labels import Task, View

COUNT = 60
REST_ROWS = 45


def wall(grown_rows: float) -> Analysis:
    """Clip stated to be of rest, whose TrA grows for most of the time."""
    rows = REST_ROWS + grown_rows * effort(COUNT, 12, 48, ramp=4)
    segmenter = truth_segmenter(wall_labels, rows, View.ABDOMINAL_WALL)
    return analysed(make_clip([draw_texture()] * COUNT, task=Task.REST), segmenter)


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
    assert asked.efforts.count.number > 0, "asked for, the same counts"


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


@pytest.mark.parametrize("task", [Task.CURL_UP_PRELIFT, Task.COUGH_PRELIFT])
def test_a_lift_held_beforehand_is_not_taken_for_rest(task: Task) -> None:
    # A lift of 4.5 mm sags while it is held; the descent ends 3.7 mm below rest.
    sag = 1 - 0.3 * np.clip((np.arange(100) - 21) / 25, 0, 1)
    lift = 56 * effort(100, 15, 85) * sag - 86 * effort(100, 50, 64, ramp=5)
    found = measured(lift, task=task)
    assert displacement(found).value == pytest.approx(lift.min() * ROW_MM, abs=0.3)
