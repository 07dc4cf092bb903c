"""Owns how noise is taken out of a signal, and how much of it there is."""

import numpy as np
from numpy.typing import NDArray

from layermotion.normal import SPREAD_OVER_MEDIAN

Signal = NDArray[np.float64]

# Width of the running median, s (our choice: it leaves ramps where they are).
SMOOTHED_S = 0.15


def smooth(signal: Signal, time_s: Signal, width_s: float = SMOOTHED_S) -> Signal:
    """Take the running median over ``width_s``, gaps bridged by straight lines.

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


def noise_of(known: Signal) -> float:
    """Robust standard deviation from the steps between frames, which an effort hardly widens."""
    if known.size < 2:
        return 0.0
    return SPREAD_OVER_MEDIAN / float(np.sqrt(2)) * float(np.median(np.abs(np.diff(known))))


def bridged(signal: Signal, time_s: Signal) -> Signal:
    """Fill gaps with straight lines."""
    known = ~np.isnan(signal)
    return np.interp(time_s, time_s[known], signal[known])
