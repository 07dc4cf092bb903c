"""Owns copies of the record: back-ups that were opened, putting one back, one patient's export."""

import json
import shutil
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from layermotion import __version__
from layermotion.errors import RecordError
from layermotion.files import atomic_path
from layermotion.record.database import Database, RecordInUseError
from layermotion.record.entries import PATIENT_DELETED, Patient
from layermotion.record.erasure import Deletion, erase, remove_unfinished
from layermotion.record.log import check_trail, select_events

SCHEMA, SCHEMA_VERSION = "layermotion-patient", "1.0"
# Files that SQLite keeps beside an open one.
BESIDE = ("-wal", "-shm", "-journal")


@dataclass(frozen=True)
class Restored:
    """What putting a back-up back did.

    Parameters
    ----------
    kept
        Where that lies which was in its place; None where nothing was.
    deleted_again
        How many patients, deleted since the back-up was made, were deleted from it again.
    is_complete
        Whether these deletions are known: False where what was in its place cannot be read, or is
        another record.
    """

    kept: Path | None
    deleted_again: int
    is_complete: bool


def back_up(database: Database, target: Path) -> None:
    """Copy the record to a new file, open the copy and check all of it.

    Raises
    ------
    RecordError
        If the target exists, or the record or its copy is damaged.
    """
    if target.exists():
        raise RecordError(f"{target} exists; give the back-up another name.")
    check_all(database)
    with atomic_path(target) as temporary:
        database.copy_to(temporary, target.name)
        with closing(Database(temporary, target.name)) as copy:
            check_all(copy)


def restore(backup: Path, path: Path) -> Restored:
    """Put a back-up in place of the record, which is kept beside it under a name of its own.

    Patients that were deleted since the back-up was made are deleted from it again.

    Raises
    ------
    RecordError
        If the back-up is no sound record, or another program has the record open.
    """
    if not backup.is_file():
        raise RecordError(f"There is no back-up {backup}; give a file that record back-up wrote.")
    if any(Path(f"{backup}{end}").exists() for end in BESIDE):
        raise RecordError(
            f"{backup} is open in a program, or was copied while it was; give a file that record "
            f"back-up wrote."
        )
    remove_unfinished(path)
    with atomic_path(path) as temporary:
        _copy(backup, temporary)
        with closing(Database(temporary, backup.name)) as copy:
            check_all(copy)
            current = _open_current(path)
            if current is None:
                is_complete, deleted, kept = not path.exists(), 0, _keep_files(path)
            else:
                with closing(current):
                    current.take()
                    deletions = _deletions_since(copy, current)
                    if deletions:
                        erase(copy, deletions)
                    is_complete, deleted = deletions is not None, len(deletions or ())
                    kept = _kept_name(path)
                    with atomic_path(kept) as whole:
                        current.copy_to(whole, kept.name)
        for end in BESIDE:
            Path(f"{path}{end}").unlink(missing_ok=True)
    return Restored(kept, deleted, is_complete)


def check_all(database: Database) -> None:
    """Check every page and the whole trail."""
    database.check()
    with database.reading() as connection:
        check_trail(connection)


def _open_current(path: Path) -> Database | None:
    """Open the record that is to be replaced; None where there is none, or it cannot be read."""
    try:
        return Database(path) if path.exists() else None
    except RecordInUseError:
        raise
    except RecordError:
        return None


def _deletions_since(copy: Database, current: Database) -> list[Deletion] | None:
    """Patients of an earlier copy whom the current record has deleted since; None if unknown."""
    where = "kind = ? AND contents.number > ?"
    try:
        with copy.reading() as connection:
            head = connection.execute("SELECT number, hash FROM head").fetchone()
        with current.reading() as connection:
            same = connection.execute("SELECT 1 FROM chain WHERE number = ? AND hash = ?", head)
            if same.fetchone() is None:
                return None
            events = select_events(connection, where, (PATIENT_DELETED, head[0]))
    except RecordError:
        return None
    found = []
    with copy.reading() as connection:
        for event in events:
            # The first of all events of a patient is the one that added them.
            first = event.payload["events"][0][0]
            for held in select_events(connection, "contents.number = ?", (first,)):
                found.append(Deletion(str(held.patient_id), event.who, event.why))
    return found


def _keep_files(path: Path) -> Path | None:
    """Copy what cannot be read, and what SQLite left beside it, to a new name."""
    if not path.exists():
        return None
    kept = _kept_name(path)
    for end in ("", *BESIDE):
        source, target = Path(f"{path}{end}"), Path(f"{kept}{end}")
        if source.exists():
            with atomic_path(target) as temporary:
                _copy(source, temporary)
    return kept


def _kept_name(path: Path) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S-%f")
    return path.with_name(f"{path.stem}-kept-{stamp}{path.suffix}")


def _copy(source: Path, target: Path) -> None:
    try:
        shutil.copyfile(source, target)
    except OSError as error:
        raise RecordError(
            f"{source.name} cannot be copied to {target.parent} ({error.strerror}); see to the "
            f"disk and its rights."
        ) from error


def export_patient(database: Database, patient: Patient, target: Path) -> None:
    """Write all that is held of a patient into one JSON file for its owner alone.

    The salts let anyone show that each event is the one that the chain of the record holds.
    """
    with database.reading() as connection:
        events = select_events(connection, "patient_id = ?", (patient.patient_id,))
        proofs = {
            number: {"salt": salt.hex(), "digest": digest.hex(), "previous_hash": previous.hex()}
            for number, salt, digest, previous in connection.execute(
                "SELECT contents.number, salt, chain.digest, coalesce(before.hash, zeroblob(32)) "
                "FROM contents JOIN chain USING (number) "
                "LEFT JOIN chain AS before ON before.number = contents.number - 1 "
                "WHERE patient_id = ?",
                (patient.patient_id,),
            )
        }
    document = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "software": f"layermotion {__version__}",
        "exported_at": datetime.now(UTC).isoformat(timespec="seconds"),
        **asdict(patient),
        "events": [{**asdict(event), **proofs[event.number]} for event in events],
    }
    with atomic_path(target) as temporary:
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
        temporary.write_text(text + "\n", encoding="utf-8", newline="")
