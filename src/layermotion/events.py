"""Owns when: rest and contraction windows in a series, the course of each effort, and breathing."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.ramps import place_ramp

Signal = NDArray[np.float64]
Frames = NDArray[np.intp]

# The clip starts at rest; this much of it sets the first level, s (our choice: longer than a
# noise burst, shorter than the quiet time a protocol asks for before an effort).
FIRST_LEVEL_S = 0.6
# An excursion counts when it exceeds this many standard deviations of the frame-to-frame noise:
# twice what the running median leaves of noise at its highest (our choice).
NOISE_FACTOR = 3.5
# Shares of the highest excursion: above EFFORT an effort begins, below RELEASED it has ended,
# within QUIET of zero there is rest; PLATEAU of an effort's own height is held (our choice).
EFFORT, RELEASED, QUIET, PLATEAU = 0.4, 0.25, 0.15, 0.9
# A rest window is at most this long and lies next to its effort, s (our choice).
REST_WINDOW_S = 2.0
# Width of the running median, s (our choice: it leaves ramps where they are).
SMOOTHED_S = 0.15
# Interruptions up to this do not end a spell of rest, s (our choice).
BRIDGED_S = 0.3
# Quiet breathing rises and falls without haste and is never held. Between the lower and the upper
# quarter of its way it takes at least the first (s), and above that it stays less than so many
# times as long, and no longer than the third (s), unless it is too large for a breath (our choice:
# an adult at rest breathes 10 to 22 times a minute; a sine of that rate takes 0.45 to 1 s between
# its quarters and stays twice as long above). Noise is calmed over the last, s.
BREATH_FOOT = 0.25
BREATH_RAMP_S, BREATH_HELD, LONGEST_CREST_S, CALM_S = 0.3, 4.0, 3.5, 0.3
# One way of a breath takes less than this many times the other (our choice).
BREATH_UNEVEN = 3.0
# What the clip's end cuts off is an effort only if this much of its hold shows, s (our choice).
SHORTEST_HOLD_S = 2.0


class Direction(StrEnum):
    """Which way an effort moves a signal.

    ``RISES``: upwards, as it thickens a muscle; a clip whose signal falls then began in an effort,
    unless it begins and ends at one level, between which a muscle that slid away was thinner.
    ``MOSTLY_FALLS``: downwards wherever it falls far enough, else upwards.
    ``EITHER``: the larger excursion tells.
    """

    RISES = "rises"
    MOSTLY_FALLS = "mostly falls"
    EITHER = "either"


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


def smooth(signal: Signal, time_s: Signal, width_s: float = SMOOTHED_S) -> Signal:
    """Take the running median over ``width_s``, gaps bridged by straight lines; for detection only.

    At least three frames wide.

    Returns
    -------
    ndarray
        Shape (frames,); all NaN where nothing was measured.
    """
    known = ~np.isnan(signal)
    if not known.any():
        return signal
    filled = _bridged(signal, time_s)
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0
    half = max(1, round(width_s / step / 2))
    padded = np.pad(filled, half, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)


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
    level = smooth(signal, time_s)
    noise = _noise(signal[known])
    least = max(smallest, NOISE_FACTOR * noise)
    start = is_known & (time_s <= time_s[known[0]] + FIRST_LEVEL_S)
    stop = is_known & (time_s >= time_s[known[-1]] - FIRST_LEVEL_S)
    first_level, last_level = (float(np.median(level[part])) for part in (start, stop))
    zero, side = _rest_level(level[known], first_level, last_level, least, direction)
    if direction is Direction.RISES and side < 0:
        # Thinning is an effort only where no breath can have done it.
        least = max(least, largest_breath)
    height = side * (level - zero)
    top = float(height.max())
    if top < least:
        return whole
    # The narrowest median keeps most of a short effort's peak.
    peaked = side * (smooth(signal, time_s, width_s=0.0) - zero)
    efforts = _efforts(height, top)
    if largest_breath:
        efforts = _without_breaths(efforts, side * signal, time_s, RELEASED * top, largest_breath)
    if not efforts:
        return whole
    rest_frames = np.flatnonzero(is_known & (np.abs(height) < QUIET * top))
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
    noise = _noise(signal[known])
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
        level = smooth(signal, time_s, width_s) if width_s > 0.05 else _bridged(signal, time_s)
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


def _without_breaths(
    efforts: list[tuple[int, int]], signal: Signal, time_s: Signal, least: float, largest: float
) -> list[tuple[int, int]]:
    """Leave out excursions that have the course of a breath and are not larger than ``largest``.

    What calms down to less than ``least`` was noise.
    """
    step = float(np.median(np.diff(time_s)))
    half = max(1, round(CALM_S / step / 2))
    padded = np.pad(_bridged(signal, time_s), half, mode="edge")
    calm = np.convolve(padded, np.full(2 * half + 1, 1 / (2 * half + 1)), mode="valid")
    kept = []
    for number, (begin, end) in enumerate(efforts):
        first = efforts[number - 1][1] + 1 if number else 0
        stop = efforts[number + 1][0] if number + 1 < len(efforts) else signal.size
        peak = begin + int(np.argmax(calm[begin : end + 1]))
        before, after = peak - np.arange(peak - first + 1), np.arange(peak, stop)
        depth = max(float(calm[peak] - calm[part].min()) for part in (before, after))
        is_effort = depth > largest
        if least <= depth <= largest:
            sides = [((calm[peak] - calm[part]) / depth, time_s[part]) for part in (before, after)]
            is_effort = not _is_breath(*sides[0], *sides[1])
        if is_effort:
            kept.append((begin, end))
    return kept


def _is_breath(fall: Signal, time_s: Signal, other_fall: Signal, other_time_s: Signal) -> bool:
    """Tell whether an excursion has the course of a breath: slow both ways and never held.

    Parameters
    ----------
    fall, time_s
        Way down from the peak to one side, as a share of the whole way, and its times; shape (N,).
    other_fall, other_time_s
        The same to the other side.
    """
    ramps_s, crest_s = [], 0.0
    for share, time in ((fall, time_s), (other_fall, other_time_s)):
        low = np.flatnonzero(share > 1 - BREATH_FOOT)[:1]
        way = share[: int(low[0])] if low.size else share
        # What only dips while it is held has not left the crest.
        crest = int(np.flatnonzero(way <= BREATH_FOOT)[-1])
        crest_s += abs(float(time[crest] - time[0]))
        ramps_s += [abs(float(time[i] - time[crest])) for i in low]
    is_slow = bool(ramps_s) and min(ramps_s) >= max(BREATH_RAMP_S, max(ramps_s) / BREATH_UNEVEN)
    longest_s = min(LONGEST_CREST_S, BREATH_HELD * float(np.mean(ramps_s))) if is_slow else 0.0
    if len(ramps_s) < 2:
        # Cut off by the clip's end: no effort unless it is seen to be held.
        longest_s = max(longest_s, SHORTEST_HOLD_S)
    return crest_s < longest_s


def _noise(known: Signal) -> float:
    """Robust standard deviation from the steps between frames, which an effort hardly widens."""
    if known.size < 2:
        return 0.0
    return 1.4826 / float(np.sqrt(2)) * float(np.median(np.abs(np.diff(known))))


def _bridged(signal: Signal, time_s: Signal) -> Signal:
    """Fill gaps with straight lines."""
    known = ~np.isnan(signal)
    return np.interp(time_s, time_s[known], signal[known])


def _rest_level(
    level: Signal, first_level: float, last_level: float, least: float, direction: Direction
) -> tuple[float, float]:
    """Level at rest, and +1 or -1 for efforts that raise or lower it."""
    if direction is Direction.RISES:
        low, high = np.percentile(level, (5, 95))
        ends_alike = abs(last_level - first_level) < QUIET * (high - low)
        if ends_alike and first_level - low > max(least, high - first_level):
            return first_level, -1.0
        if first_level - low > max(least, (high - first_level) / 2):
            first_level = float(np.median(level[level <= low + QUIET * (high - low)]))
        return first_level, 1.0
    up, down = level.max() - first_level, first_level - level.min()
    falls = down >= least if direction is Direction.MOSTLY_FALLS else down > up
    return first_level, -1.0 if falls else 1.0


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


def _efforts(height: Signal, top: float) -> list[tuple[int, int]]:
    """First and last frame of every effort; a dip that is no release does not split it."""
    efforts: list[tuple[int, int]] = []
    for begin, end in _runs(height > EFFORT * top):
        if efforts and height[efforts[-1][1] : begin + 1].min() > RELEASED * top:
            efforts[-1] = (efforts[-1][0], end)
        else:
            efforts.append((begin, end))
    return efforts


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
