"""Owns reading patients, visits and clips from their events, and refusing what does not fit."""

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import date

from layermotion.errors import RecordError
from layermotion.record.entries import (
    AMENDMENT,
    CLIP_ADDED,
    PATIENT_ADDED,
    SIGNED,
    VISIT_BEGUN,
    VISIT_WITHDRAWN,
    Event,
    HeldClip,
    Patient,
    SignedValue,
    Visit,
    read_facts,
)
from layermotion.record.log import select_events


def read_patients(connection: sqlite3.Connection) -> tuple[Patient, ...]:
    """Every patient, in the order in which they were added."""
    events = select_events(connection, "kind = ?", (PATIENT_ADDED,))
    return tuple(Patient(str(event.patient_id), event.payload["code"]) for event in events)


def read_patient(connection: sqlite3.Connection, patient_id: str) -> Patient:
    """One patient; refuse one that is not there."""
    where = "patient_id = ? AND kind = ?"
    for event in select_events(connection, where, (patient_id, PATIENT_ADDED)):
        return Patient(patient_id, event.payload["code"])
    raise RecordError(f"The record holds no patient {patient_id}; list the patients anew.")


def visit_of(connection: sqlite3.Connection, begun: Event) -> Visit:
    """Visit from the event that began it."""
    where = "visit_id = ? AND kind = ?"
    signed = select_events(connection, where, (begun.visit_id, SIGNED))
    withdrawn = select_events(connection, where, (begun.visit_id, VISIT_WITHDRAWN))
    return Visit(
        visit_id=str(begun.visit_id),
        patient_id=str(begun.patient_id),
        day=date.fromisoformat(begun.payload["day"]),
        is_signed=bool(signed),
        signed_by=signed[0].who if signed else "",
        signed_at=signed[0].when if signed else "",
        withdrawn_by=withdrawn[0].who if withdrawn else "",
    )


def read_visit(connection: sqlite3.Connection, visit_id: str) -> Visit:
    """One visit; refuse one that is not there."""
    begun = select_events(connection, "visit_id = ? AND kind = ?", (visit_id, VISIT_BEGUN))
    if not begun:
        raise RecordError(f"The record holds no visit {visit_id}; list the visits anew.")
    return visit_of(connection, begun[0])


def last_number(connection: sqlite3.Connection, visit_id: str) -> int:
    """Give the number of the last event of a visit."""
    where = "SELECT max(number) FROM contents WHERE visit_id = ?"
    return int(connection.execute(where, (visit_id,)).fetchone()[0])


def read_counting(connection: sqlite3.Connection, visit_id: str) -> Visit:
    """One visit that still counts; refuse one that was withdrawn."""
    visit = read_visit(connection, visit_id)
    if visit.is_withdrawn:
        raise RecordError(
            f"The visit of {visit.day} was withdrawn by {visit.withdrawn_by}, so nothing is added "
            f"to it; open its clips again to begin another visit."
        )
    return visit


def read_clips(connection: sqlite3.Connection, visit_id: str) -> tuple[HeldClip, ...]:
    """Clips of a visit with their last facts, also those of amendments."""
    events = select_events(
        connection, "visit_id = ? AND kind IN (?, ?)", (visit_id, CLIP_ADDED, AMENDMENT)
    )
    last: dict[str, Mapping[str, str]] = {}
    for event in events:
        if event.kind == CLIP_ADDED:
            last[str(event.clip_id)] = event.payload["facts"]
        else:
            last |= read_facts(event.payload)
    return tuple(HeldClip(clip_id, facts) for clip_id, facts in last.items())


def need_clips(connection: sqlite3.Connection, visit_id: str, clip_ids: Sequence[str]) -> None:
    """Refuse clips that a visit does not hold."""
    need_held([clip.clip_id for clip in read_clips(connection, visit_id)], clip_ids)


def need_held(held: Sequence[str], clip_ids: Sequence[str]) -> None:
    """Refuse clips that are not among those held."""
    for clip_id in clip_ids:
        if clip_id not in held:
            raise RecordError(f"The visit holds no clip {clip_id}; add it to the visit first.")


def refuse_signed(visit: Visit) -> None:
    """Refuse to change a signed visit."""
    if visit.is_signed:
        raise RecordError(
            f"The visit of {visit.day} was signed by {visit.signed_by}, so it is read-only; add an "
            f"amendment."
        )


def refuse_twice(values: Sequence[SignedValue]) -> None:
    """Refuse a value that stands twice."""
    seen: set[tuple[str, ...]] = set()
    for value in values:
        if value.key in seen:
            raise RecordError(
                f"{value.structure} {value.name}, repeat {value.repeat} stands twice among the "
                f"values of one clip; give it once."
            )
        seen.add(value.key)


def need_who(who: str) -> None:
    """Refuse that nobody does something."""
    if not who.strip():
        raise RecordError("The record needs to know who does this; give a name or initials.")
