"""Owns when each effort began, was full, was let go and was over."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layermotion.efforts.ramps import place_ramp
from layermotion.efforts.smoothing import SMOOTHED_S, Signal, bridged, noise_of, smooth
from layermotion.efforts.windows import Window

# Below this share of its height an effort has ended (our choice).
RELEASED = 0.25


@dataclass(frozen=True)
class Course:
    """When one effort began, was full, was let go and was over.

    Parameters
    ----------
    onset_s, full_s, release_s, end_s
        Times in the clip, s; NaN where the clip does not show them.
    rise_spread_s, return_spread_s
        Standard deviation of the error of the first two, and of the last two.
    """

    repeat: int
    onset_s: float
    full_s: float
    release_s: float
    end_s: float
    rise_spread_s: float
    return_spread_s: float


def time_efforts(signal: Signal, time_s: Signal, windows: Sequence[Window]) -> tuple[Course, ...]:
    """Find when each effort began, was full, was let go and was over.

    Each ramp is sought where the signal leaves the hold for good and placed by ``place_ramp``, so
    the onset needs no threshold above the noise.

    Parameters
    ----------
    signal, time_s
        As given to ``find_windows``, shape (frames,) each.
    windows
        As found by it.

    Returns
    -------
    tuple of Course
        One for each contraction window, in the order of time.
    """
    known = np.flatnonzero(~np.isnan(signal))
    noise = noise_of(signal[known])
    full = [window for window in windows if window.state == "contracted"]
    courses = []
    for number, window in enumerate(full):
        previous = full[number - 1].last if number else int(known[0]) - 1
        following = full[number + 1].first if number + 1 < len(full) else int(known[-1]) + 1
        before, after = _bases(windows, window, following)
        if before is None or after is None:
            nothing = float("nan")
            courses.append(Course(window.repeat, *[nothing] * 6))
            continue
        # What lies beyond them belongs to another effort.
        if before.last < window.first:
            previous = max(previous, before.first - 1)
        if after.first > window.last:
            following = min(following, after.last + 1)
        width_s = min(SMOOTHED_S, float(time_s[window.last] - time_s[window.first]) / 2)
        level = smooth(signal, time_s, width_s) if width_s > 0.05 else bridged(signal, time_s)
        own = level[window.frames]
        third = max(1, own.size // 3)
        middle = (window.first + window.last) // 2
        ends = []
        for order, rest, limit in ((-1, before, previous), (1, after, following)):
            if np.isnan(signal[rest.frames]).all():
                ends.append((float("nan"),) * 3)
                continue
            low = float(np.nanmean(signal[rest.frames]))
            high = float(np.median(own[:third] if order < 0 else own[-third:]))
            if high == low:
                ends.append((float("nan"),) * 3)
                continue
            outside = np.arange(window.first if order < 0 else window.last, limit, order)
            share = (level[outside] - low) / (high - low)
            half, over = (np.flatnonzero(share < part) for part in (0.5, RELEASED))
            if not over.size or over[0] == 0:
                ends.append((float("nan"),) * 3)
                continue
            frames = np.arange(middle, limit, order)
            frames = frames[~np.isnan(signal[frames])]
            # Walked from the hold outwards, so time runs backwards before the effort.
            top_s, foot_s, spread_s = place_ramp(
                (signal[frames] - low) / (high - low),
                order * time_s[frames],
                order * float(time_s[outside[half[0]]]),
                noise / abs(high - low),
            )
            ends.append((order * top_s, order * foot_s, spread_s))
        (full_s, onset_s, rise), (release_s, end_s, fall) = ends
        courses.append(Course(window.repeat, onset_s, full_s, release_s, end_s, rise, fall))
    return tuple(courses)


def _bases(
    windows: Sequence[Window], window: Window, following: int
) -> tuple[Window | None, Window | None]:
    """Windows that an effort sets out from and comes back to: rest, or the lift it lies upon."""
    own = {each.state: each for each in windows if each.repeat == window.repeat}
    if "lifted" in own:
        return own["lifted"], own.get("regained", own["lifted"])
    rests = [w for w in windows if w.state == "rest"]
    before = [w for w in rests if w.last < window.first]
    after = [w for w in rests if window.last < w.first < following]
    first = before[-1] if before else after[0] if after else None
    return first, after[0] if after else first
