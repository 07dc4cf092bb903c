"""Drawn courses of efforts, and what a perfect network would read from them."""

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.decode import Decoded, State, spans_of
from layermotion.efforts.parts import RATE_HZ
from layermotion.efforts.windows import Spells

Array = NDArray[np.float64]
# When an effort begins, is full, is let go and is over, s.
Times = tuple[float, float, float, float]


def times(seconds: float, rate_hz: float = 20.0) -> Array:
    return np.arange(round(seconds * rate_hz)) / rate_hz


def eased(time_s: Array, ends: Times) -> Array:
    """Effort of height 1 with half-cosine ramps."""
    begin, full, release, end = ends
    up = np.clip((time_s - begin) / (full - begin), 0, 1)
    down = np.clip((time_s - release) / (end - release), 0, 1)
    return np.asarray((np.cos(np.pi * down) - np.cos(np.pi * up)) / 2)


def noise(size: int, spread: float, seed: int = 0) -> Array:
    return np.random.default_rng(seed).normal(0, spread, size)


def spells_of(time_s: Array, lifts: list[Times], dips: list[Times] | None = None) -> Spells:
    """Spells of a clip in which just these efforts are made."""
    return Spells.of(decoded_of(time_s, lifts, dips), time_s)


def decoded_of(time_s: Array, lifts: list[Times], dips: list[Times] | None = None) -> Decoded:
    """Course of a clip in which just these efforts are made."""
    at = time_s[0] + np.arange(int((time_s[-1] - time_s[0]) * RATE_HZ) + 1) / RATE_HZ
    path = np.full(at.size, State.REST, np.intp)
    for begin, full, release, end in lifts:
        path[(at >= begin) & (at < full)] = State.RISE
        path[(at >= full) & (at <= release)] = State.HOLD
        path[(at > release) & (at <= end)] = State.FALL
    for begin, _, release, end in dips or []:
        on_lift = any(lift[0] < begin < lift[3] for lift in lifts)
        down, back = (
            (State.DIP_ON_LIFT, State.RECOVERY_ON_LIFT) if on_lift else (State.DIP, State.RECOVERY)
        )
        path[(at >= begin) & (at <= release)] = down
        path[(at > release) & (at <= end)] = back
    return Decoded(path, spans_of(path), 1.0)
