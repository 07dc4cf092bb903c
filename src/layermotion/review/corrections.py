"""Owns what a person may correct in a measured clip, as plain data that is stored and read back."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, ClassVar

from layermotion.errors import InputError
from layermotion.labels import STRUCTURES, Structure

NAMES = {
    Structure.FAT: "fat",
    Structure.EO: "EO",
    Structure.IO: "IO",
    Structure.TRA: "TrA",
    Structure.BLADDER: "bladder",
}
EDGES = ("superficial", "deep")
STATES = ("rest", "contracted", "lifted", "regained")
# Handles of an edge that is placed by hand: fewer give no curve, more are drawn by no person.
FEWEST_HANDLES, MOST_HANDLES = 2, 64
# Longest text of a reason, in characters.
LONGEST_REASON = 500


@dataclass(frozen=True)
class Correction:
    """One thing that a person settled; its name in stored data is ``kind``."""

    kind: ClassVar[str] = ""

    def to_json(self) -> dict[str, Any]:
        """Plain data, as ``from_json`` reads it."""
        return {"kind": self.kind, **asdict(self)}


@dataclass(frozen=True)
class MoveEdge(Correction):
    """An edge of a structure goes through these handles in one frame.

    Parameters
    ----------
    edge
        ``superficial`` or ``deep``.
    column_px, row_px
        Handles in pixels of the image area, from left to right.
    """

    kind: ClassVar[str] = "move_edge"
    frame: int
    structure: Structure
    edge: str
    column_px: tuple[float, ...]
    row_px: tuple[float, ...]


@dataclass(frozen=True)
class MoveSite(Correction):
    """Thickness is read at this column of the image area."""

    kind: ClassVar[str] = "move_site"
    site_px: float


@dataclass(frozen=True)
class SetWindow(Correction):
    """Frames ``first`` to ``last``, both included, are the rest or the height of a repeat."""

    kind: ClassVar[str] = "set_window"
    state: str
    repeat: int
    first: int
    last: int


@dataclass(frozen=True)
class LeaveOut(Correction):
    """A repeat is not counted."""

    kind: ClassVar[str] = "leave_out"
    repeat: int
    reason: str


@dataclass(frozen=True)
class TakeIn(Correction):
    """A repeat that was left out counts again."""

    kind: ClassVar[str] = "take_in"
    repeat: int


@dataclass(frozen=True)
class Calibrate(Correction):
    """Size of a pixel, and how it was found: from two points, or from the depth of view."""

    kind: ClassVar[str] = "calibrate"
    row_mm: float
    column_mm: float
    how: str


@dataclass(frozen=True)
class Calliper(Correction):
    """Thickness of a layer between two points of one frame, for the window that holds it.

    Parameters
    ----------
    start, end
        Row and column of both points, in pixels of the image area.
    """

    kind: ClassVar[str] = "calliper"
    frame: int
    structure: Structure
    state: str
    repeat: int
    start: tuple[float, float]
    end: tuple[float, float]


@dataclass(frozen=True)
class Confirm(Correction):
    """These values are right as they stand."""

    kind: ClassVar[str] = "confirm"
    keys: tuple[str, ...]


@dataclass(frozen=True)
class Withdraw(Correction):
    """These values are no longer confirmed."""

    kind: ClassVar[str] = "withdraw"
    keys: tuple[str, ...]


KINDS: dict[str, type[Correction]] = {
    each.kind: each
    for each in (
        MoveEdge, MoveSite, SetWindow, LeaveOut, TakeIn, Calibrate, Calliper, Confirm, Withdraw,
    )
}  # fmt: skip


def correction_from(data: Mapping[str, Any]) -> Correction:
    """Read a correction from plain data, as a page sends it.

    Raises
    ------
    InputError
        If anything in it is unknown, missing or of another type.

    Examples
    --------
    >>> correction_from({"kind": "move_site", "site_px": 120})
    MoveSite(site_px=120.0)
    """
    given = dict(data)
    kind = given.pop("kind", None)
    if not isinstance(kind, str) or kind not in KINDS:
        raise InputError(f"A correction of the kind {kind!r} is not known; use the page's own.")
    own = KINDS[kind]
    names = [each.name for each in fields(own)]
    if set(given) != set(names):
        raise InputError(f"A correction {kind} needs {', '.join(names)}, and nothing else.")
    return own(**{name: _READERS[name](name, given[name]) for name in names})


def said_of(corrections: Sequence[Correction]) -> tuple[str, ...]:
    """Sentence for a report on what a person changed; none where nothing was."""
    said: list[str] = []
    for one in corrections:
        if isinstance(one, MoveEdge):
            said.append(f"{one.edge} edge of {NAMES[one.structure]}")
        elif isinstance(one, Calliper):
            said.append(f"{NAMES[one.structure]} by calliper (its outline stays as found)")
        elif isinstance(one, MoveSite):
            said.append("place of measurement")
        elif isinstance(one, SetWindow):
            said.append(f"window of repeat {one.repeat}")
        elif isinstance(one, LeaveOut):
            said.append(f"repeat {one.repeat} left out ({one.reason})")
        elif isinstance(one, TakeIn):
            said.append(f"repeat {one.repeat} taken in again")
        elif isinstance(one, Calibrate):
            said.append(f"calibration ({one.how})")
    if not said:
        return ()
    return (f"Settled by a person: {'; '.join(dict.fromkeys(said))}.",)


def said_of_lapsed(callipers: Sequence[Calliper]) -> tuple[str, ...]:
    """Sentence for a report on each calliper that a later step made void."""
    return tuple(
        f"The calliper on the {NAMES[one.structure]} "
        f"{'at rest' if one.state == 'rest' else 'at the effort'} of repeat {one.repeat} no longer "
        f"counts, because its window was moved away from it or left out; measure it again if it is "
        f"still needed."
        for one in callipers
    )


def _number(name: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{name} is no number; give one.")
    return float(value)


def _count(name: str, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise InputError(f"{name} is no whole number from 0; give one.")
    return value


def _numbers(name: str, value: Any) -> tuple[float, ...]:
    if not isinstance(value, Sequence) or not FEWEST_HANDLES <= len(value) <= MOST_HANDLES:
        raise InputError(f"{name} needs {FEWEST_HANDLES} to {MOST_HANDLES} numbers.")
    return tuple(_number(name, each) for each in value)


def _point(name: str, value: Any) -> tuple[float, float]:
    row, *rest = _numbers(name, value)
    if len(rest) != 1:
        raise InputError(f"{name} needs a row and a column.")
    return row, rest[0]


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST_REASON:
        raise InputError(f"{name} needs a text of at most {LONGEST_REASON} characters.")
    return value.strip()


def _one_of(name: str, value: Any, allowed: Sequence[str]) -> str:
    if not isinstance(value, str) or value not in allowed:
        raise InputError(f"{name} is one of {', '.join(allowed)}.")
    return value


def _keys(name: str, value: Any) -> tuple[str, ...]:
    if isinstance(value, str) or not isinstance(value, Sequence) or not value:
        raise InputError(f"{name} needs a list of values to confirm.")
    return tuple(_text(name, each) for each in value)


_READERS: dict[str, Callable[[str, Any], Any]] = {
    "frame": _count,
    "first": _count,
    "last": _count,
    "repeat": _count,
    "structure": lambda name, value: Structure(_one_of(name, value, STRUCTURES)),
    "edge": lambda name, value: _one_of(name, value, EDGES),
    "state": lambda name, value: _one_of(name, value, STATES),
    "site_px": _number,
    "column_px": _numbers,
    "row_px": _numbers,
    "start": _point,
    "end": _point,
    "row_mm": _number,
    "column_mm": _number,
    "how": _text,
    "reason": _text,
    "keys": _keys,
}
