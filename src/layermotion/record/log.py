"""Owns the audit trail in the file: writing events, reading them, and finding one that changed."""

import json
import secrets
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from layermotion.errors import RecordError
from layermotion.record.chain import (
    SALT_BYTES,
    START,
    BrokenChainError,
    canonical,
    digest_of,
    hash_of,
    numbers_in,
)
from layermotion.record.entries import PATIENT_DELETED, Event

SELECT = (
    "SELECT contents.number, about, payload, chain.hash, digest, salt "
    "FROM contents JOIN chain USING (number) WHERE "
)


def write_event(
    connection: sqlite3.Connection,
    kind: str,
    payload: Mapping[str, Any],
    who: str,
    why: str = "",
    *,
    patient_id: str | None = None,
    visit_id: str | None = None,
    clip_id: str | None = None,
) -> Event:
    """Add an event to the end of the trail.

    Raises
    ------
    RecordError
        If JSON cannot hold the payload.
    """
    facts = {
        "when": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "patient_id": patient_id,
        "visit_id": visit_id,
        "clip_id": clip_id,
        "kind": kind,
        "who": who.strip(),
        "why": why.strip(),
    }
    try:
        about, text = canonical(facts), canonical(payload)
        f"{about}{text}".encode()
    except (TypeError, ValueError) as error:
        raise RecordError(
            f"An event of kind {kind} cannot be kept ({error}); give texts and finite numbers."
        ) from error
    last, previous = connection.execute("SELECT number, hash FROM head").fetchone()
    number, salt = last + 1, secrets.token_bytes(SALT_BYTES)
    digest = digest_of(salt, about, text)
    chained = hash_of(previous, number, digest)
    connection.execute("INSERT INTO chain VALUES (?, ?, ?)", (number, digest, chained))
    connection.execute(
        "INSERT INTO contents (number, salt, about, payload) VALUES (?, ?, ?, ?)",
        (number, salt, about, text),
    )
    connection.execute("UPDATE head SET number = ?, hash = ?", (number, chained))
    return read_event(number, about, text, chained)


def read_event(number: int, about: str, payload: str, chained: bytes) -> Event:
    """Event from its row; what was written is what is read, so that both look alike."""
    return Event(
        number=number, hash=chained.hex(), payload=json.loads(payload), **json.loads(about)
    )


def select_events(
    connection: sqlite3.Connection, where: str, values: Sequence[object]
) -> tuple[Event, ...]:
    """Events that fit a condition, in the order of writing.

    Raises
    ------
    BrokenChainError
        If one of them is not what was written.
    """
    events = []
    rows = connection.execute(f"{SELECT} {where} ORDER BY contents.number", values)
    for number, about, payload, chained, digest, salt in rows:
        if digest != digest_of(salt, about, payload):
            raise BrokenChainError(number)
        events.append(read_event(number, about, payload, chained))
    return tuple(events)


def check_trail(connection: sqlite3.Connection) -> None:
    """Walk through the whole trail.

    Raises
    ------
    BrokenChainError
        With the first event that does not fit.
    """
    previous, number = START, 0
    missing: set[int] = set()
    for row in _rows(connection):
        expected = number + 1
        number, digest, chained, salt, about, payload = row
        if number != expected or chained != hash_of(previous, number, digest):
            raise BrokenChainError(min(number, expected))
        if salt is None:
            missing.add(number)
        elif digest != digest_of(salt, about, payload):
            raise BrokenChainError(number)
        previous = chained
    erased: set[int] = set()
    for event in select_events(connection, "kind = ?", (PATIENT_DELETED,)):
        erased.update(numbers_in(event.payload["events"]))
    (loose,) = connection.execute(
        "SELECT min(number) FROM contents WHERE number NOT IN (SELECT number FROM chain)"
    ).fetchone()
    wrong = missing ^ erased
    if loose is not None:
        wrong.add(loose)
    if connection.execute("SELECT number, hash FROM head").fetchall() != [(number, previous)]:
        wrong.add(number + 1)
    if wrong:
        raise BrokenChainError(min(wrong))


def _rows(connection: sqlite3.Connection) -> Iterator[Any]:
    return connection.execute(
        "SELECT chain.number, digest, hash, salt, about, payload FROM chain LEFT JOIN contents "
        "USING (number) ORDER BY chain.number"
    )
