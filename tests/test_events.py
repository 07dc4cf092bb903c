"""Windows and times of efforts, where the course is known, with noise, breathing and gaps."""

import numpy as np
import pytest
from drawn_efforts import Times, eased, noise, spells_of, times
from hypothesis import given, settings
from hypothesis import strategies as st

from layermotion.efforts.course import Course, time_efforts
from layermotion.efforts.efforts import rest_beside_efforts
from layermotion.efforts.smoothing import smooth
from layermotion.efforts.windows import Spells, Window, find_windows, rest_windows

HEIGHT = 0.4


def of(windows: tuple[Window, ...], state: str) -> list[Window]:
    return [window for window in windows if window.state == state]


def timed(signal: np.ndarray, spells: Spells) -> tuple[Course, ...]:
    return time_efforts(signal, spells.time_s, find_windows(spells, signal))


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1),
    repeats=st.integers(1, 4),
    rate_hz=st.sampled_from([10.0, 25.0, 60.0]),
)
def test_every_repeat_has_its_window_whatever_its_height_and_way(
    seed: int, repeats: int, rate_hz: float
) -> None:
    rng = np.random.default_rng(seed)
    lifts: list[Times] = []
    now = 1.5
    for _ in range(repeats):
        rise, hold, fall = rng.uniform(0.3, 0.8), rng.uniform(1, 3), rng.uniform(0.3, 0.8)
        lifts.append((now, now + rise, now + rise + hold, now + rise + hold + fall))
        now = lifts[-1][3] + rng.uniform(1.2, 3)
    time_s = times(now, rate_hz)
    heights = rng.uniform(0.3, 1.0, repeats) * rng.choice([-1, 1], repeats) * HEIGHT
    signal = 3 + noise(time_s.size, 0.01, seed)
    for ends, height in zip(lifts, heights, strict=True):
        signal = signal + height * eased(time_s, ends)
    windows = find_windows(spells_of(time_s, lifts), signal)
    contracted, rest = of(windows, "contracted"), of(windows, "rest")
    assert [w.repeat for w in contracted] == [w.repeat for w in rest] == [*range(1, repeats + 1)]
    # Nine tenths of a half cosine are reached at four fifths of the way.
    slack_s = 0.25 + 2 / rate_hz
    for (begin, full, release, _), height, held, quiet in zip(
        lifts, heights, contracted, rest, strict=True
    ):
        assert time_s[held.first] == pytest.approx(full, abs=slack_s)
        assert time_s[held.last] == pytest.approx(release, abs=slack_s)
        assert np.mean(signal[held.frames]) == pytest.approx(3 + height, abs=0.03)
        assert np.mean(signal[quiet.frames]) == pytest.approx(3, abs=0.03)
        assert time_s[quiet.last] == pytest.approx(begin, abs=0.05 + 1 / rate_hz)
        assert time_s[quiet.last] - time_s[quiet.first] <= 2.0 + 1e-9


@pytest.mark.parametrize("side", [1, -1])
def test_coughs_keep_their_peak_at_25_hz_and_share_the_rest_before_them(side: int) -> None:
    # 60 ms down, 40 ms full, 200 ms back: common practice, no source.
    time_s, means = times(7, 25), []
    for seed in range(10):
        starts = np.array([2.0, 2.5, 3.0]) + 0.004 * seed
        dips: list[Times] = [(s, s + 0.06, s + 0.1, s + 0.3) for s in starts]
        course = sum(np.interp(time_s, dip, [0, 1, 1, 0]) for dip in dips)
        signal = side * 10 * course + noise(time_s.size, 0.15, seed)
        windows = find_windows(spells_of(time_s, [], dips), signal)
        assert [w.state for w in windows] == ["rest", *["contracted"] * 3]
        means += [side * np.mean(signal[w.frames]) for w in of(windows, "contracted")]
    # A pulse of five frames keeps nine tenths of its height on average.
    assert np.mean(means) > 9.0
    assert np.min(means) > 7.5


