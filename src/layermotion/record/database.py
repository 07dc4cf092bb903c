"""Owns the SQLite file of the record: opening, its tables, transactions, and what is refused."""

import os
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from itertools import chain as chained
from pathlib import Path

from layermotion.errors import RecordError
from layermotion.record.chain import BrokenChainError

# Marks the file as ours ("LMRC" in ASCII), so that no other database is taken for it.
APPLICATION_ID = 0x4C4D5243
# How long one process waits for another to finish writing, s (our choice).
PATIENCE_S = 15.0
PAUSE_S = 0.02
# Statements that lead from each version of the tables to the next; the first makes them. A file
# says its version in PRAGMA user_version. Never change one that was released; add another.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE chain (
            number INTEGER PRIMARY KEY,
            digest BLOB NOT NULL,
            hash BLOB NOT NULL
        ) STRICT""",
        # Everything personal is in this table. Columns made from a text cannot differ from it.
        """CREATE TABLE contents (
            number INTEGER PRIMARY KEY,
            salt BLOB NOT NULL,
            about TEXT NOT NULL,
            payload TEXT NOT NULL,
            kind TEXT AS (json_extract(about, '$.kind')),
            patient_id TEXT AS (json_extract(about, '$.patient_id')),
            visit_id TEXT AS (json_extract(about, '$.visit_id')),
            clip_id TEXT AS (json_extract(about, '$.clip_id'))
        ) STRICT""",
        "CREATE INDEX contents_kind ON contents (kind)",
        "CREATE INDEX contents_patient ON contents (patient_id, kind)",
        "CREATE INDEX contents_visit ON contents (visit_id, kind)",
        "CREATE INDEX contents_clip ON contents (clip_id, kind)",
        # The last event, so that one taken off the end is missed.
        """CREATE TABLE head (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            number INTEGER NOT NULL,
            hash BLOB NOT NULL
        ) STRICT""",
        "INSERT INTO head VALUES (1, 0, zeroblob(32))",
    ),
)
# The smallest page of SQLite, bytes (sqlite.org/fileformat2.html, section 1.3.2).
SMALLEST_BYTES = 512
RESTORE = "restore a sound back-up with: layermotion record restore BACKUP"
NO_RECORD = (
    "{name} is no record of layermotion, or its beginning is damaged; name another file, or "
    f"{RESTORE}"
)


class RecordInUseError(RecordError):
    """Another program holds the record."""


class Database:
    """One open file; every thread may use it, one at a time."""

    def __init__(self, path: Path, name: str = "") -> None:
        """Open a file.

        Parameters
        ----------
        name
            What sentences call it; its own name if left out.
        """
        self.path = path
        self.name = name or path.name
        self._lock = threading.RLock()
        self._refuse_stub()
        with translated(self.name):
            self._connection = sqlite3.connect(
                path, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False
            )
        try:
            self._prepare()
        except BaseException:
            self._connection.close()
            raise

    @classmethod
    def make(cls, path: Path) -> "Database":
        """Open a file, and make it and its folder for its owner alone where they are missing."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            # One that is there is not opened here: to close it would end SQLite's own locks on it.
            with suppress(FileExistsError):
                os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            os.chmod(path, 0o600)
        except OSError as error:
            raise RecordError(
                f"The record {path} cannot be written ({error.strerror}); name another file by "
                f"--record."
            ) from error
        return cls(path)

    def close(self) -> None:
        """Close the file; the log beside it goes into it."""
        with self._lock, translated(self.name):
            self._connection.close()

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give the file as it is at one moment, whatever other processes write meanwhile."""
        with self._lock, translated(self.name):
            if self._connection.in_transaction:
                yield self._connection
                return
            self._connection.execute("BEGIN")
            try:
                yield self._connection
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("COMMIT")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction, on the disk when the block has ended; nothing if it raises."""
        with self._lock, translated(self.name):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the file against every other program, whole in itself, with no log beside it.

        Raises
        ------
        RecordError
            If another program has it open.
        """
        with self._lock:
            self.take()
            try:
                yield
            finally:
                with translated(self.name):
                    self._connection.execute("PRAGMA locking_mode = NORMAL")
                    self._keep_log()

    def take(self) -> None:
        """Do as ``alone`` does, until the file is closed."""
        with self._lock, translated(self.name):
            self._connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            try:
                self._connection.execute("PRAGMA journal_mode = DELETE")
            except sqlite3.Error:
                self._connection.execute("PRAGMA locking_mode = NORMAL")
                raise

    def vacuum(self) -> None:
        """Write the file anew, so that nothing is left of what was deleted."""
        with self._lock, translated(self.name):
            self._connection.execute("VACUUM")

    def copy_to(self, target: Path, name: str) -> None:
        """Copy the file as it is at one moment, while others may read and write it."""
        with self._lock, translated(name), closing(sqlite3.connect(target)) as copy:
            self._connection.backup(copy)

    def check(self) -> None:
        """Check every page and index.

        Raises
        ------
        RecordError
            If any does not fit.
        """
        with self._lock, translated(self.name):
            (found,) = self._connection.execute("PRAGMA integrity_check(1)").fetchone()
        self._refuse_damage(found)

    def _prepare(self) -> None:
        with translated(self.name):
            for pragma in (
                "cell_size_check = ON", "temp_store = MEMORY",
                "synchronous = FULL", "fullfsync = ON", "secure_delete = ON",
            ):  # fmt: skip
                self._connection.execute(f"PRAGMA {pragma}")
            version = self._version()
            if version < len(MIGRATIONS):
                self._migrate()
            (found,) = self._connection.execute("PRAGMA quick_check(1)").fetchone()
            self._refuse_damage(found)
            self._check_tables()
            mode = self._keep_log()
        if mode != "wal":
            raise RecordError(
                f"The record {self.path} lies where SQLite cannot keep its log; name a file on "
                f"this computer's own disk by --record."
            )

    def _keep_log(self) -> str:
        """Have SQLite keep a log beside the file; here alone it does not wait for others itself."""
        end_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                (mode,) = self._connection.execute("PRAGMA journal_mode = WAL").fetchone()
                return str(mode)
            except sqlite3.OperationalError:
                if time.monotonic() > end_s:
                    raise
                time.sleep(PAUSE_S)

    def _refuse_stub(self) -> None:
        """Refuse what SQLite would take for an empty file and write over."""
        size = self.path.stat().st_size if self.path.exists() else 0
        if 0 < size < SMALLEST_BYTES:
            raise RecordError(NO_RECORD.format(name=self.name))

    def _version(self) -> int:
        """Version of the tables; 0 of a file that is still empty."""
        with self.reading() as connection:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            (owner,) = connection.execute("PRAGMA application_id").fetchone()
            (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if owner != APPLICATION_ID and (owner or version or tables):
            raise RecordError(f"{self.path} is no record of layermotion; name another file.")
        if version > len(MIGRATIONS):
            raise RecordError(
                f"The record {self.name} has version {version}, this layermotion knows "
                f"{len(MIGRATIONS)}; use the newer layermotion that wrote it."
            )
        return int(version)

    def _migrate(self) -> None:
        """Bring the tables to the newest version, all steps or none."""
        with self.writing() as connection:
            # Another process may have done it meanwhile.
            version = self._version()
            for number, statements in enumerate(MIGRATIONS[version:], start=version + 1):
                for statement in statements:
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")

    def _check_tables(self) -> None:
        """Refuse tables, or anything that acts on them, which are not those of our statements."""
        with closing(sqlite3.connect(":memory:")) as pattern:
            for statement in chained.from_iterable(MIGRATIONS):
                pattern.execute(statement)
            expected, found = (
                connection.execute("SELECT type, name, sql FROM sqlite_schema").fetchall()
                for connection in (pattern, self._connection)
            )
        # Not sorted: where the file is damaged, bytes may stand in place of text.
        if Counter(expected) != Counter(found):
            self._refuse_damage("its tables are not those of its version")

    def _refuse_damage(self, found: str) -> None:
        if found != "ok":
            what = " ".join(found.split())
            raise RecordError(f"The record {self.name} is damaged ({what}); {RESTORE}")


@contextmanager
def translated(name: str) -> Iterator[None]:
    """Turn errors of SQLite and of the chain into one sentence.

    Raises
    ------
    RecordError
        In place of each; ``RecordInUseError`` where another program is the cause.
    """
    try:
        yield
    except BrokenChainError as error:
        raise RecordError(
            f"Event {error.number} of the record {name} does not fit the chain: it was changed, "
            f"removed or moved after it was written; {RESTORE}"
        ) from error
    except UnicodeDecodeError as error:
        # Damage that SQLite quotes in its own sentence.
        raise RecordError(f"The record {name} is damaged; {RESTORE}") from error
    except sqlite3.Error as error:
        kind = getattr(error, "sqlite_errorname", "")
        if kind.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise RecordInUseError(
                f"The record {name} is in use by another program; close that, or wait."
            ) from error
        if kind.startswith(("SQLITE_FULL", "SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_IOERR")):
            sentence = (
                f"The record {name} cannot be written ({error}); free some space on its disk, see "
                f"to the rights of its folder, or name another file."
            )
        elif kind == "SQLITE_NOTADB":
            sentence = NO_RECORD.format(name=name)
        else:
            sentence = f"The record {name} is damaged ({error}); {RESTORE}"
        raise RecordError(sentence) from error
