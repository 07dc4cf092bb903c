"""Settling: what else tells a number of efforts where no signal of a structure is sure of it."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from test_evidence import BLANK, TIME_S, activation, evidence, noise

from layermotion.efforts.count import HIDDEN, LONE, LONGEST_GAP_S, UNCLEAR, Count
from layermotion.efforts.doubt import backed_by, clearest_mix, fullest, with_lone_breath
from layermotion.efforts.excursions import Direction
from layermotion.efforts.signals import Counted, Evidence, first_sure
from layermotion.labels import Structure

Array = NDArray[np.float64]
UNSEEN = Evidence(Structure.TRA, BLANK, 0.07, 0.2, Direction.RISES)
UNSURE = Count(1, UNCLEAR)
# Two efforts, of which the first rises and falls as a breath does.
BREATH_LIKE = np.sin(np.pi * np.clip((TIME_S - 2) / 3, 0, 1)) ** 2
GENTLE = BREATH_LIKE + activation(((8.0, 11.0),))


def outline(value: Array) -> Counted:
    """Shape of all layers, and how many efforts it shows by itself."""
    one = Evidence(None, value, 0.3, float("inf"), Direction.EITHER)
    return first_sure([one], TIME_S, LONGEST_GAP_S, is_asked=True)


@pytest.mark.parametrize("first_gap_s", [(8.9, 10.1), (7.0, 11.5)])
def test_signal_that_shows_as_many_as_all_of_its_muscle_tells_a_doubtful_number(
    first_gap_s: tuple[float, float],
) -> None:
    # One shows the second effort in pieces, or not at all; the other has a gap of its own.
    broken, whole = (3 * (1 + 0.3 * activation()) + noise(0.01, seed) for seed in (1, 2))
    inside = (TIME_S > first_gap_s[0]) & (TIME_S < first_gap_s[1])
    broken[inside] = 3.0
    whole[(TIME_S > 0.3) & (TIME_S < 1.6)] = np.nan
    every = [*evidence({"tra": broken}), *evidence({"tra": whole})]
    doubted = Evidence(Structure.TRA, broken, 0.07, 0.2, Direction.RISES), Count(3, HIDDEN)
    effort, count = fullest(every, TIME_S, doubted)
    assert count == Count(2, HIDDEN) and np.isnan(effort.value).any()
    others = [one for one in every if one.structure is not Structure.TRA]
    assert fullest(others, TIME_S, doubted) == doubted


def test_shape_of_all_layers_counts_where_the_muscle_is_hidden_and_leaves_the_doubt() -> None:
    shape = outline(-4 * activation() + noise(0.1))
    effort, count = backed_by(shape, (UNSEEN, Count(0, HIDDEN)), TIME_S)
    assert count == Count(2, HIDDEN) and effort.structure is None


def test_muscle_and_shape_that_agree_are_sure() -> None:
    muscle = replace(UNSEEN, value=0.3 * activation())
    shape = outline(4 * activation() + noise(0.1))
    assert backed_by(shape, (muscle, Count(2, UNCLEAR)), TIME_S) == (muscle, Count(2))
    # A few frames agree by chance.
    glimpsed = replace(muscle, value=np.where(TIME_S < 4, muscle.value, np.nan))
    effort, count = backed_by(shape, (glimpsed, Count(2, HIDDEN)), TIME_S)
    assert count == Count(2, HIDDEN) and effort.structure is None


def test_muscle_and_shape_that_differ_leave_the_doubt() -> None:
    # The muscle, seen all along, shows one of the two efforts of the shape.
    muscle = replace(UNSEEN, value=0.3 * activation(((8.0, 11.0),)))
    effort, count = backed_by(outline(4 * activation() + noise(0.1)), (muscle, UNSURE), TIME_S)
    assert count == Count(2, UNCLEAR) and effort.structure is None


@pytest.mark.parametrize("value", [BLANK, noise(0.5), 4 * np.sin(2 * np.pi * TIME_S / 3.5)])
def test_shape_that_is_hidden_at_rest_or_breathing_changes_nothing(value: Array) -> None:
    for doubted in ((UNSEEN, Count(0, HIDDEN)), (UNSEEN, Count(2, UNCLEAR))):
        assert backed_by(outline(value), doubted, TIME_S) == doubted


def test_shape_that_is_not_sure_counts_only_where_no_muscle_shows_an_effort() -> None:
    shape, muscle = outline(4 * GENTLE), replace(UNSEEN, value=0.3 * activation(((8.0, 11.0),)))
    assert backed_by(shape, (UNSEEN, Count(0, HIDDEN)), TIME_S)[1] == Count(2, LONE)
    assert backed_by(shape, (muscle, Count(1, HIDDEN)), TIME_S) == (muscle, Count(1, HIDDEN))


def test_lone_excursion_with_the_course_of_a_breath_is_an_effort_only_in_doubt() -> None:
    slide = Evidence(Structure.TRA, 5 * GENTLE, 0.3, float("inf"), Direction.EITHER)
    effort, count = with_lone_breath((slide, Count(1, UNCLEAR)), TIME_S)
    found = effort.excursions(TIME_S)
    assert count == Count(2, LONE) and found is not None and len(found.efforts) == 2
    assert with_lone_breath((slide, Count(1)), TIME_S) == (slide, Count(1))


def test_breaths_that_come_again_are_no_efforts() -> None:
    breaths = np.sin(np.pi * np.clip((TIME_S - 5) / 3, 0, 1)) ** 2 + BREATH_LIKE
    held = activation(((8.5, 12.0),))
    slide = Evidence(Structure.TRA, 5 * (breaths + held), 0.3, float("inf"), Direction.EITHER)
    counted = slide, Count(1, UNCLEAR)
    assert with_lone_breath(counted, TIME_S) == counted


def test_mix_that_leaves_breathing_out_shows_the_efforts() -> None:
    breath, effort = 3 * np.sin(2 * np.pi * TIME_S / 3.7), 2 * activation() + noise(0.1)
    courses = np.array([0.8 * breath + 0.6 * effort, 0.8 * effort - 0.6 * breath])
    assert outline(courses[0])[1].doubt and outline(courses[1])[1].doubt
    one, count = clearest_mix(courses, 0.3, TIME_S, is_alone=False)
    assert count == Count(2)
    assert abs(np.corrcoef(one.value, effort)[0, 1]) > 0.98


def test_mix_in_which_nothing_stands_out_far_enough_changes_nothing() -> None:
    breath = 3 * np.sin(2 * np.pi * TIME_S / 3.7)
    # An effort that is hardly held, among noise.
    weak = np.sin(np.pi * np.clip((TIME_S - 6) / 4, 0, 1)) + noise(0.25)
    for second in (noise(0.2), weak):
        one, count = clearest_mix(np.array([breath, second]), 0.3, TIME_S, is_alone=False)
        assert count.doubt and one.value == pytest.approx(breath)
