"""Owns the SQLite file of a laboratory's consents: its tables, and one transaction at a time."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from layermotion.errors import InputError

# For another process that writes down thousands of consents, s (our choice).
PATIENCE_S = 30.0
# What to do, by how the name of SQLite's error begins. An older copy lacks withdrawals, so it is
# put back only where the file is damaged.
REMEDIES = {
    ("SQLITE_FULL", "SQLITE_IOERR"): ", free some space and try again",
    ("SQLITE_BUSY", "SQLITE_LOCKED"): ", another program holds it, so wait and try again",
    ("SQLITE_READONLY", "SQLITE_CANTOPEN"): ", see to the rights of the file and its folder",
    ("SQLITE_CORRUPT", "SQLITE_NOTADB"): ", restore it from the last copy",
}
# history only grows; the other tables say what was made from whose pictures, and where it lies.
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
CREATE TABLE IF NOT EXISTS identity (
    one INTEGER PRIMARY KEY CHECK (one = 1), id TEXT NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS marks (
    subject TEXT NOT NULL, kind TEXT NOT NULL, digest TEXT NOT NULL, PRIMARY KEY (subject, kind)
) STRICT;
CREATE TABLE IF NOT EXISTS members (
    build TEXT NOT NULL, fingerprint TEXT NOT NULL, subject TEXT NOT NULL, split TEXT NOT NULL,
    PRIMARY KEY (build, fingerprint, subject)
) STRICT;
CREATE TABLE IF NOT EXISTS made (
    path TEXT NOT NULL, fingerprint TEXT NOT NULL, PRIMARY KEY (path, fingerprint)
) STRICT;
CREATE TABLE IF NOT EXISTS asking (
    path TEXT NOT NULL, fingerprint TEXT NOT NULL, ledger TEXT NOT NULL,
    PRIMARY KEY (path, fingerprint, ledger)
) STRICT;
CREATE TABLE IF NOT EXISTS copies (
    path TEXT NOT NULL, clip TEXT NOT NULL, PRIMARY KEY (path, clip)
) STRICT;
"""


@contextmanager
def transaction(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction on the file, which is made where missing: all is written, or nothing.

    Raises
    ------
    InputError
        If the file cannot be used, or a row is refused.
    """
    try:
        with closing(sqlite3.connect(path, timeout=PATIENCE_S)) as connection:
            connection.executescript(SCHEMA)
            with connection:
                yield connection
    except sqlite3.Error as error:
        kind = getattr(error, "sqlite_errorname", "")
        remedy = next((words for names, words in REMEDIES.items() if kind.startswith(names)), "")
        raise InputError(
            f"The consent ledger {path.name} cannot be used ({error}); nothing was written{remedy}."
        ) from error
