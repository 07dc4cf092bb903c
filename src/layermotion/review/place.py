"""Owns one clip of a review: where it stands, what a person has to do, and its changes."""

import base64
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import count
from typing import Any

from layermotion.edges.recording import ClipEdges
from layermotion.errors import InputError
from layermotion.labels import Structure
from layermotion.measures.measure import Measure, Status
from layermotion.measures.repeats import overall
from layermotion.record.entries import SignedValue
from layermotion.report.patterns import holds_zero
from layermotion.review.confirming import key_of, measured_of
from layermotion.review.corrections import MoveSite
from layermotion.review.desk import Desk
from layermotion.review.sources import Listed
from layermotion.session.plan import Side
from layermotion.session.results import rows_of, summarise
from layermotion.session.sentences import no_mean_sentences

CHECKED = (Status.CONFIRMED, Status.CORRECTED)
# What is looked for first in a clip: measure, structure and unit, the first of which is known.
CHIEF = (
    ("thickness_change", Structure.TRA, "%"),
    ("base_displacement", Structure.BLADDER, "mm"),
    ("thickness_rest", Structure.TRA, "mm"),
)

# Why a visit cannot be signed yet.
REFUSED = {
    "measuring": "Some clips are still being measured; wait for them.",
    "unconfirmed": "{number} values are not confirmed yet; confirm them, or leave the repeat out.",
    "side": "Clips whose side is not stated: {number}. Choose it in the list of clips.",
    "nothing": "No value is confirmed, so there is nothing to sign; confirm some first.",
}


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
    revision
        How often what is settled of it has changed.
    stated
        What name, table and options say of it, before a person chose a side.
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
    revision: int = 0
    lock: threading.RLock = field(default_factory=threading.RLock)
    stated: Listed = field(init=False)

    def __post_init__(self) -> None:
        self.stated = self.listed

    @property
    def can_choose_side(self) -> bool:
        """Whether neither name, table nor option states its side."""
        return not self.stated.is_side_known

    def start_anew(self) -> bool:
        """Forget what a person did with it; tell whether it must be measured, as something else."""
        with self.lock:
            is_alike = (self.listed.task, self.listed.site) == (self.stated.task, self.stated.site)
            self.listed, self.is_seen = self.stated, False
            self.revision += 1
            if self.desk is None:
                return False
            self.problem = ""
            if is_alike:
                self.desk.clear()
            else:
                self.desk, self.stage = None, Stage.MEASURING
            return not is_alike

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
    def measured(self) -> tuple[Measure, ...]:
        """Values that a person confirms; none before it is measured."""
        return measured_of(self.desk.analysis.measures) if self.desk else ()

    @property
    def unconfirmed(self) -> list[Measure]:
        """Measured values that still wait to be confirmed."""
        return [m for m in self.measured if m.value is not None and m.status not in CHECKED]

    @property
    def site(self) -> str:
        """Where thickness is read: as listed, or the column that a person moved it to."""
        steps = self.desk.steps if self.desk else ()
        moved = [step.site_px for step in steps if isinstance(step, MoveSite)]
        return f"by-hand:{moved[-1]:.0f}" if moved else self.listed.site

    @property
    def cautions(self) -> int:
        """How many sentences on it a reader must know."""
        return len(self.desk.analysis.all_cautions) if self.desk else 0

    def summary(self) -> dict[str, Any]:
        """Say what the list of clips shows of it."""
        own = self.measured
        missing = [m for m in own if m.value is None]
        return {
            "number": self.number,
            "side": str(self.listed.side) if self.listed.is_side_known else "",
            "can_choose_side": self.can_choose_side,
            "task": self.listed.task,
            "repeat": self.listed.repeat,
            "stage": str(self.stage),
            "problem": self.problem,
            "is_seen": self.is_seen,
            "missing": [
                {"structure": m.structure, "name": m.name, "repeat": m.repeat} for m in missing
            ],
            "chief": self._chief(),
            "cautions": self.cautions,
            "confirmed": sum(m.status in CHECKED for m in own),
            "corrected": sum(m.status is Status.CORRECTED for m in own),
            "to_confirm": len(own) - len(missing),
        }

    def _chief(self) -> dict[str, Any] | None:
        """Give the number that is asked for first; None where it is not known."""
        for name, structure, unit in CHIEF if self.desk else ():
            found = overall(self.opened.analysis.measures, name, structure, unit)
            if found is not None and found.value is not None:
                return {"structure": structure, "name": name, "value": found.value, "unit": unit,
                        "is_beyond": not holds_zero(found)}  # fmt: skip
        return None

    def told(self) -> dict[str, Any]:
        """Say all that the bench shows of it, but for its outlines and pictures."""
        desk = self.opened
        return {
            "shown": desk.shown(),
            "can_undo": bool(desk.steps),
            "is_seen": self.is_seen,
            "revision": self.revision,
        }


def in_order(places: Iterable[Place]) -> list[Place]:
    """Clips that need a person first, then those with a caution, the others, those not measured."""

    def rank(place: Place) -> tuple[bool, bool, bool, int]:
        is_ready = place.stage is Stage.READY
        needs = place.stage is Stage.FAILED or any(m.value is None for m in place.measured)
        return not (is_ready or needs), not needs, not place.cautions, place.number

    return sorted(places, key=rank)


def free_number(places: Iterable[Place], place: Place, side: Side) -> int:
    """Give the first number that is free for a clip among those of its task on a side."""
    others = {
        one.listed.repeat
        for one in places
        if one is not place and (one.listed.side, one.listed.task) == (side, place.listed.task)
    }
    return next(number for number in count(1) if number not in others)


def signed_values(places: Iterable[Place]) -> list[SignedValue]:
    """List the confirmed and corrected values of all clips."""
    return [
        SignedValue.of(place.clip_id, place.listed.side, measure)
        for place in places
        if place.desk is not None
        for measure in place.desk.analysis.measures
        if measure.status in CHECKED
    ]


def no_means(places: Iterable[Place]) -> list[str]:
    """Say which tasks have no mean because their recordings are not alike."""
    rows = [
        row
        for place in places
        if place.desk is not None and place.listed.is_side_known
        for row in rows_of(
            place.desk.analysis.measures,
            side=place.listed.side,
            task=place.listed.task or "unstated",
            number=place.listed.repeat,
            clip=place.clip_id,
            is_lateral_known=place.desk.analysis.is_lateral_known,
        )
    ]
    return list(no_mean_sentences(summarise(rows)))


def why_not_sign(places: Sequence[Place]) -> dict[str, Any]:
    """Say by a key of ``REFUSED`` why a visit cannot be signed yet; empty where it can."""
    left = sum(len(place.unconfirmed) for place in places)
    sides = sum(not p.listed.is_side_known for p in places if p.desk is not None)
    key = ""
    if any(p.stage in (Stage.WAITING, Stage.MEASURING) for p in places):
        key = "measuring"
    elif left:
        key = "unconfirmed"
    elif sides:
        key, left = "side", sides
    elif not signed_values(places):
        key = "nothing"
    return {"key": key, "number": left}


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
    return {key_of(m): m.value for m in measured_of(desk.analysis.measures)}


def difference(
    before: dict[str, float | None], now: dict[str, float | None]
) -> tuple[dict[str, float | None], dict[str, float | None]]:
    """Values that a change touched, as they were and as they are."""
    keys = [k for k in {**before, **now} if before.get(k) != now.get(k)]
    return {k: before.get(k) for k in keys}, {k: now.get(k) for k in keys}
