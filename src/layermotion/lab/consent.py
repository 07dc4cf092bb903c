"""Owns the consent ledger: who agreed to what, when, until when; a history that only grows.

One SQLite file. Triggers refuse every change of a row, so a withdrawal is one more row, and what
was valid on a past day can always be found out. Subjects appear by pseudonym alone.
"""

import csv
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path

from layermotion.errors import InputError
from layermotion.lab.secret import Secret

SCHEMA = """
CREATE TABLE IF NOT EXISTS history (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    subject TEXT NOT NULL CHECK (subject LIKE 's-%'),
    event TEXT NOT NULL CHECK (event IN ('consent', 'withdrawal')),
    scope TEXT NOT NULL CHECK (scope IN ('training', 'evaluation')),
    day TEXT NOT NULL CHECK (day = date(day)),
    expiry TEXT CHECK (expiry = date(expiry) AND expiry >= day),
    recorded_by TEXT NOT NULL CHECK (length(trim(recorded_by)) > 0),
    recorded_at TEXT NOT NULL,
    CHECK (event = 'consent' OR expiry IS NULL)
) STRICT;
CREATE TRIGGER IF NOT EXISTS history_keeps_rows BEFORE DELETE ON history
BEGIN SELECT RAISE(ABORT, 'the consent history only grows'); END;
CREATE TRIGGER IF NOT EXISTS history_keeps_values BEFORE UPDATE ON history
BEGIN SELECT RAISE(ABORT, 'the consent history only grows'); END;
CREATE TRIGGER IF NOT EXISTS history_keeps_numbers BEFORE INSERT ON history
WHEN NEW.number IS NOT NULL AND EXISTS (SELECT 1 FROM history WHERE number = NEW.number)
BEGIN SELECT RAISE(ABORT, 'the consent history only grows'); END;
"""
COLUMNS = "number, subject, event, scope, day, expiry, recorded_by, recorded_at"


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
        with self._connection() as connection:
            connection.executescript(SCHEMA)

    def record(self, consents: Sequence[Consent], recorded_by: str) -> None:
        """Write down that subjects agreed: all of these consents, or none.

        Raises
        ------
        InputError
            If a day lies ahead, or the recorder is missing.
        """
        rows = [(c.subject, scope, c.day, c.expiry) for c in consents for scope in c.scopes]
        self._add(Event.CONSENT, rows, recorded_by)

    def withdraw(self, subject: str, day: date, recorded_by: str) -> None:
        """Write down that a subject withdrew every scope, from ``day`` on.

        Raises
        ------
        InputError
            If the subject never agreed, the day lies ahead, or the recorder is missing.
        """
        scopes = tuple(sorted({entry.scope for entry in self.history(subject)}))
        if not scopes:
            raise InputError(f"There is no consent of {subject} to withdraw; check the identifier.")
        rows = [(subject, scope, day, None) for scope in scopes]
        self._add(Event.WITHDRAWAL, rows, recorded_by)

    def history(self, subject: str | None = None) -> tuple[Entry, ...]:
        """All rows, or those of one subject, in the order in which they were written."""
        where, values = ("WHERE subject = ?", (subject,)) if subject else ("", ())
        with self._connection() as connection:
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

        Rows count by their day, and on one day by the order in which they were written: the last
        one decides. So agreeing again after a withdrawal holds.
        """
        return _scopes(self.history(subject), on)

    def subjects(self, on: date) -> dict[str, frozenset[Scope]]:
        """Every subject of the history, with what the consent covers on a day."""
        rows: dict[str, list[Entry]] = {}
        for entry in self.history():
            rows.setdefault(entry.subject, []).append(entry)
        return {subject: _scopes(tuple(entries), on) for subject, entries in rows.items()}

    def _add(
        self, event: Event, rows: Sequence[tuple[str, Scope, date, date | None]], recorded_by: str
    ) -> None:
        for _, _, day, _ in rows:
            if day > date.today():
                raise InputError(f"The day {day} lies ahead; record it when it has come.")
        if not recorded_by.strip():
            raise InputError("The ledger needs to know who records this; give --by.")
        now = datetime.now(UTC).isoformat(timespec="seconds")
        with self._connection() as connection:
            connection.executemany(
                "INSERT INTO history (subject, event, scope, day, expiry, recorded_by, recorded_at)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                [
                    (subject, event, scope, day.isoformat(), expiry and expiry.isoformat(),
                     recorded_by.strip(), now)
                    for subject, scope, day, expiry in rows
                ],
            )  # fmt: skip

    @contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all rows are written, or none."""
        try:
            with closing(sqlite3.connect(self.path)) as connection, connection:
                yield connection
        except sqlite3.Error as error:
            raise InputError(
                f"The consent ledger {self.path.name} cannot be used ({error}); restore it from "
                f"the last copy."
            ) from error


def _scopes(entries: tuple[Entry, ...], on: date) -> frozenset[Scope]:
    """Scopes that hold on a day, from the rows of one subject."""
    last: dict[Scope, Entry] = {}
    for entry in sorted(entries, key=lambda e: (e.day, e.number)):
        if entry.day <= on:
            last[entry.scope] = entry
    return frozenset(
        scope
        for scope, entry in last.items()
        if entry.event is Event.CONSENT and (entry.expiry is None or on <= entry.expiry)
    )


def read_consents(table: Path, secret: Secret) -> list[Consent]:
    """Read a CSV table with the columns subject, scope, day and expiry.

    Parameters
    ----------
    table
        ``scope`` is training, evaluation or both; days are written 2024-03-01, and an empty
        expiry means no end.
    secret
        Makes the pseudonyms of the local identifiers in the column ``subject``.

    Raises
    ------
    InputError
        If a row cannot be used; it goes by its number, never by its subject.
    """
    try:
        with table.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{table.name} cannot be read as CSV in UTF-8; save it anew.") from error
    if not rows:
        raise InputError(f"{table.name} holds no consent below its heading; fill it in.")
    consents = []
    for number, row in enumerate(rows, start=2):
        try:
            word = (row["scope"] or "").strip().lower()
            consents.append(
                Consent(
                    secret.pseudonym(row["subject"] or ""),
                    tuple(Scope) if word == "both" else (Scope(word),),
                    date.fromisoformat((row["day"] or "").strip()),
                    date.fromisoformat(end) if (end := (row["expiry"] or "").strip()) else None,
                )
            )
        except KeyError as error:
            raise InputError(
                f"{table.name} has no column {error}; it needs subject, scope, day and expiry."
            ) from error
        except ValueError as error:
            raise InputError(
                f"Row {number} of {table.name} cannot be used; write the scope as training, "
                f"evaluation or both, and days as 2024-03-01."
            ) from error
    return consents
