"""An exercise, from values over time: count-in, hold, letting go, repeats."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from layermotion.errors import InputError
from layermotion.live.newest import Newest
from layermotion.live.practice import LASTING_S, LATE_S, Phase, Practice, Target

STEP_S = 0.1
TARGET = Target(20.0, 40.0, hold_s=2.0, repeats=2, count_s=1.0, pause_s=1.0)


def run(
    practice: Practice, change: Callable[[float], float], begin_s: float, end_s: float
) -> list[Phase]:
    """Feed values and return the phases gone through, each once."""
    phases = [practice.phase]
    for time_s in np.arange(begin_s, end_s, STEP_S):
        practice.update(float(time_s), change(float(time_s)))
        if practice.phase is not phases[-1]:
            phases.append(practice.phase)
    return phases


def test_two_repeats_that_are_held_are_counted_and_end_the_exercise() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    # Held from 1.5 to 4.5 s and from 7 to 10 s, at rest between.
    phases = run(practice, lambda t: 30.0 if 1.5 < t < 4.5 or 7 < t < 10 else 0.0, 0, 12)
    one = [Phase.COUNT_IN, Phase.EFFORT, Phase.LET_GO]
    assert phases == [*one, Phase.PAUSE, *one, Phase.DONE]
    assert (practice.done, practice.tried) == (2, 2)


def test_a_hold_is_measured_from_when_the_band_is_reached() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    run(practice, lambda t: 30.0 if t > 2.0 else 10.0, 0.0, 3.05)
    assert practice.phase is Phase.EFFORT
    assert practice.held_s == pytest.approx(0.9, abs=0.11)


@pytest.mark.parametrize("gap", [0.0, 50.0, float("nan")])
def test_a_gap_shorter_than_lasting_does_not_end_a_hold_and_a_longer_one_does(gap: float) -> None:
    for gap_s, is_held in ((LASTING_S - 0.1, True), (LASTING_S + 0.3, False)):
        practice = Practice(TARGET)
        practice.start(0.0)
        end_s = 2.5 + gap_s
        run(practice, lambda t, end=end_s: gap if 2.5 < t < end else 30.0, 0.0, end_s + 0.55)
        assert (practice.held_s > 1.0) is is_held


def test_a_hold_does_not_count_over_an_interruption() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    run(practice, lambda t: 30.0, 0.0, 2.55)
    assert practice.held_s > 1.0
    practice.interrupt()
    run(practice, lambda t: 30.0, 7.5, 8.05)
    assert practice.held_s == pytest.approx(0.5, abs=0.01)
    assert practice.phase is Phase.EFFORT and practice.done == 0


def test_beyond_the_band_nothing_is_held() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    run(practice, lambda t: 60.0, 0.0, 8.0)
    assert practice.held_s == 0 and practice.done == 0


def test_an_effort_that_is_never_held_ends_uncounted() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    phases = run(practice, lambda t: 0.0, 0.0, 1 + TARGET.hold_s + LATE_S + 0.5)
    assert phases[:3] == [Phase.COUNT_IN, Phase.EFFORT, Phase.LET_GO]
    assert practice.done == 0


def test_what_is_not_seen_is_not_taken_for_rest() -> None:
    practice = Practice(TARGET)
    practice.start(0.0)
    run(practice, lambda t: 30.0 if t < 3.4 else float("nan"), 0.0, 30.0)
    assert practice.done == 1
    assert practice.phase is Phase.LET_GO


def test_a_band_below_rest_is_reached_downwards() -> None:
    practice = Practice(Target(-8.0, -3.0, hold_s=2.0, repeats=1, count_s=0.0))
    practice.start(0.0)
    run(practice, lambda t: -5.0 if t < 3 else 0.0, 0.0, 6.0)
    assert practice.phase is Phase.DONE and practice.done == 1
    other = Practice(practice.target)
    other.start(0.0)
    run(other, lambda t: 5.0, 0.0, 6.0)
    assert other.done == 0


def test_the_count_in_and_the_pause_count_down() -> None:
    practice = Practice(TARGET)
    practice.start(10.0)
    assert practice.left_s(10.4) == pytest.approx(0.6)
    practice.stop()
    assert practice.phase is Phase.IDLE and practice.left_s(10.5) == 0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"low": 40.0, "high": 20.0}, "a lower and a higher number"),
        ({"low": -5.0, "high": 20.0}, "holds zero"),
        ({"low": 0.0}, "holds zero"),
        ({"low": float("nan")}, "a lower and a higher number"),
        ({"hold_s": 0.0}, "The hold must lie between 1 and 60"),
        ({"repeats": 31}, "The number of repeats must lie between 1 and 30"),
        ({"count_s": 11.0}, "The count-in must lie"),
        ({"pause_s": -1.0}, "The pause must lie"),
    ],
)
def test_a_target_that_cannot_be_is_refused(values: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        replace(TARGET, **values)  # type: ignore[arg-type]


def test_of_several_items_only_the_newest_is_handed_on() -> None:
    newest: Newest[str] = Newest()
    assert newest.after(0, 0.0) is None
    for item in "abc":
        newest.put(item)
    assert newest.after(0, 0.0) == (3, "c")
    assert newest.after(1, 0.0) == (3, "c")  # another reader, slower
    assert newest.after(3, 0.01) is None
