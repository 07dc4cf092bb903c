"""Owns a temporal model of efforts on trial: what it sees of a clip, and how its answer is read.

A course can only go on in certain ways: rest, rise, hold, fall, rest; a dip from rest or upon a
lift and back. All courses with a given number of efforts are weighed together (forward algorithm
over states and number), and the likeliest of them is taken (Viterbi), for the likeliest number.
Rabiner 1989, Proc IEEE 77(2):257-286 (both algorithms; from memory).
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.channels import CHANNELS, Signals
from layermotion.efforts.excursions import runs
from layermotion.labels import Task

Array = NDArray[np.float64]

# Frames that the model sees in a second (our choice: a cough's descent takes 0.05 to 0.1 s).
RATE_HZ = 25.0
# Lengths that the model takes are multiples of this, frames.
LENGTH_STEP = 16
TASKS: tuple[Task | None, ...] = (None, *Task)
INPUTS = 3 * len(CHANNELS) + len(TASKS)
SCALES = np.array([scale for _, scale in CHANNELS.values()])[:, None]


class Part(IntEnum):
    """Part of the course that a frame belongs to; a dip is a descent by a cough or curl-up."""

    REST = 0
    RISE = 1
    HOLD = 2
    FALL = 3
    DIP = 4


def frames_of(time_s: Array) -> Array:
    """Give the times of the model's frames, s, as many as a multiple of ``LENGTH_STEP``."""
    count = int(np.ceil((time_s[-1] - time_s[0]) * RATE_HZ)) + 1
    count += -count % LENGTH_STEP
    return np.asarray(time_s[0] + np.arange(count) / RATE_HZ)


def inputs_of(signals: Signals, task: Task | None) -> NDArray[np.float32]:
    """Put together what the model sees of a clip.

    Each signal around its middle value, in its own size; the same over its own range, so that
    what is small but clear shows; whether it is measured; and what was asked for.

    Returns
    -------
    ndarray
        float32, shape (INPUTS, T).
    """
    at = frames_of(signals.time_s)
    sized, ranged, seen = (np.zeros((len(CHANNELS), at.size)) for _ in range(3))
    nearest = np.abs(at[:, None] - signals.time_s[None, :]).argmin(axis=1)
    for k, signal in enumerate(signals.value):
        known = ~np.isnan(signal)
        if np.count_nonzero(known) < 2:
            continue
        middle = float(np.median(signal[known]))
        low, high = np.percentile(signal[known], (3, 97))
        seen[k] = known[nearest] & (at <= signals.time_s[-1])
        value = np.interp(at, signals.time_s[known], signal[known]) - middle
        sized[k] = np.arcsinh(value / SCALES[k, 0]) * seen[k]
        ranged[k] = np.clip(value / max(high - low, 1e-6), -2, 2) * seen[k]
    asked = np.zeros((len(TASKS), at.size))
    asked[TASKS.index(task)] = 1
    return np.concatenate([sized, ranged, seen, asked]).astype(np.float32)


class State(IntEnum):
    """State of the course; a dip upon a lift goes back to the lift, or loses it."""

    REST = 0
    RISE = 1
    HOLD = 2
    FALL = 3
    DIP = 4
    DIP_ON_LIFT = 5


FOLLOWING = {
    State.REST: (State.RISE, State.DIP),
    State.RISE: (State.HOLD,),
    State.HOLD: (State.FALL, State.DIP_ON_LIFT),
    State.FALL: (State.REST, State.DIP_ON_LIFT),
    State.DIP: (State.REST,),
    State.DIP_ON_LIFT: (State.HOLD, State.FALL, State.REST),
}
BEGINNINGS = (State.RISE, State.DIP, State.DIP_ON_LIFT)
# What the model says of each state.
SEEN_AS = [Part.REST, Part.RISE, Part.HOLD, Part.FALL, Part.DIP, Part.DIP]
# Most efforts that are told apart, dips among them.
MOST_EFFORTS = 12
IMPOSSIBLE = -1e9
# Log odds against a clip that begins within an effort: held, or in any other part of it (our
# choice: one clip in fifty).
BEGINS_HELD, BEGINS_WITHIN = -4.0, -6.0


@dataclass(frozen=True)
class Span:
    """One effort: its first and last frame, and whether it is a dip."""

    first: int
    last: int
    is_dip: bool


@dataclass(frozen=True, eq=False)
class Decoded:
    """Likeliest course of a clip.

    Parameters
    ----------
    odds
        Shape (MOST_EFFORTS + 1,), probability of each number of efforts.
    path
        Shape (T,), the state of each frame of the model.
    spans
        Efforts in the order of time, in frames of the model.
    """

    odds: Array
    path: NDArray[np.intp]
    spans: tuple[Span, ...]


def decode(log_likely: Array, calm: float, change_cost: float) -> Decoded:
    """Find the likeliest course and the odds of each number of efforts.

    Parameters
    ----------
    log_likely
        Shape (T, parts), logarithm of how likely each part is in each frame by itself.
    calm
        Factor on it below 1, since frames beside each other tell the same.
    change_cost
        Log odds against going on to another part.
    """
    states = len(State)
    step = np.full((states, states), IMPOSSIBLE)
    begins = np.zeros((states, states), bool)
    for state, others in FOLLOWING.items():
        step[state, state] = 0.0
        for other in others:
            step[state, other] = -change_cost
            begins[state, other] = other in BEGINNINGS
    start = np.full((MOST_EFFORTS + 1, states), IMPOSSIBLE)
    start[0, State.REST] = 0.0
    start[1, State.RISE :] = BEGINS_WITHIN
    start[1, State.HOLD] = BEGINS_HELD
    scaled = calm * log_likely[:, SEEN_AS]
    summed = start + scaled[0]
    best = summed.copy()
    came_from = np.zeros((len(scaled), *best.shape), np.int8)
    for frame, own in enumerate(scaled[1:], start=1):
        ways = _ways(summed, step, begins)
        highest = ways.max(axis=1)
        summed = highest + np.log(np.exp(ways - highest[:, None]).sum(axis=1)) + own
        ways = _ways(best, step, begins)
        came_from[frame] = ways.argmax(axis=1)
        best = ways.max(axis=1) + own
    total = np.logaddexp.reduce(summed, axis=1)
    odds = np.exp(total - np.logaddexp.reduce(total))
    number = int(odds.argmax())
    state = int(best[number].argmax())
    path = np.empty(len(scaled), np.intp)
    for frame in range(len(scaled) - 1, -1, -1):
        path[frame] = state
        before = int(came_from[frame, number, state])
        number -= int(frame > 0 and begins[before, state])
        state = before
    return Decoded(odds, path, _spans(path))


def _ways(weight: Array, step: Array, begins: NDArray[np.bool_]) -> Array:
    """Weight of each number and state in this frame by the state before; (number, from, to)."""
    same = weight[:, :, None] + step
    more = np.full_like(same, IMPOSSIBLE)
    more[1:] = same[:-1]
    return np.where(begins, more, same)


def _spans(path: NDArray[np.intp]) -> tuple[Span, ...]:
    """Efforts of a course: what lies between rests, and each dip."""
    is_held = ~np.isin(path, (State.REST, State.DIP))
    is_dip = np.isin(path, (State.DIP, State.DIP_ON_LIFT))
    spans = [Span(*ends, False) for ends in runs(is_held)] + [Span(*e, True) for e in runs(is_dip)]
    return tuple(sorted(spans, key=lambda span: span.first))
