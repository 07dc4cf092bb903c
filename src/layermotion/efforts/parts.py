"""Owns what the network of efforts sees of a clip, and what it says of each frame."""

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.channels import BESIDE_PICTURE, CHANNELS, Signals
from layermotion.labels import Task

Array = NDArray[np.float64]

# Frames that the network sees in a second (our choice: a cough's descent takes 0.05 to 0.1 s).
RATE_HZ = 25.0
# Lengths that the network takes are multiples of this, frames.
LENGTH_STEP = 16
# A signal that stays within this share of its size is still (our choice).
STILL = 0.02
TASKS: tuple[Task | None, ...] = (None, *Task)
INPUTS = 3 * len(CHANNELS) + len(TASKS)


class Part(IntEnum):
    """Part of the course that a frame belongs to.

    A dip is the descent by a cough or curl-up down to where it is let go; its recovery is the way
    back.
    """

    REST = 0
    RISE = 1
    HOLD = 2
    FALL = 3
    DIP = 4
    RECOVERY = 5


def frames_of(time_s: Array) -> Array:
    """Give the times of the network's frames, s, as many as a multiple of ``LENGTH_STEP``."""
    count = shown_of(time_s)
    count += -count % LENGTH_STEP
    return np.asarray(time_s[0] + np.arange(count) / RATE_HZ)


def shown_of(time_s: Array) -> int:
    """How many of the network's frames lie within the clip."""
    return int((time_s[-1] - time_s[0]) * RATE_HZ) + 1


def looks_of(signals: Signals, task: Task | None) -> tuple[NDArray[np.float32], ...]:
    """Put together the looks that the network has at a clip.

    Returns
    -------
    tuple of ndarray
        All signals, and where it is seen the whole picture alone; each as by ``inputs_of``.
    """
    picture = signals.value.copy()
    picture[BESIDE_PICTURE] = np.nan
    alone = Signals(signals.time_s, picture)
    looks = (signals,) if np.isnan(picture).all() else (signals, alone)
    return tuple(inputs_of(look, task) for look in looks)


def inputs_of(signals: Signals, task: Task | None) -> NDArray[np.float32]:
    """Put together what the network sees of a clip.

    Each signal around its middle value, in its own size; the same over its own range, so that
    what is small but clear shows; whether it is measured; and what was asked for. After the end of
    the clip all is 0.

    Returns
    -------
    ndarray
        float32, shape (INPUTS, T).
    """
    at = frames_of(signals.time_s)
    is_shown = np.arange(at.size) < shown_of(signals.time_s)
    sized, ranged, seen = (np.zeros((len(CHANNELS), at.size)) for _ in range(3))
    after = np.clip(np.searchsorted(signals.time_s, at), 1, signals.time_s.size - 1)
    is_before = at - signals.time_s[after - 1] < signals.time_s[after] - at
    nearest = after - is_before
    scales = [scale for _, scale in CHANNELS.values()]
    for k, (signal, scale) in enumerate(zip(signals.value, scales, strict=True)):
        known = ~np.isnan(signal)
        if np.count_nonzero(known) < 2:
            continue
        middle = float(np.median(signal[known]))
        low, high = np.percentile(signal[known], (3, 97))
        seen[k] = known[nearest] & is_shown
        value = np.interp(at, signals.time_s[known], signal[known]) - middle
        sized[k] = np.arcsinh(value / scale) * seen[k]
        ranged[k] = np.clip(value / max(high - low, STILL * scale), -2, 2) * seen[k]
    asked = np.zeros((len(TASKS), at.size))
    asked[TASKS.index(task)] = is_shown
    return np.concatenate([sized, ranged, seen, asked]).astype(np.float32)
