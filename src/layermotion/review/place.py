"""Owns one clip of a review: where it stands, what a person has to do, and its changes."""

import base64
import threading
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from layermotion.edges.recording import ClipEdges
from layermotion.errors import InputError
from layermotion.labels import Structure
from layermotion.measures.measure import Measure, Status
from layermotion.review.confirming import is_measured, key_of
from layermotion.review.desk import Desk
from layermotion.review.sources import Listed

CHECKED = (Status.CONFIRMED, Status.CORRECTED)
# What is looked for first in a clip: measure, structure and unit, the first of which is known.
CHIEF = (
    ("thickness_change", Structure.TRA, "%"),
    ("base_displacement", Structure.BLADDER, "mm"),
    ("thickness_rest", Structure.TRA, "mm"),
)


class Stage(StrEnum):
    """How far the measuring of a clip has come."""

    WAITING = "waiting"
    MEASURING = "measuring"
    READY = "ready"
    FAILED = "failed"


@dataclass(eq=False)
class Place:
    """One clip among those of a visit.

    Parameters
    ----------
    number
        Its place in the list; the page knows it by nothing else.
    problem
        Why it could not be measured, or what could not be taken up again from the record.
    is_seen
        Whether every window of it was on the screen.
    lock
        Held by whoever reads or changes the desk.
    """

    number: int
    listed: Listed
    clip_id: str = ""
    stage: Stage = Stage.WAITING
    problem: str = ""
    desk: Desk | None = None
    is_seen: bool = False
    lock: threading.RLock = field(default_factory=threading.RLock)

    @property
    def opened(self) -> Desk:
        """The desk of a measured clip.

        Raises
        ------
        InputError
            If it is not measured yet, or could not be.
        """
        if self.desk is None:
            raise InputError(self.problem or "The clip is still being measured; wait a moment.")
        return self.desk

    @property
    def measured(self) -> list[Measure]:
        """Values that a person confirms; none before it is measured."""
        if self.desk is None:
            return []
        return [measure for measure in self.desk.analysis.measures if is_measured(measure)]

    @property
    def unconfirmed(self) -> list[Measure]:
        """Measured values that still wait to be confirmed."""
        return [m for m in self.measured if m.value is not None and m.status not in CHECKED]

    def summary(self) -> dict[str, Any]:
        """Say what the list of clips shows of it."""
        own = self.measured
        missing = [m for m in own if m.value is None]
        return {
            "number": self.number,
            "side": str(self.listed.side),
            "task": self.listed.task,
            "repeat": self.listed.repeat,
            "stage": str(self.stage),
            "problem": self.problem,
            "is_seen": self.is_seen,
            "missing": [
                {"structure": m.structure, "name": m.name, "repeat": m.repeat} for m in missing
            ],
            "chief": self._chief(),
            "cautions": len(self.desk.analysis.cautions) if self.desk else 0,
            "confirmed": sum(m.status in CHECKED for m in own),
            "corrected": sum(m.status is Status.CORRECTED for m in own),
            "to_confirm": len(own) - len(missing),
        }

    def _chief(self) -> dict[str, Any] | None:
        """Give the number that is asked for first; None where it is not known."""
        for name, structure, unit in CHIEF if self.desk else ():
            own = [
                m
                for m in self.opened.analysis.measures
                if (m.name, m.structure, m.unit) == (name, structure, unit) and m.value is not None
            ]
            # The mean of repeats stands last.
            if own:
                return {"structure": structure, "name": name, "value": own[-1].value, "unit": unit}
        return None

    def told(self) -> dict[str, Any]:
        """Say all that the bench shows of it, but for its outlines and pictures."""
        desk = self.opened
        return {
            "shown": desk.shown(),
            "can_undo": bool(desk.steps),
            "is_seen": self.is_seen,
        }


def renewed_outlines(desk: Desk, before: ClipEdges) -> dict[str, object] | None:
    """Give the outlines that were made anew since; None where none was.

    Parameters
    ----------
    before
        Edges of every frame as they were.

    Returns
    -------
    dict
        ``first`` and ``last`` frame, and ``rows``: what ``Desk.outlines`` gives of them, in base64.
    """
    now = desk.analysis.footage.edges
    frames = [k for k in range(len(now)) if now[k] is not before[k]]
    if not frames:
        return None
    first, last = frames[0], frames[-1]
    rows = base64.b64encode(desk.outlines(first, last)).decode("ascii")
    return {"first": first, "last": last, "rows": rows}


def values_by_key(desk: Desk) -> dict[str, float | None]:
    """Measured values of a clip by their keys."""
    return {key_of(m): m.value for m in desk.analysis.measures if is_measured(m)}


def difference(
    before: dict[str, float | None], now: dict[str, float | None]
) -> tuple[dict[str, float | None], dict[str, float | None]]:
    """Values that a change touched, as they were and as they are."""
    keys = [k for k in {**before, **now} if before.get(k) != now.get(k)]
    return {k: before.get(k) for k in keys}, {k: now.get(k) for k in keys}
