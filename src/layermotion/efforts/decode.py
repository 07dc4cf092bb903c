"""Owns how the course of efforts is read from what the network says of each frame.

A course can only go on in certain ways: rest, rise, hold, fall, rest; a dip from rest or upon a
lift, and back. The likeliest such course is taken (Viterbi: Rabiner 1989, Proc IEEE
77(2):257-286, from memory). How unsure the network is where it is least sure tells how likely its
number of efforts is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.parts import Part

Array = NDArray[np.float64]


class State(IntEnum):
    """State of the course; a dip upon a lift goes back to the lift, or loses it."""

    REST = 0
    RISE = 1
    HOLD = 2
    FALL = 3
    DIP = 4
    RECOVERY = 5
    DIP_ON_LIFT = 6
    RECOVERY_ON_LIFT = 7


FOLLOWING = {
    State.REST: (State.RISE, State.DIP),
    State.RISE: (State.HOLD,),
    State.HOLD: (State.FALL, State.DIP_ON_LIFT),
    State.FALL: (State.REST, State.DIP_ON_LIFT),
    State.DIP: (State.RECOVERY,),
    State.RECOVERY: (State.REST, State.DIP),
    State.DIP_ON_LIFT: (State.RECOVERY_ON_LIFT,),
    State.RECOVERY_ON_LIFT: (State.HOLD, State.FALL, State.REST, State.DIP_ON_LIFT),
}
DIPS, RECOVERIES = (State.DIP, State.DIP_ON_LIFT), (State.RECOVERY, State.RECOVERY_ON_LIFT)
# What the network says of each state.
SEEN_AS = [Part.REST, Part.RISE, Part.HOLD, Part.FALL] + 2 * [Part.DIP, Part.RECOVERY]
# Log odds against a change of part (the best of those tried on filmed scenarios), against one to or
# from a dip, which lasts two or three frames and can pay for no more, and against a clip that
# begins within an effort.
CHANGE_COST, DIP_COST, BEGINS_WITHIN = 7.0, 5.0, 3.0
# No part is less likely than this in a frame, so that no single frame decides.
LEAST_LIKELY = 1e-4
IMPOSSIBLE = -1e9
# Log odds that the number is right where the network is sure of each frame, and how they fall with
# the entropy in the most unsure half second, nats: logistic regression on 1,800 drawn scenarios
# (``scripts/effort_odds.py``).
# ``scripts/efforts.py`` prints how often numbers are right beside how likely they were said to be.
SURE_ODDS, DOUBT_ODDS, DOUBT_FRAMES = 6.5, 5.1, 13


@dataclass(frozen=True)
class Span:
    """One effort, in frames of the network, first and last included.

    Parameters
    ----------
    held_first, held_last
        While it is full: the first hold of a lift up to its last, or the descent of a dip.
    is_dip
        Whether it is a descent by a cough or curl-up.
    on_lift
        Place among the efforts of the lift that a dip lies upon; None where there is none.
    """

    first: int
    last: int
    held_first: int
    held_last: int
    is_dip: bool
    on_lift: int | None = None


@dataclass(frozen=True, eq=False)
class Decoded:
    """Likeliest course of a clip.

    Parameters
    ----------
    path
        Shape (T,), the state of each frame of the network.
    spans
        Efforts in the order of their beginnings.
    likely
        Probability that just so many were made.
    """

    path: NDArray[np.intp]
    spans: tuple[Span, ...]
    likely: float


def decode(likely: Array) -> Decoded:
    """Find the likeliest course, and how likely its number of efforts is.

    Parameters
    ----------
    likely
        Shape (T, parts), how likely each part is in each frame by itself.
    """
    step = np.full((len(State), len(State)), IMPOSSIBLE)
    for state, others in FOLLOWING.items():
        step[state, state] = 0.0
        for other in others:
            is_quick = max(state, other) >= State.DIP
            step[state, other] = -DIP_COST if is_quick else -CHANGE_COST
    log_likely = np.log(np.maximum(likely, LEAST_LIKELY))
    own = log_likely[:, SEEN_AS]
    weight = own[0] - BEGINS_WITHIN
    weight[State.REST] = own[0, State.REST]
    came_from = np.zeros(own.shape, np.int8)
    for frame in range(1, len(own)):
        ways = weight[:, None] + step
        came_from[frame] = ways.argmax(axis=0)
        weight = ways.max(axis=0) + own[frame]
    path = np.empty(len(own), np.intp)
    last = int(weight.argmax())
    for frame in range(len(own) - 1, -1, -1):
        path[frame] = last
        last = int(came_from[frame, last])
    if (path == path[0]).all():
        # What never changes is rest: nothing tells it from a hold.
        path[:] = State.REST
    odds = SURE_ODDS - DOUBT_ODDS * doubt_of(likely)
    return Decoded(path, spans_of(path), float(1 / (1 + np.exp(-odds))))


def surest(courses: Sequence[Decoded]) -> Decoded:
    """Take the course whose number is likeliest of several looks at one clip.

    Where another look finds another number, they cannot both be right: of their odds, taken as
    independent, what is left is the probability that this one is right and the other is not.
    """
    best = max(courses, key=lambda course: course.likely)
    others = [course for course in courses if len(course.spans) != len(best.spans)]
    own, *against = (course.likely / (1 - course.likely) for course in (best, *others))
    return replace(best, likely=own / (1 + own + sum(against)))


def doubt_of(likely: Array) -> float:
    """Mean entropy of the parts in the most unsure half second, nats, from shape (T, parts)."""
    entropy = -(likely * np.log(np.maximum(likely, LEAST_LIKELY))).sum(axis=1)
    width = min(DOUBT_FRAMES, entropy.size)
    return float(np.convolve(entropy, np.full(width, 1 / width), "valid").max())


def spans_of(path: NDArray[np.intp]) -> tuple[Span, ...]:
    """Efforts of a course, a lift before the dips upon it."""
    ends = [0, *(1 + np.flatnonzero(np.diff(path))), path.size]
    spans: list[Span] = []
    lift: int | None = None
    for first, last in ((int(a), int(b) - 1) for a, b in zip(ends[:-1], ends[1:], strict=True)):
        state = State(path[first])
        if state is State.REST:
            lift = None
            continue
        if state in DIPS:
            spans.append(Span(first, last, first, last, True, lift))
        elif state in RECOVERIES:
            spans = spans or [Span(first, last, first, first, True)]
            spans[-1] = replace(spans[-1], last=last)
        elif lift is None:
            lift = len(spans)
            spans.append(Span(first, last, first, last, False))
        if lift is not None:
            own = spans[lift]
            if state is State.HOLD:
                was_held = path[own.held_first] == State.HOLD
                held_first = own.held_first if was_held else first
                own = replace(own, held_first=held_first, held_last=last)
            spans[lift] = replace(own, last=last)
    return tuple(spans)
