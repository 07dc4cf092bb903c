"""Owns measures: rest, contraction and change, each with an interval, from a series."""

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """How far a measure has come; only a clinician sets the last two."""

    DRAFT = "draft"
    NEEDS_MANUAL = "needs_manual"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"


@dataclass(frozen=True)
class Measure:
    """One number of the record.

    Parameters
    ----------
    name
        ``thickness_rest``, ``thickness_contracted``, ``thickness_change``, ...
    structure
        ``fat``, ``eo``, ``io``, ``tra`` or ``bladder``.
    task
        The task in force, or ``unstated``.
    repeat
        ``1``, ``2``, ... or ``mean``.
    value, low, high
        The value and its 95 % interval in ``unit``; None where it needs a person.
    unit
        ``mm``, ``%`` or ``ratio``.
    status, reason
        ``draft`` with an empty reason, or ``needs_manual`` with a sentence.
    frames
        Frames used, ``first-last`` ranges as text, such as ``0-14;62-80``.
    method
        One sentence on how it was computed.
    """

    name: str
    structure: str
    task: str
    repeat: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    status: Status
    reason: str
    frames: str
    method: str


@dataclass(frozen=True)
class Window:
    """Frames ``first`` to ``last``, both included, in one state (``rest`` or ``contracted``)."""

    state: str
    first: int
    last: int
    repeat: int