def test_a_dip_upon_a_lift_has_its_rest_its_lift_and_what_is_regained() -> None:
    time_s = times(12, 25)
    lift: Times = (2.0, 2.6, 9.0, 9.6)
    dips: list[Times] = [(4.0, 4.08, 4.14, 4.5), (6.0, 6.08, 6.14, 6.5)]
    signal = 6 * eased(time_s, lift) - 9 * sum(eased(time_s, dip) for dip in dips)
    signal = signal + noise(time_s.size, 0.02)
    windows = find_windows(spells_of(time_s, [lift], dips), signal)
    assert [(w.state, w.repeat) for w in windows] == [
        ("rest", 1), ("lifted", 1), ("contracted", 1), ("regained", 1), ("lifted", 2),
        ("contracted", 2), ("regained", 2),
    ]  # fmt: skip
    level = {(w.state, w.repeat): float(np.mean(signal[w.frames])) for w in windows}
    for repeat in (1, 2):
        assert level["lifted", repeat] == pytest.approx(6, abs=0.1)
        assert level["contracted", repeat] == pytest.approx(-3, abs=0.7)
        assert level["regained", repeat] == pytest.approx(6, abs=0.1)
    assert level["rest", 1] == pytest.approx(0, abs=0.05)
    first, second = timed(signal, spells_of(time_s, [lift], dips))
    assert (first.onset_s, second.onset_s) == (
        pytest.approx(4.0, abs=0.04), pytest.approx(6.0, abs=0.04),
    )  # fmt: skip


def test_a_lift_lost_with_the_cough_is_regained_nowhere() -> None:
    time_s = times(9, 25)
    lift: Times = (2.0, 2.6, 4.1, 4.4)
    dip: Times = (4.0, 4.08, 4.14, 4.5)
    signal = 6 * eased(time_s, lift) - 9 * eased(time_s, dip)
    windows = find_windows(spells_of(time_s, [lift], [dip]), signal)
    after = next(w for w in windows if w.state == "regained")
    assert np.mean(signal[after.frames]) == pytest.approx(0, abs=0.1)


def test_an_effort_without_rest_before_it_takes_the_rest_after() -> None:
    time_s = times(8)
    lift: Times = (-2.0, -1.5, 2.0, 2.5)
    signal = 1 + HEIGHT * eased(time_s, lift) + noise(160, 0.01)
    full, rest = find_windows(spells_of(time_s, [lift]), signal)
    assert (full.state, full.first, rest.state) == ("contracted", 0, "rest")
    assert np.mean(signal[rest.frames]) == pytest.approx(1, abs=0.03)


def test_an_effort_that_is_not_seen_keeps_the_window_of_its_hold() -> None:
    time_s = times(8)
    lift: Times = (2.0, 2.5, 5.0, 5.5)
    signal = np.where(time_s < 1.9, 0.0, np.nan)
    held = of(find_windows(spells_of(time_s, [lift]), signal), "contracted")[0]
    assert (time_s[held.first], time_s[held.last]) == (
        pytest.approx(2.5, abs=0.06), pytest.approx(5.0, abs=0.06),
    )  # fmt: skip


def test_the_longest_rest_of_a_recording_of_rest_is_kept() -> None:
    time_s = times(12)
    (rest,) = rest_windows(spells_of(time_s, [(2.0, 2.5, 4.0, 4.5)]))
    assert (rest.state, rest.repeat) == ("rest", 1)
    assert time_s[rest.first] == pytest.approx(4.55, abs=0.06) and rest.last == time_s.size - 1


def test_rest_windows_end_where_an_effort_has_begun() -> None:
    time_s = times(8)
    windows = (Window("rest", 10, 45, 1), Window("contracted", 60, 100, 1))
    (course,) = [Course(1, 2.0, 2.5, 5.0, 5.5, 0.1, 0.1)]
    rest, _ = rest_beside_efforts(windows, [course], time_s)
    assert time_s[rest.last] <= 2.0 - 0.05 + 1e-9


@settings(deadline=None, max_examples=60)
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
    ends = (1.3, 1.3 + rise, 1.3 + rise + hold, 1.3 + rise + hold + fall)
    angle = 2 * np.pi * (time_s / 4 + 0.4)
    signal = height * eased(time_s, ends) + breath * (0.5 - 0.5 * np.cos(angle))
    signal += noise(time_s.size, 0.01)
    (course,) = timed(signal, spells_of(time_s, [ends]))
    # Breathing of a quarter of the height moves the ends by a quarter of a ramp.
    slack_s = 0.12 + (breath / height + 0.02 / height) * max(rise, fall)
    found = (course.onset_s, course.full_s, course.release_s, course.end_s)
    assert found[0] == pytest.approx(ends[0], abs=slack_s)
    assert found[1:] == pytest.approx(ends[1:], abs=2 * slack_s)


