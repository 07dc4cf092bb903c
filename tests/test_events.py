"""Events: efforts found in drawn courses with noise, breathing, gaps and odd beginnings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from layermotion.efforts.course import time_efforts
from layermotion.efforts.excursions import Direction, smooth
from layermotion.efforts.windows import Window, find_windows

Array = NDArray[np.float64]

# Smallest change of thickness, as the wall uses it; a contraction here is 0.4.
SMALLEST = 0.07
HEIGHT = 0.4


def times(seconds: float, rate_hz: float = 20.0) -> Array:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def trapezoids(time_s: Array, efforts: list[tuple[float, float]], ramp_s: float = 0.4) -> Array:
    """Course of height 1 with straight ramps that begin and end at the given times."""
    course = np.zeros_like(time_s)
    for begin, end in efforts:
        course = np.maximum(
            course, np.interp(time_s, [begin, begin + ramp_s, end - ramp_s, end], [0, 1, 1, 0])
        )
    return course


def noise(size: int, spread: float, seed: int = 0) -> Array:
    return np.random.default_rng(seed).normal(0, spread, size)


def of(windows: tuple[Window, ...], state: str) -> list[Window]:
    return [window for window in windows if window.state == state]


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1),
    repeats=st.integers(1, 4),
    side=st.sampled_from([1.0, -1.0]),
    rate_hz=st.sampled_from([10.0, 25.0, 60.0]),
)
def test_every_repeat_is_found_where_it_is(
    seed: int, repeats: int, side: float, rate_hz: float
) -> None:
    rng = np.random.default_rng(seed)
    efforts, now = [], 1.5
    for _ in range(repeats):
        length_s = rng.uniform(1.8, 4)
        efforts.append((now, now + length_s))
        now += length_s + rng.uniform(1.2, 3)
    time_s = times(now, rate_hz)
    course = trapezoids(time_s, efforts)
    signal = 3 + side * HEIGHT * course + noise(time_s.size, 0.02, seed)
    windows = find_windows(signal, time_s, SMALLEST)
    contracted, rest = of(windows, "contracted"), of(windows, "rest")
    assert [w.repeat for w in contracted] == list(range(1, repeats + 1))
    assert [w.repeat for w in rest] == list(range(1, repeats + 1))
    for (begin, end), full, quiet in zip(efforts, contracted, rest, strict=True):
        # The plateau, give or take some frames of noise and of the median.
        slack_s = 0.12 + 4 / rate_hz
        assert time_s[full.first] == pytest.approx(begin + 0.4, abs=slack_s)
        assert time_s[full.last] == pytest.approx(end - 0.4, abs=slack_s)
        assert quiet.first < quiet.last < full.first
        # Rest ends at the onset and lasts at most two seconds.
        assert time_s[quiet.last] == pytest.approx(begin, abs=slack_s)
        assert time_s[quiet.last] - time_s[quiet.first] <= 2.0 + 1e-9
        assert np.mean(signal[full.frames]) == pytest.approx(3 + side * HEIGHT, abs=0.04)
        assert np.mean(signal[quiet.frames]) == pytest.approx(3, abs=0.03)


@pytest.mark.parametrize("side", [1, -1])
def test_cough_pulses_keep_their_peak_at_25_hz(side: int) -> None:
    # 60 ms up, 40 ms full, 200 ms down: common practice, no source.
    time_s, rise_s = times(7, 25), np.array([0, 0.06, 0.1, 0.3])
    means = []
    for seed in range(10):
        course = np.zeros_like(time_s)
        for begin in np.array([2.0, 4.0, 5.5]) + 0.004 * seed:
            course = np.maximum(course, np.interp(time_s, begin + rise_s, [0, 1, 1, 0]))
        signal = side * 10 * course + noise(time_s.size, 0.15, seed)
        windows = find_windows(signal, time_s, 1.2)
        assert [w.state for w in windows] == ["rest", "contracted"] * 3
        means += [side * np.mean(signal[w.frames]) for w in of(windows, "contracted")]
    # A pulse of five frames keeps 95 % of its height on average.
    assert np.mean(means) > 9.3
    assert np.min(means) > 8.4


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("breath", "spread", "smallest", "direction"),
    # Thickness as a share of its rest, then the bladder base in mm.
    [(0.03, 0.02, SMALLEST, Direction.RISES), (0.4, 0.15, 1.2, Direction.EITHER)],
)
def test_noise_and_quiet_breathing_are_no_effort(
    breath: float, spread: float, smallest: float, direction: Direction, seed: int
) -> None:
    time_s = times(20)
    signal = 1 + breath * np.sin(2 * np.pi * time_s / 4) + noise(time_s.size, spread, seed)
    windows = find_windows(signal, time_s, smallest, direction=direction)
    assert windows == (Window("rest", 0, 399, 1),)
    # Strong noise does not pass for an effort either.
    loud = 1 + noise(time_s.size, 2 * smallest, seed)
    assert find_windows(loud, time_s, smallest, direction=direction) == windows


def test_rest_clip_holds_no_effort_by_definition() -> None:
    time_s = times(6)
    signal = HEIGHT * trapezoids(time_s, [(2, 4)])
    assert find_windows(signal, time_s, SMALLEST, always_rest=True) == (Window("rest", 0, 119, 1),)
    assert len(find_windows(signal, time_s, SMALLEST)) == 2


def test_nothing_measured_gives_no_window() -> None:
    time_s = times(3)
    assert find_windows(np.full(60, np.nan), time_s, SMALLEST) == ()
    assert find_windows(np.zeros(0), np.zeros(0), SMALLEST) == ()
    assert np.isnan(smooth(np.full(60, np.nan), time_s)).all()


@pytest.mark.parametrize("frames", [1, 2, 4, 5, 6])
def test_very_short_clips_are_rest(frames: int) -> None:
    time_s = times(frames / 20)
    windows = find_windows(np.ones(frames), time_s, SMALLEST)
    assert windows == (Window("rest", 0, frames - 1, 1),)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0, 0.4))
def test_scattered_gaps_change_little(seed: int, share: float) -> None:
    time_s = times(8)
    signal = HEIGHT * trapezoids(time_s, [(2, 6)]) + noise(160, 0.01, seed)
    signal[np.random.default_rng(seed).random(160) < share] = np.nan
    rest, full = find_windows(signal, time_s, SMALLEST)
    assert (rest.state, full.state) == ("rest", "contracted")
    assert np.nanmean(signal[rest.frames]) == pytest.approx(0, abs=0.03)
    assert np.nanmean(signal[full.frames]) == pytest.approx(HEIGHT, abs=0.03)
    for window in (rest, full):
        assert not np.isnan(signal[[window.first, window.last]]).any()


def test_gap_over_the_whole_effort_invents_none() -> None:
    time_s = times(8)
    signal = HEIGHT * trapezoids(time_s, [(2, 6)])
    signal[(time_s > 1.9) & (time_s < 6.1)] = np.nan
    windows = find_windows(signal, time_s, SMALLEST)
    assert [w.state for w in windows] == ["rest"]


def test_clip_that_begins_missing_takes_its_rest_from_the_first_values() -> None:
    time_s = times(9)
    signal = 5 + HEIGHT * trapezoids(time_s, [(4, 7)])
    signal[time_s < 2] = np.nan
    rest, full = find_windows(signal, time_s, SMALLEST)
    assert time_s[rest.first] == pytest.approx(2.0, abs=0.1)
    assert time_s[full.first] == pytest.approx(4.4, abs=0.1)


@pytest.mark.parametrize("later", [[], [(5.0, 8.0)]])
def test_clip_that_begins_contracted_is_not_turned_round(later: list[tuple[float, float]]) -> None:
    time_s = times(10)
    signal = 1 + HEIGHT * trapezoids(time_s, [(-2.0, 2.5), *later]) + noise(200, 0.01)
    windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES)
    full = of(windows, "contracted")
    assert len(full) == 1 + len(later)
    assert full[0].first == 0
    assert time_s[full[0].last] == pytest.approx(2.1, abs=0.15)
    # Its rest is the one that follows.
    rest = next(w for w in windows if w.state == "rest" and w.repeat == 1)
    assert rest.first > full[0].last
    assert np.mean(signal[rest.frames]) == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("lift", [3.0, 6.0])
def test_cough_after_a_lift_is_measured_from_the_rest_before_the_lift(lift: float) -> None:
    time_s = times(8, 25)
    pulse = np.interp(time_s, [4.5, 4.6, 4.7, 5.0], [0, 1, 1, 0])
    lifted = lift * np.interp(time_s, [2, 2.5, 4.5, 4.6], [0, 1, 1, 0])
    signal = lifted - 5 * pulse + noise(time_s.size, 0.1)
    rest, full = find_windows(signal, time_s, 1.2, direction=Direction.MOSTLY_FALLS)
    assert np.mean(signal[rest.frames]) == pytest.approx(0, abs=0.15)
    assert np.mean(signal[full.frames]) == pytest.approx(-5, abs=0.4)
    # Without a descent the lift is what the effort did.
    rest, full = find_windows(lifted, time_s, 1.2, direction=Direction.MOSTLY_FALLS)
    assert np.mean(lifted[full.frames]) == pytest.approx(lift, abs=0.2)


def test_dip_during_the_hold_is_one_effort_and_a_release_is_two() -> None:
    time_s = times(8)
    whole = trapezoids(time_s, [(2, 6)])
    for depth, count in ((0.65, 1), (1.0, 2)):
        signal = HEIGHT * (whole - depth * trapezoids(time_s, [(3.6, 4.4)], 0.2))
        assert len(of(find_windows(signal, time_s, SMALLEST), "contracted")) == count


def test_weaker_repeat_still_counts() -> None:
    time_s = times(9)
    signal = trapezoids(time_s, [(2, 4)]) + 0.5 * trapezoids(time_s, [(6, 8)])
    assert len(of(find_windows(signal, time_s, SMALLEST), "contracted")) == 2


def test_rest_that_never_comes_back_is_taken_from_before() -> None:
    time_s = times(9)
    signal = HEIGHT * np.maximum(
        trapezoids(time_s, [(2, 4), (6, 8)]), np.where((time_s > 3) & (time_s < 7), 0.2, 0)
    )
    windows = find_windows(signal, time_s, SMALLEST)
    assert [(w.state, w.repeat) for w in windows if w.first < 100][:2] == [
        ("rest", 1),
        ("contracted", 1),
    ]
    assert len(of(windows, "contracted")) == 2


def test_unequal_time_steps_are_respected() -> None:
    steps = np.where(np.arange(200) % 2, 0.02, 0.08)
    time_s = np.cumsum(steps)
    signal = HEIGHT * trapezoids(time_s, [(3, 7)])
    rest, full = find_windows(signal, time_s, SMALLEST)
    assert time_s[full.first] == pytest.approx(3.4, abs=0.12)
    assert time_s[rest.last] - time_s[rest.first] <= 2.0


def test_long_clip_is_quick_and_complete() -> None:
    time_s = times(1800, 30)
    efforts = [(10.0 * k + 3, 10.0 * k + 7) for k in range(180)]
    signal = HEIGHT * trapezoids(time_s, efforts) + noise(time_s.size, 0.02)
    assert len(of(find_windows(signal, time_s, SMALLEST), "contracted")) == 180


# -- breathing and the course of an effort -------------------------------------------------------


def breathing(time_s: Array, rate_per_min: float, phase: float, skew: float = 0.3) -> Array:
    """Breaths of height 1 whose way out takes longer than their way in."""
    angle = 2 * np.pi * (time_s * rate_per_min / 60 + phase)
    return np.asarray(0.5 - 0.5 * np.cos(angle + skew * np.sin(angle)))


def eased(time_s: Array, begin: float, rise: float, hold: float, fall: float) -> Array:
    """Effort of height 1 with half-cosine ramps."""
    up = np.clip((time_s - begin) / rise, 0, 1)
    down = np.clip((time_s - begin - rise - hold) / fall, 0, 1)
    return np.asarray((np.cos(np.pi * down) - np.cos(np.pi * up)) / 2)


@settings(deadline=None, max_examples=80)
@given(
    rate_per_min=st.floats(10, 22),
    phase=st.floats(0, 1),
    height=st.floats(0.08, 0.18),
    skew=st.floats(0, 0.5),
)
def test_deep_breaths_are_no_effort(
    rate_per_min: float, phase: float, height: float, skew: float
) -> None:
    time_s = times(10, 30)
    signal = height * breathing(time_s, rate_per_min, phase, skew) + noise(300, 0.005)
    windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES, largest_breath=0.2)
    assert [w.state for w in windows] == ["rest"]


def test_effort_whose_hold_dips_with_the_breath_is_no_breath() -> None:
    # Deepest near its end, with a dip by a third of its height a second after it began.
    time_s = times(10, 30)
    dip = 0.35 * eased(time_s, 2.4, 0.6, 0.0, 0.8)
    signal = -3.2 * (eased(time_s, 1.6, 0.5, 3.6, 2.0) - dip) + noise(300, 0.02)
    windows = find_windows(signal, time_s, 1.2, largest_breath=4.0)
    (held,) = of(windows, "contracted")
    assert time_s[held.first] < 4.0
    assert time_s[held.last] == pytest.approx(5.9, abs=0.5)


def test_breaths_count_as_efforts_without_that_rule() -> None:
    time_s = times(10, 30)
    signal = 0.15 * breathing(time_s, 15, 0.0)
    assert of(find_windows(signal, time_s, SMALLEST, direction=Direction.RISES), "contracted")


@settings(deadline=None, max_examples=80)
@given(
    height=st.floats(0.15, 1.0),
    rise=st.floats(0.3, 1.0),
    hold=st.floats(2.0, 4.5),
    fall=st.floats(0.3, 1.0),
    breath=st.floats(0, 0.02),
    rate_hz=st.sampled_from([20.0, 30.0, 50.0]),
)
def test_course_of_an_effort_is_found_beside_breathing(
    height: float, rise: float, hold: float, fall: float, breath: float, rate_hz: float
) -> None:
    time_s = times(2.5 + rise + hold + fall, rate_hz)
    signal = height * eased(time_s, 1.3, rise, hold, fall) + breath * breathing(time_s, 15, 0.4)
    signal += noise(time_s.size, 0.01)
    windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES, largest_breath=0.2)
    (course,) = time_efforts(signal, time_s, windows)
    # Breathing of a quarter of the height moves the ends by a quarter of a ramp.
    slack_s = 0.12 + (breath / height + 0.02 / height) * max(rise, fall)
    assert course.onset_s == pytest.approx(1.3, abs=slack_s)
    assert course.full_s == pytest.approx(1.3 + rise, abs=2 * slack_s)
    assert course.release_s == pytest.approx(1.3 + rise + hold, abs=2 * slack_s)
    assert course.end_s == pytest.approx(1.3 + rise + hold + fall, abs=2 * slack_s)


def test_onset_and_hold_are_exact_without_noise_and_spread_grows_with_it() -> None:
    time_s = times(8, 30)
    spreads = []
    for loudness in (0.0, 0.02, 0.05):
        signal = HEIGHT * eased(time_s, 2.0, 0.8, 3.0, 0.6) + noise(240, loudness)
        (course,) = time_efforts(signal, time_s, find_windows(signal, time_s, SMALLEST))
        assert course.onset_s == pytest.approx(2.0, abs=0.02 + 3 * loudness)
        assert course.release_s - course.full_s == pytest.approx(3.0, abs=0.04 + 6 * loudness)
        spreads.append(course.rise_spread_s)
    assert 0 < spreads[0] < spreads[1] < spreads[2]


# When an effort begins, and how long it rises, is held and falls, s.
ENDS_S = ((1.5, 2.5), (0.3, 1.1), (1.5, 3.0), (0.3, 1.1))


@pytest.mark.parametrize("seed", range(20))
def test_true_onset_lies_in_its_interval(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = times(8, 30)
    begin, rise = rng.uniform(1.5, 2.5), rng.uniform(0.3, 1.1)
    signal = HEIGHT * eased(time_s, begin, rise, 2.5, 0.8) + rng.normal(0, 0.02, 240)
    (course,) = time_efforts(signal, time_s, find_windows(signal, time_s, SMALLEST))
    # Three standard deviations: one in 370 lies beyond.
    assert abs(course.onset_s - begin) < 3 * course.rise_spread_s


def test_true_times_lie_in_their_intervals_beside_breathing() -> None:
    rng = np.random.default_rng(30)
    inside = []
    for _ in range(60):
        time_s = times(9, 30)
        begin, rise, hold, fall = (rng.uniform(*pair) for pair in ENDS_S)
        fading = 1 - 0.1 * np.clip((time_s - begin - rise) / hold, 0, 1)
        phase = 2 * np.pi * (rng.uniform(0.2, 0.35) * time_s + rng.random())
        breath = rng.uniform(0, 0.3) * np.sin(phase)
        signal = HEIGHT * (eased(time_s, begin, rise, hold, fall) * fading + breath)
        signal += rng.normal(0, 0.02, time_s.size)
        windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES)
        for course in time_efforts(signal, time_s, windows)[:1]:
            both = float(np.hypot(course.rise_spread_s, course.return_spread_s))
            inside += [
                abs(course.onset_s - begin) < 1.96 * course.rise_spread_s,
                abs(course.release_s - course.full_s - hold) < 1.96 * both,
            ]
    assert len(inside) >= 110
    assert np.mean(inside) > 0.9


def test_cough_is_timed_to_a_frame() -> None:
    time_s = times(6, 50)
    signal = -8 * eased(time_s, 2.01, 0.08, 0.06, 0.3) + noise(300, 0.1)
    windows = find_windows(signal, time_s, 1.2, direction=Direction.MOSTLY_FALLS)
    (course,) = time_efforts(signal, time_s, windows)
    assert course.onset_s == pytest.approx(2.01, abs=0.02)
    assert course.release_s - course.full_s == pytest.approx(0.06, abs=0.05)


def test_what_the_clip_cuts_off_has_no_time() -> None:
    time_s = times(8)
    begun = HEIGHT * eased(time_s, -2.0, 0.5, 4.0, 0.5)
    windows = find_windows(begun, time_s, SMALLEST, direction=Direction.RISES)
    (course,) = time_efforts(begun, time_s, windows)
    assert np.isnan([course.onset_s, course.full_s]).all()
    assert course.end_s == pytest.approx(3.0, abs=0.1)
    goes_on = HEIGHT * eased(time_s, 3.0, 0.5, 9.0, 0.5)
    (course,) = time_efforts(goes_on, time_s, find_windows(goes_on, time_s, SMALLEST))
    assert course.onset_s == pytest.approx(3.0, abs=0.1)
    assert np.isnan([course.release_s, course.end_s]).all()


def test_thinning_that_a_breath_can_have_done_is_no_effort() -> None:
    # An uneven breath in, noisy and cut off on both sides, seen as a dip between two crests.
    time_s = times(8, 30)
    signal = -0.16 * eased(time_s, 2.0, 0.5, 2.0, 0.5) + noise(240, 0.01)
    windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES, largest_breath=0.2)
    assert [w.state for w in windows] == ["rest"]


def test_thinning_between_two_equal_levels_is_the_effort() -> None:
    time_s = times(8)
    signal = 1 - 0.3 * eased(time_s, 3.0, 0.5, 2.0, 0.5) + noise(160, 0.005)
    windows = find_windows(signal, time_s, SMALLEST, direction=Direction.RISES, largest_breath=0.2)
    assert [w.state for w in windows] == ["rest", "contracted"]
    assert np.mean(signal[windows[1].frames]) == pytest.approx(0.7, abs=0.02)
