"""Owns the consent ledger: who agreed to what, when, until when; a history that only grows.

One SQLite file. Triggers refuse every change of a row, so a withdrawal is one more row, and what
was valid on a past day can always be found out. A withdrawal stands until a new consent: one of a
later day, written down after it. Subjects appear by pseudonym alone.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path

from layermotion.consent.store import transaction
from layermotion.errors import InputError

COLUMNS = "number, subject, event, scope, day, expiry, recorded_by, recorded_at"
# A row that says what another one says already adds nothing.
IS_KNOWN = (
    "SELECT 1 FROM history WHERE subject = ? AND event = 'consent' AND scope = ? AND day = ? AND "
    "expiry IS ?"
)


class Scope(StrEnum):
    """What a subject agrees to."""

    TRAINING = "training"
    EVALUATION = "evaluation"


class Event(StrEnum):
    """What happened to a consent."""

    CONSENT = "consent"
    WITHDRAWAL = "withdrawal"


@dataclass(frozen=True)
class Consent:
    """What a subject agreed to.

    Parameters
    ----------
    subject
        Pseudonym.
    day, expiry
        First and last day on which it holds; no expiry means no end.
    """

    subject: str
    scopes: tuple[Scope, ...]
    day: date
    expiry: date | None

    def __post_init__(self) -> None:
        if not self.scopes:
            raise InputError("A consent needs a scope; give training, evaluation, or both.")
        if self.expiry is not None and self.expiry < self.day:
            raise InputError(
                f"The consent would expire on {self.expiry}, before it begins on {self.day}; "
                f"correct one."
            )


@dataclass(frozen=True)
class Entry:
    """One row of the history.

    Parameters
    ----------
    day
        From when on it holds, that day included.
    expiry
        Last day on which a consent holds; None for no end.
    recorded_by, recorded_at
        Who wrote the row, and when (UTC, ISO 8601).
    """

    number: int
    subject: str
    event: Event
    scope: Scope
    day: date
    expiry: date | None
    recorded_by: str
    recorded_at: str


class Ledger:
    """The consent ledger of one laboratory; each call opens the file anew."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with transaction(path):
            pass

    def record(self, consents: Sequence[Consent], recorded_by: str) -> int:
        """Write down that subjects agreed: all of these consents, or none.

        Returns
        -------
        int
            How many consents are new; one that is known already adds nothing.

        Raises
        ------
        InputError
            If a day lies ahead, or the recorder is missing.
        """
        by = _recorder([c.day for c in consents], recorded_by)
        added = 0
        with transaction(self.path) as connection:
            connection.execute("BEGIN IMMEDIATE")  # what is known must not change until it is told
            for consent in consents:
                end = consent.expiry.isoformat() if consent.expiry else None
                is_new = False
                for scope in consent.scopes:
                    row = (consent.subject, scope, consent.day.isoformat(), end)
                    if connection.execute(IS_KNOWN, row).fetchone() is None:
                        is_new = True
                        _insert(connection, Event.CONSENT, row, by)
                added += is_new
        return added

    def withdraw(self, subject: str, day: date, recorded_by: str) -> None:
        """Write down that a subject withdrew every scope, from ``day`` on.

        Raises
        ------
        InputError
            If the subject never agreed, the day lies ahead, or the recorder is missing.
        """
        if not self.history(subject):
            raise InputError(f"There is no consent of {subject} to withdraw; check the identifier.")
        by = _recorder([day], recorded_by)
        with transaction(self.path) as connection:
            for scope in Scope:
                _insert(connection, Event.WITHDRAWAL, (subject, scope, day.isoformat(), None), by)

    def history(self, subject: str | None = None) -> tuple[Entry, ...]:
        """All rows, or those of one subject, in the order in which they were written."""
        where, values = ("WHERE subject = ?", (subject,)) if subject else ("", ())
        with transaction(self.path) as connection:
            rows = connection.execute(
                f"SELECT {COLUMNS} FROM history {where} ORDER BY number", values
            ).fetchall()
        return tuple(
            Entry(
                number, name, Event(event), Scope(scope), date.fromisoformat(day),
                date.fromisoformat(expiry) if expiry else None, recorded_by, recorded_at,
            )
            for number, name, event, scope, day, expiry, recorded_by, recorded_at in rows
        )  # fmt: skip

    def scopes_of(self, subject: str, on: date) -> frozenset[Scope]:
        """Return what a subject's consent covers on a day, its first and its last day included.

        Of several consents the one with the latest day counts, on one day the one written last.
        """
        return _scopes(self.history(subject), on)

    def day_of_use(self, today: date) -> date:
        """Day by which a use is judged: never before one that the history knows.

        No row lies ahead when it is written, so a clock that says less was set back; by it a
        withdrawal of yesterday would not yet have come.
        """
        with transaction(self.path) as connection:
            (last,) = connection.execute("SELECT max(day) FROM history").fetchone()
        return max(today, date.fromisoformat(last)) if last else today

    def subjects(self, on: date) -> dict[str, frozenset[Scope]]:
        """Every subject of the history, with what the consent covers on a day."""
        return {subject: _scopes(entries, on) for subject, entries in self._by_subject().items()}

    def withdrawn(self, on: date) -> frozenset[str]:
        """Subjects whose withdrawal from training stands on a day; a mere expiry is none."""
        return frozenset(
            subject
            for subject, entries in self._by_subject().items()
            if any(e.event is Event.WITHDRAWAL and e.day <= on for e in entries)
            and Scope.TRAINING not in _standing(entries, on)
        )

    def remarks(self, consents: Sequence[Consent], on: date) -> dict[str, tuple[str, ...]]:
        """Say of each subject of consents that were recorded what does not hold or still holds.

        Of a subject's consents the latest count.

        Parameters
        ----------
        on
            Day on which they are to hold.
        """
        latest = {c.subject: c.day for c in sorted(consents, key=lambda c: c.day)}
        agreed: dict[str, set[Scope]] = {}
        for consent in consents:
            if consent.day == latest[consent.subject]:
                agreed.setdefault(consent.subject, set()).update(consent.scopes)
        known = self._by_subject()
        return {subject: _remarks(known[subject], agreed[subject], on) for subject in latest}

    def _by_subject(self) -> dict[str, tuple[Entry, ...]]:
        rows: dict[str, tuple[Entry, ...]] = {}
        for entry in self.history():
            rows[entry.subject] = (*rows.get(entry.subject, ()), entry)
        return rows