def test_onset_and_hold_are_exact_without_noise_and_spread_grows_with_it() -> None:
    time_s, ends = times(8, 30), (2.0, 2.8, 5.8, 6.4)
    spreads = []
    for loudness in (0.0, 0.02, 0.05):
        signal = HEIGHT * eased(time_s, ends) + noise(240, loudness)
        (course,) = timed(signal, spells_of(time_s, [ends]))
        assert course.onset_s == pytest.approx(2.0, abs=0.02 + 3 * loudness)
        assert course.release_s - course.full_s == pytest.approx(3.0, abs=0.04 + 6 * loudness)
        spreads.append(course.rise_spread_s)
    assert 0 < spreads[0] < spreads[1] < spreads[2]


def test_true_times_lie_in_their_intervals_beside_breathing() -> None:
    rng = np.random.default_rng(30)
    inside = []
    for _ in range(60):
        time_s = times(9, 30)
        parts = [rng.uniform(*pair) for pair in ((1.5, 2.5), (0.3, 1.1), (1.5, 3.0), (0.3, 1.1))]
        begin, full, release, end = (float(each) for each in np.cumsum(parts))
        fading = 1 - 0.1 * np.clip((time_s - full) / (release - full), 0, 1)
        phase = 2 * np.pi * (rng.uniform(0.2, 0.35) * time_s + rng.random())
        signal = eased(time_s, (begin, full, release, end)) * fading
        signal = HEIGHT * (signal + rng.uniform(0, 0.3) * np.sin(phase))
        signal += rng.normal(0, 0.02, time_s.size)
        (course,) = timed(signal, spells_of(time_s, [(begin, full, release, end)]))
        both = float(np.hypot(course.rise_spread_s, course.return_spread_s))
        inside += [
            abs(course.onset_s - begin) < 1.96 * course.rise_spread_s,
            abs(course.release_s - course.full_s - (release - full)) < 1.96 * both,
        ]
    assert np.mean(inside) > 0.9


def test_cough_is_timed_to_a_frame() -> None:
    time_s, dip = times(6, 50), (2.01, 2.09, 2.15, 2.45)
    signal = -8 * eased(time_s, dip) + noise(300, 0.1)
    (course,) = timed(signal, spells_of(time_s, [], [dip]))
    assert course.onset_s == pytest.approx(2.01, abs=0.02)
    assert course.release_s - course.full_s == pytest.approx(0.06, abs=0.05)


def test_what_the_clip_cuts_off_has_no_time() -> None:
    time_s = times(8)
    begun, goes_on = (-2.0, -1.5, 2.5, 3.0), (3.0, 3.5, 12.5, 13.0)
    (course,) = timed(HEIGHT * eased(time_s, begun), spells_of(time_s, [begun]))
    assert np.isnan([course.onset_s, course.full_s]).all()
    assert course.end_s == pytest.approx(3.0, abs=0.1)
    (course,) = timed(HEIGHT * eased(time_s, goes_on), spells_of(time_s, [goes_on]))
    assert course.onset_s == pytest.approx(3.0, abs=0.1)
    assert np.isnan([course.release_s, course.end_s]).all()


def test_an_end_whose_rest_is_not_seen_has_no_time() -> None:
    time_s, ends = times(8), (2.0, 2.5, 5.0, 5.5)
    signal = HEIGHT * eased(time_s, ends)
    signal[time_s < 2.2] = np.nan
    spells = spells_of(time_s, [ends])
    windows = (Window("rest", 10, 35, 1), *of(find_windows(spells, signal), "contracted"),
               Window("rest", 115, 150, 2))  # fmt: skip
    (course,) = time_efforts(signal, time_s, windows)
    assert np.isnan([course.onset_s, course.full_s]).all()
    assert course.end_s == pytest.approx(5.5, abs=0.05)


def test_a_clip_without_rest_has_no_times() -> None:
    time_s = times(4)
    whole = (-2.0, -1.0, 10.0, 11.0)
    (course,) = timed(np.ones(80), spells_of(time_s, [whole]))
    assert np.isnan([course.onset_s, course.full_s, course.release_s, course.end_s]).all()


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0, 0.4))
def test_scattered_gaps_change_little(seed: int, share: float) -> None:
    time_s, ends = times(8), (2.0, 2.4, 5.6, 6.0)
    signal = HEIGHT * eased(time_s, ends) + noise(160, 0.01, seed)
    signal[np.random.default_rng(seed).random(160) < share] = np.nan
    rest, full = find_windows(spells_of(time_s, [ends]), signal)
    assert np.nanmean(signal[rest.frames]) == pytest.approx(0, abs=0.03)
    assert np.nanmean(signal[full.frames]) == pytest.approx(HEIGHT, abs=0.04)


def test_nothing_measured_stays_nothing() -> None:
    assert np.isnan(smooth(np.full(60, np.nan), times(3))).all()
