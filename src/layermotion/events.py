"""Owns when: rest and contraction windows in a series, before anything is averaged."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

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
# Interruptions up to this do not end a spell of rest, s (our choice).
BRIDGED_S = 0.3


class Direction(StrEnum):
    """Which way an effort moves a signal.

    ``RISES``: upwards only, as it thickens a muscle; a clip whose signal falls then began in an
    effort. ``MOSTLY_FALLS``: downwards wherever it falls far enough, else upwards.
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


def smooth(signal: Signal, time_s: Signal, width_s: float = 0.15) -> Signal:
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
    filled = np.interp(time_s, time_s[known], signal[known])
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
    # Robust standard deviation from the steps between frames, which an effort hardly widens.
    noise = 1.4826 / np.sqrt(2) * float(np.median(np.abs(np.diff(signal[known]))))
    least = max(smallest, NOISE_FACTOR * noise)
    start = is_known & (time_s <= time_s[known[0]] + FIRST_LEVEL_S)
    zero, side = _rest_level(level[known], float(np.median(level[start])), least, direction)
    height = side * (level - zero)
    top = float(height.max())
    if top < least:
        return whole
    # The narrowest median keeps most of a short effort's peak.
    peaked = side * (smooth(signal, time_s, width_s=0.0) - zero)
    efforts = _efforts(height, top)
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


def _rest_level(
    level: Signal, first_level: float, least: float, direction: Direction
) -> tuple[float, float]:
    """Level at rest, and +1 or -1 for efforts that raise or lower it."""
    if direction is Direction.RISES:
        low, high = np.percentile(level, (5, 95))
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