def _recorder(days: Sequence[date], recorded_by: str) -> str:
    """Name of who records rows, if their days have come."""
    for day in days:
        if day > date.today():
            raise InputError(
                f"The day {day} lies ahead; record it when it has come, or set the clock right."
            )
    if not recorded_by.strip():
        raise InputError("The ledger needs to know who records this; give --by.")
    return recorded_by.strip()


def _insert(
    connection: sqlite3.Connection, event: Event, row: tuple[str, Scope, str, str | None], by: str
) -> None:
    subject, *rest = row
    now = datetime.now(UTC).isoformat(timespec="seconds")
    connection.execute(
        "INSERT INTO history (subject, event, scope, day, expiry, recorded_by, recorded_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (subject, event, *rest, by, now),
    )


def _standing(entries: tuple[Entry, ...], on: date) -> dict[Scope, Entry]:
    """Consent of each scope that no withdrawal has ended by a day, from the rows of one subject."""
    begun = [entry for entry in entries if entry.day <= on]
    ends = [entry for entry in begun if entry.event is Event.WITHDRAWAL]
    standing: dict[Scope, Entry] = {}
    for entry in sorted(begun, key=lambda e: (e.day, e.number)):
        if entry.event is Event.CONSENT and not any(_is_ended(entry, end) for end in ends):
            standing[entry.scope] = entry
    return standing


def _is_ended(consent: Entry, withdrawal: Entry) -> bool:
    """Whether a withdrawal ends a consent: unless that is of a later day and was written after."""
    is_new = consent.day > withdrawal.day and consent.number > withdrawal.number
    return consent.scope is withdrawal.scope and not is_new


def _scopes(entries: tuple[Entry, ...], on: date) -> frozenset[Scope]:
    """Scopes that hold on a day, from the rows of one subject."""
    standing = _standing(entries, on)
    return frozenset(s for s, e in standing.items() if e.expiry is None or on <= e.expiry)


def _remarks(entries: tuple[Entry, ...], agreed: set[Scope], on: date) -> tuple[str, ...]:
    """Say why scopes of a consent do not hold, and which others do, from a subject's rows."""
    standing, held = _standing(entries, on), _scopes(entries, on)
    said: dict[str, list[Scope]] = {}
    for scope in Scope:
        if scope in agreed - held:
            ends = [e.day for e in entries if e.event is Event.WITHDRAWAL and e.scope is scope]
            reason = (
                f"the latest consent expired on {standing[scope].expiry}"
                if scope in standing
                else f"the withdrawal of {max(ends)} stands until a new consent of a later day"
            )
            said.setdefault(f"recorded, but does not hold, because {reason}", []).append(scope)
        elif scope in held - agreed:
            remark = (
                f"still holds by the consent of {standing[scope].day}; layermotion lab withdraw "
                f"ends it, with every other scope"
            )
            said.setdefault(remark, []).append(scope)
    return tuple(f"{', '.join(scopes)}: {remark}." for remark, scopes in said.items())
