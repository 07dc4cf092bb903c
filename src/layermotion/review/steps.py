"""Owns the steps of a review as the record keeps them, and how they are done again."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from layermotion.labels import Task
from layermotion.record.entries import AMENDMENT, Event, Visit
from layermotion.record.store import Record
from layermotion.review.confirming import is_same
from layermotion.review.corrections import Confirm, correction_from
from layermotion.review.place import Place, values_by_key
from layermotion.review.sources import Listed
from layermotion.session.plan import Side

# Kinds of events that a review writes.
CORRECTED, UNDONE, SEEN, HANDED_OVER = "corrected", "undone", "seen", "handed_over"
SIDE_CHOSEN = "side_chosen"
CHANGED = (
    "Some values are not those that were confirmed earlier: the tool measures otherwise now, or "
    "another scale, rate or view is stated. Look at them again."
)
SIGNED_OTHERWISE = (
    "This clip stays what it was signed as, though its name or the table says otherwise now; if "
    "that was wrong, withdraw the visit under Sign, and review the clip again."
)
OF_ANOTHER_VISIT = (
    "This clip is not of the visit of {day}, which the others are of; review it from a folder of "
    "its own."
)


@dataclass(frozen=True)
class Step:
    """One thing that was done to a clip for an amendment; as the event of an open visit."""

    clip_id: str
    kind: str
    payload: Mapping[str, Any]
    why: str

    def to_json(self) -> dict[str, Any]:
        """Plain data, as ``steps_of`` reads it."""
        return {
            "clip": self.clip_id,
            "kind": self.kind,
            "payload": dict(self.payload),
            "why": self.why,
        }


def steps_of(event: Event) -> Iterator[Step]:
    """Give what an event did to clips: itself, or all that was done for an amendment."""
    if event.kind == AMENDMENT:
        for one in event.payload.get("steps", ()):
            yield Step(one["clip"], one["kind"], one["payload"], one["why"])
    elif event.clip_id is not None:
        yield Step(event.clip_id, event.kind, event.payload, event.why)


def amendments_in(record: Record, visit: Visit | None) -> list[dict[str, str]]:
    """List what was added to a visit after signing, each with when, who and why."""
    if visit is None or not visit.is_signed:
        return []
    return [
        {"when": event.when, "who": event.who, "text": event.why}
        for event in record.events(visit.visit_id)
        if event.kind == AMENDMENT
    ]


def as_signed(listed: Listed, facts: Mapping[str, str]) -> Listed:
    """Take a clip for what it was signed as; facts that a record lacks stay as they are listed."""
    if "side" not in facts:
        return listed
    task = None if facts["task"] == "unstated" else Task(facts["task"])
    return replace(
        listed,
        side=Side(facts["side"]),
        task=task,
        repeat=int(facts["recording"]),
        site=facts["site"],
        options=replace(listed.options, task=task),
        is_side_known=True,
    )


def take_side(place: Place, side: Side, number: int) -> None:
    """Take a clip for the recording of this number on a side."""
    place.listed = replace(place.listed, side=side, repeat=number, is_side_known=True)


def repeat(place: Place, step: Step) -> None:
    """Do again what the record says was done with a clip.

    Raises
    ------
    LayermotionError
        If it does not fit the clip.
    """
    desk = place.opened
    if step.kind == SIDE_CHOSEN:
        take_side(place, Side(step.payload["side"]), step.payload["repeat"])
    elif step.kind == SEEN:
        place.is_seen = True
    elif step.kind == UNDONE:
        desk.undo()
    elif step.kind == CORRECTED:
        correction = correction_from(step.payload["correction"])
        if isinstance(correction, Confirm):
            now, then = values_by_key(desk), step.payload["to"]
            kept = tuple(k for k in correction.keys if is_same(now.get(k), then.get(k)))
            if kept != correction.keys:
                place.problem = CHANGED
            if not kept:
                return
            correction = replace(correction, keys=kept)
        desk.apply(correction)
