"""Owns the record as others use it: patients, visits, events, signatures, and the proof of all."""

import secrets
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from layermotion.errors import RecordError
from layermotion.record.codes import check_code
from layermotion.record.copies import Restored, back_up, check_all, export_patient, restore
from layermotion.record.database import Database
from layermotion.record.entries import (
    AMENDMENT,
    CLIP_ADDED,
    OWN_KINDS,
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
    read_values,
    read_withdrawn,
)
from layermotion.record.erasure import Deletion, Receipt, erase, finish_erasure, receipts
from layermotion.record.log import select_events, write_event
from layermotion.record.reading import (
    last_number,
    need_clips,
    need_who,
    read_clips,
    read_counting,
    read_patient,
    read_patients,
    read_visit,
    refuse_signed,
    refuse_twice,
    visit_of,
)

# Bytes of an identifier that means nothing (our choice: no two alike among millions).
ID_BYTES = 8
# So many first digits of a hash stand for it on paper (our choice: no two alike by chance).
MARK_DIGITS = 16


class Record:
    """One record over time in one file. Whatever a call has returned is on the disk."""

    def __init__(self, database: Database) -> None:
        self._database = database
        # Number of the last event of each visit that is followed.
        self._followed: dict[str, int] = {}

    @classmethod
    def open(cls, path: Path, *, must_exist: bool = False) -> Self:
        """Open a record, or begin one.

        Parameters
        ----------
        must_exist
            Refuse to begin one.

        Raises
        ------
        RecordError
            If it is damaged, of a newer version, no record, or cannot be read or written.
        """
        if must_exist and not path.is_file():
            raise RecordError(
                f"There is no record {path}: one begins with the first visit that is reviewed. If "
                f"yours lies elsewhere, name its file by --record."
            )
        record = cls(Database.make(path))
        try:
            finish_erasure(record._database)
        except BaseException:
            record.close()
            raise
        return record

    @property
    def path(self) -> Path:
        """The file."""
        return self._database.path

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def patients(self) -> tuple[Patient, ...]:
        """Every patient, in the order in which they were added."""
        with self._database.reading() as connection:
            return read_patients(connection)

    def patient(self, code: str) -> Patient:
        """Patient of a code.

        Raises
        ------
        RecordError
            If there is none.
        """
        for patient in self.patients():
            if patient.code.casefold() == code.strip().casefold():
                return patient
        raise RecordError("The record holds no patient of this code; list the codes first.")

    def add_patient(self, code: str, who: str = "") -> Patient:
        """Add a patient by a pseudonym.

        Raises
        ------
        RecordError
            If the code looks like a name or a date of birth, or is taken.
        """
        code = check_code(code)
        with self._database.writing() as connection:
            if any(
                patient.code.casefold() == code.casefold() for patient in read_patients(connection)
            ):
                raise RecordError(f"The code {code} is taken; open that patient, or give another.")
            patient = Patient(_new_id("p"), code)
            payload = {"code": code}
            write_event(connection, PATIENT_ADDED, payload, who, patient_id=patient.patient_id)
        return patient

    def begin_visit(
        self,
        patient_id: str,
        day: date,
        who: str = "",
        identity: Mapping[str, object] | None = None,
    ) -> Visit:
        """Begin a visit of a patient.

        Parameters
        ----------
        identity
            Keyed hashes of whom the files are of, where they say; never what was hashed.

        Raises
        ------
        RecordError
            If there is no such patient, or the day lies ahead.
        """
        if day > date.today():
            raise RecordError(f"The visit of {day} lies ahead; begin it when the day has come.")
        with self._database.writing() as connection:
            read_patient(connection, patient_id)
            visit = Visit(_new_id("v"), patient_id, day, False, "", "")
            write_event(
                connection,
                VISIT_BEGUN,
                {"day": day.isoformat(), **({"identity": dict(identity)} if identity else {})},
                who,
                patient_id=patient_id,
                visit_id=visit.visit_id,
            )
        return visit

    def visits(self, patient_id: str, *, also_withdrawn: bool = False) -> tuple[Visit, ...]:
        """Visits of a patient by their days; those of one day in the order of their entry."""
        with self._database.reading() as connection:
            read_patient(connection, patient_id)
            begun = select_events(
                connection, "patient_id = ? AND kind = ?", (patient_id, VISIT_BEGUN)
            )
            found = [visit_of(connection, event) for event in begun]
        counting = [visit for visit in found if also_withdrawn or not visit.is_withdrawn]
        return tuple(sorted(counting, key=lambda visit: visit.day))

    def visits_with(self, clip_id: str) -> tuple[Visit, ...]:
        """Visits that hold a clip and still count, in the order in which it was added to them."""
        with self._database.reading() as connection:
            added = select_events(connection, "clip_id = ? AND kind = ?", (clip_id, CLIP_ADDED))
            visit_ids = dict.fromkeys(str(event.visit_id) for event in added)
            visits = [read_visit(connection, visit_id) for visit_id in visit_ids]
        return tuple(visit for visit in visits if not visit.is_withdrawn)

    def visit(self, visit_id: str) -> Visit:
        """One visit.

        Raises
        ------
        RecordError
            If there is none.
        """
        with self._database.reading() as connection:
            return read_visit(connection, visit_id)

    def signed_as(self, mark: str) -> Visit | None:
        """Visit whose signature has a hash that begins so; None where the record holds none."""
        with self._database.reading() as connection:
            for event in select_events(connection, "kind = ?", (SIGNED,)):
                if event.hash.startswith(mark):
                    return read_visit(connection, str(event.visit_id))
        return None

    def add_clip(
        self, visit_id: str, clip_id: str, facts: Mapping[str, str], who: str = ""
    ) -> None:
        """Add a clip to a visit, or new facts about it; what is held alike changes nothing.

        Raises
        ------
        RecordError
            If there is no such visit, or it is signed.
        """
        with self._database.writing() as connection:
            visit = read_counting(connection, visit_id)
            if HeldClip(clip_id, dict(facts)) in read_clips(connection, visit_id):
                return
            refuse_signed(visit)
            self._write(connection, visit, CLIP_ADDED, {"facts": dict(facts)}, who, clip_id=clip_id)

    def clips(self, visit_id: str) -> tuple[HeldClip, ...]:
        """Clips of a visit with their last facts, in the order in which they were added."""
        with self._database.reading() as connection:
            read_visit(connection, visit_id)
            return read_clips(connection, visit_id)

    def append(
        self,
        visit_id: str,
        clip_id: str | None,
        kind: str,
        payload: Mapping[str, Any],
        who: str,
        why: str = "",
    ) -> Event:
        """Add an event to a visit; a signed one takes none but an ``amendment``, with its reason.

        An amendment may hold ``values``, which then stand in place of those signed; see ``amend``.
        It may hold ``withdrawn``, the keys of signed values that no longer hold, and ``facts`` of
        clips, which stand in place of those held.

        Raises
        ------
        RecordError
            If there is no such visit or clip, the visit is signed, who or why is missing, or an
            amendment has a value of no clip of the visit, or one twice.
        """
        if not kind.strip() or kind in OWN_KINDS:
            raise RecordError(f"Events of kind {kind!r} are the record's own; give another kind.")
        need_who(who)
        clip_ids = [] if clip_id is None else [clip_id]
        if kind == AMENDMENT:
            values = read_values(payload)
            refuse_twice(values)
            clip_ids += [*read_facts(payload), *(value.clip_id for value in values)]
            read_withdrawn(payload)
            if not why.strip():
                raise RecordError("An amendment needs its reason; say why.")
        with self._database.writing() as connection:
            visit = read_counting(connection, visit_id)
            if kind != AMENDMENT:
                refuse_signed(visit)
            elif not visit.is_signed:
                raise RecordError("The visit is not signed yet; correct its values, then sign it.")
            need_clips(connection, visit_id, clip_ids)
            return self._write(connection, visit, kind, payload, who, why, clip_id)

    def follow(self, visit_id: str) -> None:
        """From now on refuse to add to a visit what does not know of all that others added to it.

        Raises
        ------
        RecordError
            If there is no such visit.
        """
        with self._database.reading() as connection:
            read_visit(connection, visit_id)
            self._followed[visit_id] = last_number(connection, visit_id)

    def _write(
        self,
        connection: sqlite3.Connection,
        visit: Visit,
        kind: str,
        payload: Mapping[str, Any],
        who: str,
        why: str = "",
        clip_id: str | None = None,
    ) -> Event:
        """Write an event of a visit, unless the visit is followed and somebody else wrote one."""
        own = self._followed.get(visit.visit_id)
        if own is not None and own < last_number(connection, visit.visit_id):
            raise RecordError(
                f"The visit of {visit.day} was changed on another page since; open its clips again "
                f"to go on with it."
            )
        event = write_event(
            connection,
            kind,
            payload,
            who,
            why,
            patient_id=visit.patient_id,
            visit_id=visit.visit_id,
            clip_id=clip_id,
        )
        if own is not None:
            self._followed[visit.visit_id] = event.number
        return event

    def events(self, visit_id: str) -> tuple[Event, ...]:
        """Every event of a visit in the order of writing, those of the record itself as well."""
        with self._database.reading() as connection:
            read_visit(connection, visit_id)
            return select_events(connection, "visit_id = ?", (visit_id,))

    def sign(self, visit_id: str, values: Sequence[SignedValue], who: str) -> Visit:
        """Sign a visit as a whole; from then on it is read-only.

        Raises
        ------
        RecordError
            If it is signed already, a value is of no clip of the visit or stands twice, there is
            none, or who signs is missing.
        """
        need_who(who)
        if not values:
            raise RecordError("No value is confirmed, so there is nothing to sign; confirm first.")
        with self._database.writing() as connection:
            visit = read_counting(connection, visit_id)
            refuse_signed(visit)
            need_clips(connection, visit_id, [value.clip_id for value in values])
            refuse_twice(values)
            payload = {"values": [value.to_json() for value in values]}
            self._write(connection, visit, SIGNED, payload, who)
            return read_visit(connection, visit_id)

    def amend(self, visit_id: str, values: Sequence[SignedValue], who: str, why: str) -> Event:
        """Put values in place of signed ones, or beside them; what was signed stays in the trail.

        Raises
        ------
        RecordError
            As ``append`` does.
        """
        payload = {"values": [value.to_json() for value in values]}
        return self.append(visit_id, None, AMENDMENT, payload, who, why)

    def withdraw(self, visit_id: str, who: str, why: str) -> Visit:
        """Take back a whole visit that was entered by mistake, such as under another's code.

        Nothing of it counts any more, and its clips can be reviewed anew; the trail keeps all.

        Raises
        ------
        RecordError
            If there is no such visit, it was withdrawn before, or who or why is missing.
        """
        need_who(who)
        if not why.strip():
            raise RecordError("A visit is withdrawn for a reason; say why.")
        with self._database.writing() as connection:
            visit = read_counting(connection, visit_id)
            self._write(connection, visit, VISIT_WITHDRAWN, {}, who, why)
            return read_visit(connection, visit_id)

    def values(self, visit_id: str) -> tuple[SignedValue, ...]:
        """Values of a signed visit with its amendments; none of one that is not, or withdrawn."""
        with self._database.reading() as connection:
            if read_visit(connection, visit_id).is_withdrawn:
                return ()
            events = select_events(
                connection, "visit_id = ? AND kind IN (?, ?)", (visit_id, SIGNED, AMENDMENT)
            )
        last: dict[tuple[str, ...], SignedValue] = {}
        for event in events:
            for key in read_withdrawn(event.payload):
                last.pop(key, None)
            last |= {value.key: value for value in read_values(event.payload)}
        return tuple(last.values())

    def verify(self, known: str = "") -> None:
        """Check the file and the whole trail.

        Parameters
        ----------
        known
            Hash of an event that was noted elsewhere, or its first digits as on a signed report. It
            shows that the record up to there is the one that was signed, and not one written anew.

        Raises
        ------
        RecordError
            If the file is damaged; that names the first event which does not fit its chain; or if
            no event has the hash.
        """
        if known and (len(known) < MARK_DIGITS or set(known.lower()) - set("0123456789abcdef")):
            raise RecordError(
                f"{known} is no hash of an event; give at least its first {MARK_DIGITS} digits."
            )
        check_all(self._database)
        with self._database.reading() as connection:
            held = connection.execute(
                "SELECT 1 FROM chain WHERE hex(hash) LIKE ? || '%'", (known.upper(),)
            )
            if known and held.fetchone() is None:
                raise RecordError(
                    f"The record {self.path.name} holds no event with the hash {known}: it is "
                    f"another record, or was written anew; compare it with a back-up."
                )

    def seal(self) -> str:
        """Hash of the last event; noted elsewhere, it shows later that nothing was written anew."""
        with self._database.reading() as connection:
            (chained,) = connection.execute("SELECT hash FROM head").fetchone()
        return str(chained.hex())

    def back_up(self, target: Path) -> None:
        """Copy the record to a new file, open the copy and check all of it.

        Raises
        ------
        RecordError
            If the target exists, or the record or its copy is damaged.
        """
        back_up(self._database, target)

    @staticmethod
    def restore(backup: Path, path: Path) -> Restored:
        """Put a back-up in place of the record at ``path``; see ``copies.restore``."""
        return restore(backup, path)

    def export_patient(self, patient_id: str, target: Path) -> None:
        """Write all that is held of a patient into one JSON file.

        Raises
        ------
        RecordError
            If there is no such patient.
        """
        with self._database.reading() as connection:
            patient = read_patient(connection, patient_id)
        export_patient(self._database, patient, target)

    def delete_patient(self, patient_id: str, who: str, why: str) -> Receipt:
        """Delete all that is held of a patient for good; the chain of hashes still holds.

        Raises
        ------
        RecordError
            If there is no such patient, who or why is missing, or another program has the record
            open, so that remains might stay in its log.
        """
        need_who(who)
        if not why.strip():
            raise RecordError("A deletion needs its reason; say why, without naming the patient.")
        with self._database.reading() as connection:
            read_patient(connection, patient_id)
        erase(self._database, [Deletion(patient_id, who, why)])
        return self.receipts()[-1]

    def receipts(self) -> tuple[Receipt, ...]:
        """Receipts of all deletions."""
        with self._database.reading() as connection:
            return receipts(connection)


def _new_id(letter: str) -> str:
    return f"{letter}-{secrets.token_hex(ID_BYTES)}"
