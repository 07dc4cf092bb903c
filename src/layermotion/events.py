"""Owns when: rest and contraction windows in a series, before anything is averaged."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]

# The clip starts at rest; this much of it sets the first level, s (our choice: longer than a
# noise burst, shorter than the quiet time a protocol asks for before an effort).
FIRST_LEVEL_S = 0.6
# An excursion counts when it exceeds this many times the frame-to-frame noise (our choice).
NOISE_FACTOR = 5.0
# Shares of the effort's height: above HALF it is an effort, above PLATEAU it is held, below
# QUIET it is rest (our choice).
HALF, PLATEAU, QUIET = 0.5, 0.85, 0.15
# A rest window is at most this long and ends just before the effort, s (our choice).
REST_WINDOW_S = 2.0


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
    signal: Signal, time_s: Signal, smallest: float, always_rest: bool = False
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
    always_rest
        Whether the clip is known to hold no effort.

    Returns
    -------
    tuple of Window
        For each repeat the rest before it and its contraction; only one rest window over the
        measurable frames where there is no effort; empty where nothing was measured.
    """
    known = np.flatnonzero(~np.isnan(signal))
    if known.size == 0:
        return ()
    whole = (Window("rest", int(known[0]), int(known[-1]), 1),)
    if always_rest or known.size < 5:
        return whole
    level = smooth(signal, time_s)
    start = time_s <= time_s[known[0]] + FIRST_LEVEL_S
    first_level = float(np.median(level[start & ~np.isnan(signal)]))
    away = level - first_level
    side = 1.0 if away.max() >= -away.min() else -1.0
    height = side * away
    noise = 1.4826 * float(np.nanmedian(np.abs(signal - level)))
    top = float(height.max())
    if top < max(smallest, NOISE_FACTOR * noise):
        return whole
    windows: list[Window] = []
    step = float(np.median(np.diff(time_s)))
    after = int(known[0])
    for number, (begin, end) in enumerate(_runs(height > HALF * top), start=1):
        own_top = float(np.percentile(height[begin : end + 1], 90))
        held = np.flatnonzero(height[begin : end + 1] >= PLATEAU * own_top) + begin
        quiet = np.flatnonzero(height[after:begin] < QUIET * top) + after
        if quiet.size:
            quiet = quiet[quiet > quiet[-1] - REST_WINDOW_S / step]
            windows.append(Window("rest", int(quiet[0]), int(quiet[-1]), number))
        windows.append(Window("contracted", int(held[0]), int(held[-1]), number))
        after = end + 1
    return tuple(windows)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
