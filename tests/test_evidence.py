"""Evidence: which signal shows the efforts, how many there are, and whether that is sure."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.efforts.count import (
    BREATHS,
    DISAGREE,
    HIDDEN,
    LEAST_CLEAR,
    LONGEST_GAP_COUGH_S,
    LONGEST_GAP_S,
    NONE_FOUND,
    UNCLEAR,
    Count,
    count_efforts,
    longest_unseen_s,
)
from layermotion.efforts.excursions import Direction, find_excursions
from layermotion.efforts.signals import (
    Evidence,
    better_seen,
    clearest,
    evidence_of,
    first_sure,
    without_jumps,
    without_slow,
)
from layermotion.labels import MUSCLES, Structure
from layermotion.series.series import Quantity

Array = NDArray[np.float64]
RATE_HZ = 20.0
TIME_S = np.arange(round(14 * RATE_HZ)) / RATE_HZ
EFFORTS_S = ((2.0, 5.0), (8.0, 11.0))
# A breath of 4 s, thickening by 12 % as it goes out.
BREATH = 0.06 * np.sin(2 * np.pi * TIME_S / 4)
BLANK = np.full(TIME_S.size, np.nan)


def activation(efforts_s: tuple[tuple[float, float], ...] = EFFORTS_S) -> Array:
    course = np.zeros_like(TIME_S)
    for begin, end in efforts_s:
        ramp = np.interp(TIME_S, [begin, begin + 0.5, end - 0.5, end], [0, 1, 1, 0])
        course = np.maximum(course, ramp)
    return course


def noise(spread: float, seed: int = 0) -> Array:
    return np.random.default_rng(seed).normal(0, spread, TIME_S.size)


def quantity(name: str, structure: str, value: Array) -> Quantity:
    return Quantity(name, structure, "mm", value, np.where(np.isnan(value), 0, 0.9))


def evidence(thickness: dict[str, Array], slides: dict[str, Array] | None = None) -> list[Evidence]:
    """Evidence from some muscles, the others unseen."""
    fixed = [quantity("thickness", muscle, thickness.get(muscle, BLANK)) for muscle in MUSCLES]
    moving = [quantity("slide", muscle, value) for muscle, value in (slides or {}).items()]
    return evidence_of(fixed, moving)


def chosen(found: list[Evidence]) -> tuple[str, bool, Count]:
    one, count = clearest(found, TIME_S, is_asked=True)
    return str(one.structure), one.is_thickness, count


def count_in(found: list[Evidence], *, is_asked: bool = True) -> Count:
    return clearest(found, TIME_S, is_asked=is_asked)[1]


def test_slide_tells_where_thickness_is_noisy() -> None:
    tra = 3 * (1 + 0.2 * activation() + noise(0.1))
    found = evidence({"tra": tra, "io": 6 * (1 + BREATH)}, {"tra": 8 * activation() + noise(0.05)})
    assert chosen(found) == ("tra", False, Count(2))


def test_breaths_that_a_slide_shows_are_no_efforts_of_a_noisy_thickness() -> None:
    # Of a thin layer the change is overestimated, beyond the largest breath.
    tra = 2.5 * (1 + 2 * BREATH + noise(0.05))
    assert count_in(evidence({"tra": tra})).number > 0
    found = evidence({"tra": tra, "io": 6 * (1 + BREATH)}, {"tra": 20 * BREATH + noise(0.02)})
    assert count_in(found).number == 0


def test_slide_in_which_no_muscle_thickens_is_an_effort_only_where_one_was_asked_for() -> None:
    still = evidence({"tra": 3 + noise(0.02)}, {"eo": 3 * activation()})
    assert count_in(still, is_asked=False) == Count(0)
    # The muscle that thickens may have slid out of the site.
    assert count_in(still) == Count(2)
    thickens = {"tra": 3 * (1 + 0.3 * activation()) + noise(0.02)}
    assert count_in(evidence(thickens, {"eo": 3 * activation()}), is_asked=False) == Count(2)


def test_muscle_that_thickens_little_but_clearly_says_that_its_slide_is_an_effort() -> None:
    thickness, slides = 8 + 0.4 * activation(), {"eo": 1.5 * activation() + noise(0.01)}
    clear = evidence({"eo": thickness + noise(0.02)}, slides)
    assert count_in(clear, is_asked=False) == Count(2)
    # A change lost in noise says nothing.
    noisy = evidence({"eo": thickness + noise(0.4)}, slides)
    assert count_in(noisy, is_asked=False).number == 0


@pytest.mark.parametrize(("muscle", "number"), [("eo", 0), ("io", 2)])
def test_change_that_the_probe_may_press_into_the_eo_is_no_effort(muscle: str, number: int) -> None:
    still = {name: 1 + noise(0.002, seed) for seed, name in enumerate(("eo", "io", "tra"))}
    still[muscle] = still[muscle] + 0.085 * activation()
    _, count = clearest(evidence(still), TIME_S, is_asked=False)
    assert count.number == number


def test_no_effort_is_sure_only_where_the_tra_is_seen_and_none_was_asked_for() -> None:
    still = 5 + noise(0.02)
    hidden = evidence({"eo": still, "io": still})
    assert count_in(hidden, is_asked=False) == Count(0, HIDDEN)
    seen = count_in(evidence({"eo": still, "tra": still}), is_asked=False)
    assert (seen, seen.caution) == (Count(0), ())
    slid = evidence({"eo": still, "tra": still}, {"tra": 3 * activation() + noise(0.1)})
    assert count_in(slid, is_asked=False) == Count(0, UNCLEAR)
    assert count_in(evidence({"tra": still})) == Count(0, NONE_FOUND)
    assert count_in(evidence({}), is_asked=False) == Count(0, HIDDEN)


def test_muscles_that_disagree_leave_the_number_unsure() -> None:
    one = 4 * (1 + 0.3 * activation(EFFORTS_S[:1])) + noise(0.02)
    both = 4 * (1 + 0.3 * activation()) + noise(0.02, 1)
    assert count_in(evidence({"tra": both, "io": both})) == Count(2)
    # Whether the clearer of them shows fewer or more.
    for spread in (0.0, 0.15):
        assert count_in(evidence({"tra": both, "io": one + noise(spread, 2)})).doubt == DISAGREE


def test_signal_seen_throughout_tells_the_number_before_a_clearer_one_with_a_gap() -> None:
    tra = np.where((TIME_S > 7) & (TIME_S < 12), np.nan, 12 * activation()) + noise(0.02)
    io = 6 + 1.2 * activation() + noise(0.2)
    found = evidence({"io": io}, {"tra": tra})
    assert chosen(found) == ("io", True, Count(2))
    # It is no surer than that where the other shows more.
    one = 6 + 1.2 * activation(EFFORTS_S[1:]) + noise(0.2)
    more = np.where((TIME_S > 6) & (TIME_S < 7.5), np.nan, 12 * activation()) + noise(0.02)
    assert chosen(evidence({"io": one}, {"tra": more})) == ("io", True, Count(1, DISAGREE))


@pytest.mark.parametrize(("gap_s", "doubt"), [(0.9, ""), (1.5, HIDDEN)])
def test_number_is_unsure_where_an_effort_may_be_hidden(gap_s: float, doubt: str) -> None:
    signal = 0.4 * activation() + noise(0.01)
    signal[(TIME_S > 5.6) & (TIME_S < 5.6 + gap_s)] = np.nan
    found = find_excursions(signal, TIME_S, 0.07, Direction.RISES, 0.2)
    count = count_efforts(signal, TIME_S, found, LONGEST_GAP_S, is_asked=True)
    assert count == Count(2, doubt)
    assert longest_unseen_s(signal, TIME_S) == pytest.approx(gap_s, abs=0.1)
    # A cough fits into either gap.
    coughs = count_efforts(signal, TIME_S, found, LONGEST_GAP_COUGH_S, is_asked=True)
    assert coughs == Count(2, HIDDEN)
    if doubt:
        assert count.caution[0].startswith("The number of efforts (2 found) is not sure, because")


def test_a_breath_as_large_as_the_efforts_leaves_the_number_unsure() -> None:
    breath = np.where((TIME_S > 7) & (TIME_S < 11), 0.5 - 0.5 * np.cos((TIME_S - 7) * np.pi / 2), 0)
    signal = 0.15 * np.maximum(activation(EFFORTS_S[:1]), breath) + noise(0.003)
    found = find_excursions(signal, TIME_S, 0.07, Direction.RISES, 0.2)
    assert found is not None and (len(found.efforts), found.breaths) == (1, 1)
    assert count_efforts(signal, TIME_S, found, LONGEST_GAP_S, is_asked=True) == Count(1, BREATHS)


def test_clearness_tells_held_efforts_from_a_sine() -> None:
    held, sine = (
        find_excursions(signal, TIME_S, 0.07, Direction.EITHER, 0.0)
        for signal in (activation(), np.sin(2 * np.pi * TIME_S / 4))
    )
    assert held is not None and sine is not None
    assert held.clearness > 4
    # Half of a sine has mean 2 / pi and variance 1/2 - 4 / pi**2, so 2.92 between two halves.
    assert sine.clearness == pytest.approx(2.92, abs=0.25)
    assert sine.clearness < LEAST_CLEAR < held.clearness
    drift = activation() + 0.8 * np.sin(2 * np.pi * TIME_S / 9)
    blurred = find_excursions(drift, TIME_S, 0.07, Direction.EITHER, 0.0)
    count = count_efforts(drift, TIME_S, blurred, LONGEST_GAP_S, is_asked=True)
    assert (count.number > 0, count.doubt) == (True, UNCLEAR)


def test_slide_smaller_than_breaths_of_another_muscle_is_no_effort_where_none_was_asked_for() -> (
    None
):
    # Both signals of the EO follow one border that is wrong for a while.
    wrong = activation(EFFORTS_S[:1])
    thickness = {"eo": 2.7 + 0.9 * wrong + noise(0.3), "io": 5 + noise(0.3)}
    slides = {"eo": 0.5 * wrong + noise(0.01), "io": 20 * BREATH + noise(0.05)}
    assert count_in(evidence(thickness, slides), is_asked=False) == Count(0, HIDDEN)
    assert count_in(evidence(thickness, slides)).number == 1
    calm = evidence(thickness, slides | {"io": noise(0.05)})
    assert count_in(calm, is_asked=False).number == 1


def test_what_hardly_stands_out_is_no_effort_where_none_was_asked_for() -> None:
    # Breaths on a base that sinks with the probe look like one long, uneven descent.
    sinking = np.cos(2 * np.pi * TIME_S / 5.3) - np.minimum(TIME_S / 3, 1.2)
    base = Evidence(Structure.BLADDER, sinking, 1.2, 4.0, Direction.EITHER)
    assert first_sure([base], TIME_S, LONGEST_GAP_S, is_asked=True)[1].number > 0
    assert first_sure([base], TIME_S, LONGEST_GAP_S, is_asked=False)[1] == Count(0, UNCLEAR)
    # Nor is it where much is unseen besides: a thickness that is mostly noise.
    thin = 1.4 * (1 + 0.3 * np.sin(5 * TIME_S) + noise(0.1))
    assert count_in(evidence({"tra": thin})).number > 0
    assert count_in(evidence({"tra": np.where(np.sin(TIME_S) > 0, thin, np.nan)})).number == 0
    # What stands out is one all the same.
    assert count_in(evidence({"tra": 4 + activation()}), is_asked=False) == Count(2)


@pytest.mark.parametrize(("ratio", "number"), [(2.4, 2), (3.5, 0)])
def test_muscle_more_than_three_times_as_thick_shows_no_effort(ratio: float, number: int) -> None:
    tra = 1.2 * (1 + (ratio - 1) * activation()) + noise(0.01)
    assert count_in(evidence({"tra": tra}), is_asked=False).number == number


@pytest.mark.parametrize(("is_asked", "number"), [(True, 1), (False, 0)])
@pytest.mark.parametrize("is_hidden", [True, False])
def test_effort_cut_off_or_partly_hidden_counts_only_where_one_was_asked_for(
    is_hidden: bool, is_asked: bool, number: int
) -> None:
    tra = 3 * (1 + 0.3 * activation(((2, 5) if is_hidden else (8, 20),))) + noise(0.01)
    if is_hidden:
        tra[(TIME_S > 3) & (TIME_S < 4.3)] = np.nan
    assert count_in(evidence({"tra": tra}), is_asked=is_asked).number == number


def test_border_that_jumps_is_no_effort() -> None:
    jumps = np.where((TIME_S > 4) & (TIME_S < 6), 2.3, 0) + noise(0.05)
    base = Evidence(Structure.BLADDER, jumps, 1.2, 4.0, Direction.EITHER)
    assert first_sure([base], TIME_S, LONGEST_GAP_S, is_asked=True)[1] == Count(0, HIDDEN)
    # It jumps there and comes back at leisure, or comes at leisure and jumps back.
    for sides in ([4, 4.05, 5, 6], [4, 5.5, 5.9, 5.95]):
        uneven = replace(base, value=np.interp(TIME_S, sides, [0, 2.3, 2.3, 0]))
        assert without_jumps(uneven, TIME_S).excursions(TIME_S) is None
    # A recorder that shows each frame of a slow scanner three times makes steps, but smaller ones.
    held = np.interp(TIME_S, [4, 4.3, 5.7, 6], [0, 2.3, 2.3, 0])
    slow = replace(base, value=np.repeat(held[::3], 3)[: TIME_S.size])
    assert without_jumps(slow, TIME_S) is slow
    # An effort takes some frames, and a cough is over at once.
    for sides in ([4, 4.3, 5.7, 6], [4, 4.05, 4.15, 4.4]):
        effort = replace(base, value=np.interp(TIME_S, sides, [0, 2.3, 2.3, 0]))
        assert without_jumps(effort, TIME_S) is effort


def test_muscle_whose_border_jumps_does_not_outdo_the_others() -> None:
    jumps = 5 - np.where((TIME_S < 1) | ((TIME_S > 6) & (TIME_S < 7)) | (TIME_S > 12.5), 1.0, 0)
    tra = 2 * (1 + 0.3 * activation()) + noise(0.1)
    found = evidence({"tra": tra, "eo": jumps + noise(0.01)})
    assert chosen(found)[:2] == ("tra", True)
    assert count_in(found).number == 2


def test_coughs_are_counted_on_a_base_that_breathes() -> None:
    pulses = np.zeros_like(TIME_S)
    for begin in (3.0, 5.5, 9.0):
        rise = np.interp(TIME_S - begin, [0, 0.1, 0.2, 0.5], [0, 1, 1, 0], left=0, right=0)
        pulses = np.maximum(pulses, rise)
    base = Evidence(
        Structure.BLADDER,
        -4 * pulses - 1.5 * np.sin(2 * np.pi * (TIME_S - 4) / 7),
        1.2,
        4.0,
        Direction.MOSTLY_FALLS,
    )
    assert first_sure([base], TIME_S, LONGEST_GAP_COUGH_S, is_asked=True)[1].doubt
    quick = without_slow(base, TIME_S)
    one, count = first_sure([base, quick], TIME_S, LONGEST_GAP_COUGH_S, is_asked=True)
    assert (one, count) == (quick, Count(3))
    # Where none is sure, the first that shows any tells, or the first of all.
    unseen = Evidence(Structure.BLADDER, BLANK, 1.2, 4.0, Direction.EITHER)
    first = first_sure([unseen, unseen], TIME_S, LONGEST_GAP_S, is_asked=True)
    assert first == (unseen, Count(0, HIDDEN))
    partly = 6 * activation()
    partly[(TIME_S > 3) & (TIME_S < 4.5)] = np.nan
    lifted = replace(unseen, value=partly)
    first = first_sure([unseen, lifted], TIME_S, LONGEST_GAP_S, is_asked=True)
    assert first == (lifted, Count(2, HIDDEN))


def test_efforts_among_breaths_count_only_where_they_were_asked_for() -> None:
    # One breath that is held by chance, beside two of the same size that are not.
    held, breaths = 0.2 * activation(((8.0, 12.0),)), 1.5 * BREATH * (TIME_S < 7)
    one = evidence({"tra": 4 * (1 + held + breaths)})
    found = one[MUSCLES.index(Structure.TRA)].excursions(TIME_S)
    assert found is not None and len(found.efforts) == 1 and found.breaths
    assert count_in(one).number == 1
    assert count_in(one, is_asked=False) == Count(0, UNCLEAR)


def test_of_a_muscle_the_signal_that_settles_the_number_counts() -> None:
    # In the slide the first effort has the course of a breath, and it stands out more.
    breath_like = np.sin(np.pi * np.clip((TIME_S - 2) / 3, 0, 1)) ** 2
    slide = 5 * (activation(((8.0, 11.0),)) + breath_like)
    thickness = 4 * (1 + 0.5 * activation() + noise(0.06))
    shown = [one.excursions(TIME_S) for one in evidence({"tra": thickness}, {"tra": slide})]
    by_thickness, by_slide = (found for found in shown if found is not None)
    assert by_slide.breaths == 1 and len(by_thickness.efforts) == 2
    assert by_slide.clearness > by_thickness.clearness / 1.25
    assert chosen(evidence({"tra": thickness}, {"tra": slide})) == ("tra", True, Count(2))


def test_a_signal_that_shows_more_efforts_leaves_the_number_in_doubt() -> None:
    # Two signals of one muscle: the second misses an effort, and stands out more.
    three = ((1.0, 3.0), (5.0, 8.0), (10.0, 13.0))
    first = quantity("thickness", "tra", 4 * (1 + 0.4 * activation(three) + noise(0.03)))
    second = quantity("thickness", "tra", 4 * (1 + 0.4 * activation(three[:2])))
    others = [quantity("thickness", muscle, BLANK) for muscle in MUSCLES]
    assert count_in(evidence_of([*others, second], [])) == Count(2)
    assert count_in(evidence_of([*others, first, second], [])).doubt == DISAGREE


def test_a_lone_value_does_not_end_a_gap() -> None:
    signal = np.where((TIME_S > 4) & (TIME_S < 6), np.nan, 0.0)
    for known, gap_s in ((2, 2.0), (3, 1.0)):
        broken = signal.copy()
        broken[100 : 100 + known] = 0.5
        assert longest_unseen_s(broken, TIME_S) == pytest.approx(gap_s, abs=0.15)


def test_followed_tissue_counts_where_it_is_mostly_known() -> None:
    fixed = [quantity("thickness", muscle, 4 + noise(0.01)) for muscle in MUSCLES]
    for known, taken in ((0.9, True), (0.6, False)):
        value = np.where(np.arange(TIME_S.size) < known * TIME_S.size, 5.0 + noise(0.01, 1), np.nan)
        followed = [quantity("thickness", muscle, value) for muscle in MUSCLES]
        one = better_seen(followed, fixed)[MUSCLES.index(Structure.TRA)]
        assert np.isnan(one.value).any() == taken
