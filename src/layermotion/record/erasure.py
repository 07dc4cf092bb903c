"""Owns deleting a patient for good: what goes, what stays as proof, and the receipt."""

import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from glob import escape
from pathlib import Path
from typing import Any

from layermotion import __version__
from layermotion.record.chain import numbers_in, ranges
from layermotion.record.database import Database
from layermotion.record.entries import (
    CLIP_ADDED,
    PATIENT_DELETED,
    REMAINS_CLEARED,
    SIGNED,
    VISIT_BEGUN,
    Event,
)
from layermotion.record.log import select_events, write_event

SCHEMA, SCHEMA_VERSION = "layermotion-deletion", "1.0"
NOTE = (
    "The texts and salts of these events are gone from the record, and so is all that was held of "
    "the patient. Their hashes stay, so that the chain still holds; without the salts they tell "
    "nothing. Back-ups, exports and reports made before, and records that restoring kept, still "
    "hold the patient: delete them too."
)


@dataclass(frozen=True)
class Receipt:
    """Proof that a patient was deleted; it names nobody but who did it.

    Parameters
    ----------
    number
        Of the event that says so.
    events
        First and last number of each range of deleted events.
    hashes
        Of the deleted events in the chain, hexadecimal; an export made before holds the same.
    visits, clips, signatures
        How many there were.
    hash
        Of the event that says so; it stands for the whole record up to it.
    cleared_at
        When the file was written anew without the deleted texts.
    """

    number: int
    when: str
    who: str
    why: str
    events: tuple[tuple[int, int], ...]
    hashes: tuple[str, ...]
    visits: int
    clips: int
    signatures: int
    hash: str
    cleared_at: str

    def to_json(self) -> dict[str, Any]:
        """Receipt as a document of its own."""
        about = {"schema": SCHEMA, "schema_version": SCHEMA_VERSION}
        return {**about, "software": f"layermotion {__version__}", **asdict(self), "note": NOTE}


@dataclass(frozen=True)
class Deletion:
    """Whom to delete, who does it and why."""

    patient_id: str
    who: str
    why: str


def erase(database: Database, deletions: Sequence[Deletion]) -> None:
    """Delete all that is held of patients, and say so in the trail.

    Raises
    ------
    RecordError
        If another program has the record open, so that remains might stay in its log.
    """
    with database.alone():
        with database.writing() as connection:
            for deletion in deletions:
                held = select_events(connection, "patient_id = ?", (deletion.patient_id,))
                connection.execute(
                    "DELETE FROM contents WHERE patient_id = ?", (deletion.patient_id,)
                )
                payload = {"events": ranges([event.number for event in held]), **_counts(held)}
                write_event(connection, PATIENT_DELETED, payload, deletion.who, deletion.why)
        clear_remains(database)


def clear_remains(database: Database) -> None:
    """Write the file anew after a deletion, and say so in the trail; call it while alone."""
    database.vacuum()
    remove_unfinished(database.path)
    with database.writing() as connection:
        write_event(connection, REMAINS_CLEARED, {}, "layermotion")


def remove_unfinished(path: Path) -> None:
    """Remove copies beside a record that were never finished, because their writer was killed."""
    for left in path.parent.glob(f".{escape(path.stem)}-*"):
        left.unlink(missing_ok=True)


def finish_erasure(database: Database) -> None:
    """Clear the remains of a deletion that was stopped before its end; mostly there are none.

    Raises
    ------
    RecordError
        If that is so, and another program has the record open.
    """
    with database.reading() as connection:
        last, cleared = (
            max(
                (event.number for event in select_events(connection, "kind = ?", (kind,))),
                default=0,
            )
            for kind in (PATIENT_DELETED, REMAINS_CLEARED)
        )
    if last > cleared:
        with database.alone():
            clear_remains(database)


def receipts(connection: sqlite3.Connection) -> tuple[Receipt, ...]:
    """Receipts of all deletions, in the order of writing."""
    cleared = select_events(connection, "kind = ?", (REMAINS_CLEARED,))
    return tuple(
        _receipt(connection, event, next((c.when for c in cleared if c.number > event.number), ""))
        for event in select_events(connection, "kind = ?", (PATIENT_DELETED,))
    )


def _receipt(connection: sqlite3.Connection, event: Event, cleared_at: str) -> Receipt:
    payload = event.payload
    hashes = [
        connection.execute("SELECT hash FROM chain WHERE number = ?", (number,)).fetchone()[0].hex()
        for number in numbers_in(payload["events"])
    ]
    return Receipt(
        number=event.number,
        when=event.when,
        who=event.who,
        why=event.why,
        events=tuple((first, last) for first, last in payload["events"]),
        hashes=tuple(hashes),
        visits=payload["visits"],
        clips=payload["clips"],
        signatures=payload["signatures"],
        hash=event.hash,
        cleared_at=cleared_at,
    )


def _counts(events: Sequence[Event]) -> dict[str, int]:
    kinds = [event.kind for event in events]
    return {
        "visits": kinds.count(VISIT_BEGUN),
        "clips": len({(e.visit_id, e.clip_id) for e in events if e.kind == CLIP_ADDED}),
        "signatures": kinds.count(SIGNED),
    }
