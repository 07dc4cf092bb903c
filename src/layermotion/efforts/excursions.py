"""Owns excursions: where a signal leaves its level at rest, and which of them are breaths."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.normal import SPREAD_OVER_MEDIAN
from layermotion.series.series import FIRST_LEVEL_S

Signal = NDArray[np.float64]

# An excursion counts when it exceeds this many standard deviations of the frame-to-frame noise:
# twice what the running median leaves of noise at its highest (our choice).
NOISE_FACTOR = 3.5
# Shares of the highest excursion: above EFFORT an effort begins, below RELEASED it has ended,
# within QUIET of zero there is rest (our choice).
EFFORT, RELEASED, QUIET = 0.4, 0.25, 0.15
# Width of the running median, s (our choice: it leaves ramps where they are).
SMOOTHED_S = 0.15
# Quiet breathing rises and falls without haste and is never held. Between the lower and the upper
# quarter of its way it takes at least the first (s), and above that it stays less than so many
# times as long, and no longer than the third (s), unless it is too large for a breath (our choice:
# an adult at rest breathes 10 to 22 times a minute; a sine of that rate takes 0.45 to 1 s between
# its quarters and stays twice as long above). Noise is calmed over the last, s.
BREATH_FOOT = 0.25
BREATH_RAMP_S, BREATH_HELD, LONGEST_CREST_S, PEAK_CALM_S = 0.3, 4.0, 3.5, 0.3
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
    filled = bridged(signal, time_s)
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0
    half = max(1, round(width_s / step / 2))
    padded = np.pad(filled, half, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)


@dataclass(frozen=True, eq=False)
class Excursions:
    """Where a signal leaves its level at rest.

    Parameters
    ----------
    height
        Shape (F,), smoothed, 0 at rest, above 0 in the direction of the efforts.
    side
        +1 where efforts raise the signal, -1 where they lower it.
    zero
        Level at rest, in the unit of the signal.
    noise
        Standard deviation between frames, in the unit of the signal.
    efforts
        First and last frame of each excursion that no breath has made.
    breaths
        How many have the course of a breath.
    clearness
        How far excursions and rest lie apart, in standard deviations within both: about 3 for a
        sine, 4 and more for efforts that are held.
    """

    height: Signal
    side: float
    zero: float
    noise: float
    efforts: tuple[tuple[int, int], ...]
    breaths: int
    clearness: float


def find_excursions(
    signal: Signal,
    time_s: Signal,
    smallest: float,
    direction: Direction,
    largest_breath: float,
) -> Excursions | None:
    """Find where a signal leaves its level at rest.

    Parameters
    ----------
    signal, time_s
        Shape (F,), NaN where not measured, and s.
    smallest
        Excursions below this do not count, in the unit of ``signal``.
    largest_breath
        Excursions up to this, in the unit of ``signal``, are taken for breathing where they have
        the course of a breath.

    Returns
    -------
    Excursions or None
        None where the signal is known in fewer than five frames, or never leaves its rest.
    """
    is_known = ~np.isnan(signal)
    known = np.flatnonzero(is_known)
    if known.size < 5:
        return None
    level = smooth(signal, time_s)
    noise = noise_of(signal[known])
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
        return None
    every = _efforts(height, top)
    efforts = every
    if largest_breath:
        efforts = _without_breaths(every, side * signal, time_s, RELEASED * top, largest_breath)
    clear = clearness(np.where(is_known, height, np.nan), within(every, height.size))
    breaths = len(every) - len(efforts)
    return Excursions(height, side, zero, noise, tuple(efforts), breaths, clear)


def clearness(signal: Signal, inside: NDArray[np.bool_]) -> float:
    """How far a signal is higher in some frames than in the others, in standard deviations.

    Parameters
    ----------
    signal, inside
        Shape (F,); NaN where not measured.

    Returns
    -------
    float
        Distance of the means over the joint spread; 0 where either frames have no value.
    """
    is_known = ~np.isnan(signal)
    high, low = signal[inside & is_known], signal[~inside & is_known]
    if not high.size or not low.size:
        return 0.0
    distance = float(high.mean() - low.mean())
    spread = float(np.hypot(high.std(), low.std()))
    return distance / spread if spread else float(np.copysign(np.inf, distance))


def _without_breaths(
    efforts: list[tuple[int, int]], signal: Signal, time_s: Signal, least: float, largest: float
) -> list[tuple[int, int]]:
    """Leave out excursions that have the course of a breath and are not larger than ``largest``.

    What calms down to less than ``least`` was noise.
    """
    step = float(np.median(np.diff(time_s)))
    half = max(1, round(PEAK_CALM_S / step / 2))
    padded = np.pad(bridged(signal, time_s), half, mode="edge")
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


def noise_of(known: Signal) -> float:
    """Robust standard deviation from the steps between frames, which an effort hardly widens."""
    if known.size < 2:
        return 0.0
    return SPREAD_OVER_MEDIAN / float(np.sqrt(2)) * float(np.median(np.abs(np.diff(known))))


def bridged(signal: Signal, time_s: Signal) -> Signal:
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


def _efforts(height: Signal, top: float) -> list[tuple[int, int]]:
    """First and last frame of every effort; a dip that is no release does not split it."""
    efforts: list[tuple[int, int]] = []
    for begin, end in runs(height > EFFORT * top):
        if efforts and height[efforts[-1][1] : begin + 1].min() > RELEASED * top:
            efforts[-1] = (efforts[-1][0], end)
        else:
            efforts.append((begin, end))
    return efforts


def within(spans: Iterable[tuple[int, int]], frames: int) -> NDArray[np.bool_]:
    """Tell which frames lie in one of the spans, given by first and last; shape (frames,)."""
    inside = np.zeros(frames, bool)
    for begin, end in spans:
        inside[begin : end + 1] = True
    return inside


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
