"""Scenarios of efforts: each kind shows what its name says, and its clip follows the course."""

import numpy as np
import pytest

from layermotion.labels import Structure, Task, View
from layermotion_synthetic.clips import clip_truth, draw_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.scenarios import (
    BLADDER_ONLY,
    STRENGTH_OF_BREATH,
    WEAK_HEIGHT,
    WITH_DIPS,
    Kind,
    Scenario,
    draw_scenario,
)

SEEDS = range(12)
RATE_HZ = 30.0


def drawn(kind: Kind, seed: int, view: View = View.BLADDER) -> Scenario:
    return draw_scenario(np.random.default_rng([seed, list(Kind).index(kind)]), kind, view, RATE_HZ)


@pytest.mark.parametrize("kind", Kind)
def test_a_course_agrees_with_its_repeats(kind: Kind) -> None:
    for seed in SEEDS:
        scenario = drawn(kind, seed)
        course = scenario.course
        assert course.time_s[0] == 0 and np.allclose(np.diff(course.time_s), 1 / RATE_HZ)
        assert 0 <= course.activation.min() and course.activation.max() <= 1 + 1e-9
        assert np.ptp(course.breath) <= 2 * STRENGTH_OF_BREATH[View.BLADDER]
        outside = np.ones(course.time_s.size, bool)
        for one in course.repeats:
            assert one.onset_s < one.full_s <= one.release_s < one.end_s
            inside = (course.time_s >= one.onset_s) & (course.time_s <= one.end_s)
            outside &= ~inside
            held = (course.time_s >= one.full_s) & (course.time_s <= one.release_s)
            reached = (course.dip if one.is_dip else course.activation)[held]
            assert not reached.size or reached.max() == pytest.approx(one.height, abs=0.15)
            assert not one.is_dip or kind in WITH_DIPS
        assert not course.activation[outside].any() and not course.dip[outside].any()
        assert [one.onset_s for one in course.repeats] == sorted(
            one.onset_s for one in course.repeats
        )


def test_each_kind_shows_what_its_name_says() -> None:
    for seed in SEEDS:
        heights = [one.height for one in drawn(Kind.WEAK_THIRD, seed).course.repeats]
        assert len(heights) == 3 and heights[2] == WEAK_HEIGHT < 0.9 <= min(heights[:2])
        fast, slow = (drawn(kind, seed).course.repeats for kind in (Kind.FAST, Kind.SLOW))
        assert max(one.full_s - one.onset_s for one in fast) <= 0.2
        assert min(one.full_s - one.onset_s for one in slow) >= 1.2
        for kind in (Kind.REST, Kind.NO_EFFORT):
            assert not drawn(kind, seed).course.repeats
        assert drawn(Kind.NO_EFFORT, seed).stated not in (None, Task.REST)
        resting = drawn(Kind.REST_WITH_EFFORT, seed)
        assert resting.stated is Task.REST and resting.course.repeats
        mistaken = drawn(Kind.WRONG_TASK, seed)
        assert mistaken.stated is not mistaken.task
        cut = drawn(Kind.CUT, seed).course
        assert cut.activation[0] > 0.4 or cut.activation[-1] > 0.4
        on_lift = drawn(Kind.DIP_ON_LIFT, seed).course
        assert any((on_lift.dip > 0.2) & (on_lift.activation > 0.9))
        coughs = drawn(Kind.COUGHS, seed).course
        assert not coughs.activation.any() and all(one.is_dip for one in coughs.repeats)
        let_go = drawn(Kind.HALF_RELEASED, seed).course
        first = let_go.repeats[0]
        held = (let_go.time_s >= first.full_s) & (let_go.time_s <= first.release_s)
        assert 0.4 < let_go.activation[held].min() / first.height < 0.85


def test_a_held_breath_stands_still_and_others_do_not() -> None:
    still = []
    for seed in SEEDS:
        course = drawn(Kind.BREATH_HELD, seed, View.ABDOMINAL_WALL).course
        still.append(np.mean(np.abs(np.diff(course.breath)) < 1e-9))
        assert np.ptp(drawn(Kind.BREATHING, seed, View.ABDOMINAL_WALL).course.breath) > 0.01
    assert np.median(still) > 0.3


@pytest.mark.parametrize("kind", BLADDER_ONLY)
def test_what_moves_the_base_is_refused_for_the_wall(kind: Kind) -> None:
    with pytest.raises(ValueError, match="bladder view alone"):
        drawn(kind, 0, View.ABDOMINAL_WALL)


def test_tissue_follows_the_course() -> None:
    scenario = drawn(Kind.UNEQUAL, 3, View.ABDOMINAL_WALL)
    rng = np.random.default_rng(5)
    plan = draw_clip(
        rng, View.ABDOMINAL_WALL, PLAIN, task=scenario.task, frame_rate_hz=RATE_HZ,
        course=scenario.course, probe_factor=0.0,
    )  # fmt: skip
    assert plan.motion.repeats == scenario.course.repeats
    index = plan.scene.stack.index(Structure.EO)
    grown = np.array([pose.ratio[index] - 1 for pose in plan.motion.poses])
    activation = scenario.course.activation
    assert np.allclose(grown, grown[activation.argmax()] / activation.max() * activation)
    tra = np.array([p.ratio[plan.scene.stack.index(Structure.TRA)] for p in plan.motion.poses])
    at_rest = activation == 0
    assert np.allclose(tra[at_rest], 1 + scenario.course.breath[at_rest])


def test_a_dip_lowers_the_base_from_the_lift() -> None:
    scenario = drawn(Kind.DIP_ON_LIFT, 4)
    rng = np.random.default_rng(5)
    plan = draw_clip(
        rng, View.BLADDER, PLAIN, task=scenario.task, frame_rate_hz=RATE_HZ, course=scenario.course
    )
    base = clip_truth(plan).base_displacement_mm
    course = scenario.course
    plateau = (course.activation > 0.95) & (course.dip == 0)
    lowest = course.dip > 0.5 * course.dip.max()
    assert base[lowest].max() < base[plateau].min()
