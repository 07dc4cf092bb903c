"""Owns when: rest and contraction windows in a series, and the course of each effort."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.excursions import (
    QUIET,
    RELEASED,
    SMOOTHED_S,
    Direction,
    Signal,
    bridged,
    find_excursions,
    noise_of,
    smooth,
)
from layermotion.ramps import place_ramp

Frames = NDArray[np.intp]

# A hold is within this share of an effort's own height (our choice).
PLATEAU = 0.9
# A rest window is at most this long and lies next to its effort, s (our choice).
REST_WINDOW_S = 2.0
# Interruptions up to this do not end a spell of rest, s (our choice).
BRIDGED_S = 0.3


@dataclass(frozen=True)
class Window:
    """Frames ``first`` to ``last``, both included, in one state (``rest`` or ``contracted``)."""

    state: str
    first: int
    last: int
    repeat: int

    @property
    def frames(self) -> slice:
        """Slice that cuts the window out of a series."""
        return slice(self.first, self.last + 1)


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


def find_windows(
    signal: Signal,
    time_s: Signal,
    smallest: float,
    *,
    direction: Direction = Direction.EITHER,
    always_rest: bool = False,
    largest_breath: float = 0.0,
) -> tuple[Window, ...]:
    """Split a clip into rest and contraction windows.

    Parameters
    ----------
    signal
        Shape (frames,), whatever rises or falls with the effort; NaN where not measured.
    time_s
        Shape (frames,), s.
    smallest
        Excursions below this are never an effort, in the unit of ``signal``.
    direction
        Which way an effort moves the signal.
    always_rest
        Whether the clip is known to hold no effort.
    largest_breath
        Excursions up to this, in the unit of ``signal``, are taken for breathing where they have
        the course of a breath.

    Returns
    -------
    tuple of Window
        In the order of time: for each repeat its contraction and the rest before it, or the rest
        after it where there is none before; only one rest window over the measurable frames where
        there is no effort; empty where nothing was measured.
    """
    is_known = ~np.isnan(signal)
    known = np.flatnonzero(is_known)
    if known.size == 0:
        return ()
    whole = (Window("rest", int(known[0]), int(known[-1]), 1),)
    if always_rest or known.size < 5:
        return whole
    found = find_excursions(signal, time_s, smallest, direction, largest_breath)
    if found is None or not found.efforts:
        return whole
    efforts, height, noise = found.efforts, found.height, found.noise
    # The narrowest median keeps most of a short effort's peak.
    peaked = found.side * (smooth(signal, time_s, width_s=0.0) - found.zero)
    rest_frames = np.flatnonzero(is_known & (np.abs(height) < QUIET * height.max()))
    windows: list[Window] = []
    before = -1
    for number, (begin, end) in enumerate(efforts, start=1):
        after = efforts[number][0] if number < len(efforts) else signal.size
        quiet = _last_spell(rest_frames[(rest_frames > before) & (rest_frames < begin)], time_s)
        if quiet.size:
            quiet = quiet[time_s[quiet] >= time_s[quiet[-1]] - REST_WINDOW_S]
        else:
            later = rest_frames[(rest_frames > end) & (rest_frames < after)]
            quiet = _last_spell(later[::-1], time_s)[::-1]
            quiet = quiet[time_s[quiet] <= time_s[quiet[:1]] + REST_WINDOW_S]
        own = peaked[begin : end + 1]
        # Noise lifts the highest frames and lowers others, so it is allowed for.
        lowest = PLATEAU * np.percentile(own, 90) - noise
        held = begin + np.flatnonzero((own >= lowest) & is_known[begin : end + 1])
        for state, frames in (("rest", quiet), ("contracted", held)):
            if frames.size:
                windows.append(Window(state, int(frames[0]), int(frames[-1]), number))
        before = end
    return tuple(sorted(windows, key=lambda window: window.first))


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
        rests = [w for w in windows if w.state == "rest" and w.repeat == window.repeat]
        later = [w for w in windows if w.state == "rest" and window.last < w.first < following]
        before = [w for w in rests if w.last < window.first] or rests or later
        after = later or before
        if not before:
            nothing = float("nan")
            courses.append(Course(window.repeat, *[nothing] * 6))
            continue
        width_s = min(SMOOTHED_S, float(time_s[window.last] - time_s[window.first]) / 2)
        level = smooth(signal, time_s, width_s) if width_s > 0.05 else bridged(signal, time_s)
        own = level[window.frames]
        third = max(1, own.size // 3)
        middle = (window.first + window.last) // 2
        ends = []
        for order, rest, limit in ((-1, before[0], previous), (1, after[0], following)):
            low = float(np.nanmean(signal[rest.frames]))
            high = float(np.median(own[:third] if order < 0 else own[-third:]))
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


def _last_spell(frames: Frames, time_s: Signal) -> Frames:
    """Last of the unbroken spells of frames that is at least half as long as the longest.

    So that crossing the rest level on the way from a lift to a descent is not taken for rest.
    """
    if not frames.size:
        return frames
    gaps_s = np.abs(np.diff(time_s[frames]))
    breaks = np.flatnonzero(gaps_s > max(BRIDGED_S, 2.5 * float(np.median(np.diff(time_s)))))
    spells = np.split(frames, breaks + 1)
    longest = max(spell.size for spell in spells)
    return [spell for spell in spells if spell.size >= longest / 2][-1]
