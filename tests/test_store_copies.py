"""Copies of the record: back-up and putting one back; export and deletion of one patient."""

import json
import resource
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from held import WHO, begin_visit, make_record, signed_value

from layermotion.errors import RecordError
from layermotion.record import erasure
from layermotion.record.chain import canonical, digest_of, hash_of
from layermotion.record.database import Database
from layermotion.record.entries import Patient
from layermotion.record.store import Record


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "record.sqlite"


def names(folder: Path) -> set[str]:
    return {file.name for file in folder.iterdir()}


def bytes_in(folder: Path) -> bytes:
    return b"\0".join(file.read_bytes() for file in sorted(folder.iterdir()))


def test_a_back_up_is_whole_while_the_record_is_written(path: Path, tmp_path: Path) -> None:
    record, visit = make_record(path)
    target = tmp_path / "copies" / "monday.sqlite"
    with record:
        record.back_up(target)
        record.add_patient("P-99")
        assert names(target.parent) == {"monday.sqlite"}
        assert target.stat().st_mode & 0o777 == 0o600
        with pytest.raises(RecordError, match="exists; give the back-up another name"):
            record.back_up(target)
        with pytest.raises(RecordError, match="exists"):
            record.back_up(path)
        with Record.open(target) as copy:
            assert [patient.code for patient in copy.patients()] == ["P-017"]
            assert copy.events(visit.visit_id) == record.events(visit.visit_id)
            copy.verify()


def test_a_damaged_record_gives_no_back_up(path: Path, tmp_path: Path) -> None:
    make_record(path)[0].close()
    path.write_bytes(path.read_bytes().replace(b"the edge lay", b"the edge sat"))
    with Record.open(path) as record:
        with pytest.raises(RecordError, match=r"Event 4 of the record record\.sqlite does not fit"):
            record.back_up(tmp_path / "copy.sqlite")
    assert names(tmp_path) == {"data"}


def test_a_back_up_onto_a_full_disk_says_to_free_space(path: Path, tmp_path: Path) -> None:
    record, _ = make_record(path)
    # A limit on the size of files stands for a disk without room.
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with record:
        resource.setrlimit(resource.RLIMIT_FSIZE, (8192, hard))
        try:
            with pytest.raises(RecordError, match=r"copy\.sqlite cannot .*free some space") as said:
                record.back_up(tmp_path / "copy.sqlite")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        # That option names the record, which is not what is full.
        assert "--record" not in str(said.value)
        record.verify()
    assert names(tmp_path) == {"data"}


def test_restoring_keeps_what_was_there(path: Path, tmp_path: Path) -> None:
    record, visit = make_record(path)
    record.back_up(tmp_path / "copy.sqlite")
    record.add_patient("P-99")
    record.close()
    restored = Record.restore(tmp_path / "copy.sqlite", path)
    assert restored.kept is not None and restored.kept.parent == path.parent
    assert (restored.deleted_again, restored.is_complete) == (0, True)
    assert names(path.parent) == {path.name, restored.kept.name}
    assert {file.stat().st_mode & 0o777 for file in path.parent.iterdir()} == {0o600}
    with Record.open(path) as now, Record.open(restored.kept) as before:
        assert [patient.code for patient in now.patients()] == ["P-017"]
        assert [patient.code for patient in before.patients()] == ["P-017", "P-99"]
        assert now.visit(visit.visit_id) == visit
        now.verify()
        before.verify()


def test_restoring_where_nothing_was_and_where_a_damaged_record_was(
    path: Path, tmp_path: Path
) -> None:
    record, _ = make_record(path)
    record.back_up(tmp_path / "copy.sqlite")
    record.close()
    new = tmp_path / "new" / "record.sqlite"
    assert Record.restore(tmp_path / "copy.sqlite", new).kept is None
    with Record.open(new) as restored:
        restored.verify()
    damaged = b"\1" * 300
    path.write_bytes(damaged)
    Path(f"{path}-wal").write_bytes(b"an old log")
    restored_to = Record.restore(tmp_path / "copy.sqlite", path)
    assert restored_to.kept is not None and not restored_to.is_complete
    assert restored_to.kept.read_bytes() == damaged
    assert Path(f"{restored_to.kept}-wal").read_bytes() == b"an old log"
    assert not Path(f"{path}-wal").exists()
    with Record.open(path) as record:
        record.verify()


def test_a_record_in_use_and_a_bad_back_up_are_not_put_in_place(path: Path, tmp_path: Path) -> None:
    record, _ = make_record(path)
    copy = tmp_path / "copy.sqlite"
    record.back_up(copy)
    record.add_patient("P-99")
    with pytest.raises(RecordError, match="in use by another program"):
        Record.restore(copy, path)
    with pytest.raises(RecordError, match="is open in a program"):
        Record.restore(path, tmp_path / "other.sqlite")
    record.add_patient("P-100")
    record.verify()
    record.close()
    whole = path.read_bytes()
    changed = copy.read_bytes().replace(b"the edge lay", b"the edge sat")
    for content, sentence in (
        (changed, r"Event 4 of the record copy\.sqlite does not fit"),
        (copy.read_bytes()[:8192], r"copy\.sqlite is damaged"),
        (b"side,task", r"copy\.sqlite is no record of layermotion"),
    ):
        copy.write_bytes(content)
        with pytest.raises(RecordError, match=sentence):
            Record.restore(copy, path)
        assert path.read_bytes() == whole and names(path.parent) == {path.name}
    with pytest.raises(RecordError, match="There is no back-up"):
        Record.restore(tmp_path / "none.sqlite", path)


def test_an_export_holds_everything_of_one_patient_with_its_proof(
    path: Path, tmp_path: Path
) -> None:
    record, visit = make_record(path)
    target = tmp_path / "patient.json"
    with record:
        other = record.add_patient("P-99")
        begin_visit(record, other, date(2024, 5, 5), ("c-other",))
        record.export_patient(visit.patient_id, target)
        events = record.events(visit.visit_id)
        with pytest.raises(RecordError, match="no patient p-0"):
            record.export_patient("p-0", target)
    text = target.read_text(encoding="utf-8")
    assert target.stat().st_mode & 0o777 == 0o600
    assert "P-99" not in text and "c-other" not in text
    document = json.loads(text)
    assert (document["schema"], document["schema_version"]) == ("layermotion-patient", "1.0")
    assert document["code"] == "P-017" and document["patient_id"] == visit.patient_id
    assert [event["number"] for event in document["events"]] == [1, 2, 3, 4, 5, 6, 7]
    assert [event["payload"] for event in document["events"][1:]] == [e.payload for e in events]
    proofs = ("number", "hash", "salt", "digest", "previous_hash")
    for event in document["events"]:
        payload = canonical(event.pop("payload"))
        about = canonical({name: event[name] for name in event if name not in proofs})
        digest = digest_of(bytes.fromhex(event["salt"]), about, payload)
        assert digest.hex() == event["digest"]
        chained = hash_of(bytes.fromhex(event["previous_hash"]), event["number"], digest)
        assert chained.hex() == event["hash"]


# Words that stand nowhere but in the entries of the patient who is deleted.
TRACES = ("Q-4711", "c-trace", "heard-of", "moved-far", "an-odd-reason", "by-a-long-method")


def enter_traces(record: Record) -> Patient:
    """Enter one patient between others, with long and short texts."""
    first, gone, last = (record.add_patient(code, WHO) for code in ("P-1", "Q-4711", "P-2"))
    value = signed_value(clip_id="c-trace")
    value = type(value).from_json({**value.to_json(), "method": "by-a-long-method " * 900})
    for patient, clip_id in ((first, "c-1"), (gone, "c-trace"), (last, "c-2")):
        visit = begin_visit(record, patient, date(2024, 3, 1), (clip_id,))
        is_gone = patient is gone
        for number in range(60):
            payload = {"kept": number, **({"heard-of": "moved-far" * number} if is_gone else {})}
            why = "an-odd-reason" if is_gone else ""
            record.append(visit.visit_id, clip_id, "move_edge", payload, WHO, why)
        record.sign(visit.visit_id, [value if is_gone else signed_value(clip_id=clip_id)], WHO)
    return gone


def traces_of(record: Record, gone: Patient) -> list[bytes]:
    (visit,) = record.visits(gone.patient_id)
    return [word.encode() for word in (*TRACES, gone.patient_id, visit.visit_id)]


def test_nothing_of_a_deleted_patient_is_left_in_any_byte(path: Path, tmp_path: Path) -> None:
    with Record.open(path) as record:
        gone = enter_traces(record)
        traces = traces_of(record, gone)
        before = bytes_in(path.parent)
        assert all(trace in before for trace in traces)
        kept = {p.code: record.visits(p.patient_id) for p in record.patients() if p != gone}
        events = [record.events(v.visit_id) for visits in kept.values() for v in visits]
        record.export_patient(gone.patient_id, tmp_path / "export.json")
        receipt = record.delete_patient(gone.patient_id, "MN", "asked for")
        assert names(path.parent) <= {path.name, f"{path.name}-wal", f"{path.name}-shm"}
        while_open = bytes_in(path.parent)
        record.verify(receipt.hash)
        record.add_patient("P-3", WHO)
        assert {p.code: record.visits(p.patient_id) for p in record.patients()[:2]} == kept
        assert [record.events(v.visit_id) for visits in kept.values() for v in visits] == events
    closed = bytes_in(path.parent)
    for trace in traces:
        assert trace not in while_open and trace not in closed, trace
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA freelist_count").fetchone() == (0,)
    with Record.open(path) as record:
        record.verify()
        assert record.receipts() == (receipt,)
    exported = json.loads((tmp_path / "export.json").read_text(encoding="utf-8"))
    document = receipt.to_json()
    assert document["schema"] == "layermotion-deletion"
    # The export made before proves which events they were.
    assert document["hashes"] == tuple(event["hash"] for event in exported["events"])
    assert (receipt.visits, receipt.clips, receipt.signatures) == (1, 1, 1)
    assert (receipt.who, receipt.why) == ("MN", "asked for")
    assert receipt.cleared_at >= receipt.when
    assert "Back-ups" in document["note"]
    assert not any(trace.decode() in json.dumps(document) for trace in traces)


def test_a_patient_is_deleted_only_alone_and_for_a_reason(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        for who, why, sentence in (("", "x", "needs to know who"), (WHO, " ", "needs its reason")):
            with pytest.raises(RecordError, match=sentence):
                record.delete_patient(visit.patient_id, who, why)
        with pytest.raises(RecordError, match="no patient p-0"):
            record.delete_patient("p-0", WHO, "asked for")
        with Record.open(path):
            with pytest.raises(RecordError, match="in use by another program"):
                record.delete_patient(visit.patient_id, WHO, "asked for")
        assert len(record.patients()) == 1
        record.append(visit.visit_id, None, "amendment", {}, WHO, "still written as before")
        record.verify()
        record.delete_patient(visit.patient_id, WHO, "asked for")
        assert record.patients() == ()
        # The code is free again, and nothing points to who had it.
        record.add_patient("P-017")


def test_a_deletion_stopped_before_its_end_is_finished_when_opened_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Record.open(path) as record:
        gone = enter_traces(record)
        traces = traces_of(record, gone)

        def stop(database: Database) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(erasure, "clear_remains", stop)
            with pytest.raises(KeyboardInterrupt):
                record.delete_patient(gone.patient_id, WHO, "asked for")
        # What is deleted is overwritten at once, and not only where the file is written anew.
        assert not any(trace in bytes_in(path.parent) for trace in traces)
        assert record.receipts()[0].cleared_at == ""
        with pytest.raises(RecordError, match="in use by another program"):
            Record.open(path)
    with Record.open(path) as record:
        assert record.receipts()[0].cleared_at
        record.verify()
    left = bytes_in(path.parent)
    assert not any(trace in left for trace in traces)


def test_a_back_up_from_before_does_not_bring_a_deleted_patient_back(
    path: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.sqlite"
    with Record.open(path) as record:
        gone = enter_traces(record)
        traces = traces_of(record, gone)
        record.back_up(copy)
        later = record.add_patient("P-3")
        deleted = record.delete_patient(gone.patient_id, "MN", "asked for")
        record.delete_patient(later.patient_id, "MN", "entered twice")
    restored = Record.restore(copy, path)
    assert (restored.deleted_again, restored.is_complete) == (1, True)
    with Record.open(path) as record:
        assert [patient.code for patient in record.patients()] == ["P-1", "P-2"]
        record.verify()
        (again,) = record.receipts()
        assert (again.hashes, again.who, again.why) == (deleted.hashes, "MN", "asked for")
    left = bytes_in(path.parent)
    assert not any(trace in left for trace in traces)


def test_a_record_that_was_tampered_with_can_be_replaced(path: Path, tmp_path: Path) -> None:
    record, visit = make_record(path)
    record.back_up(tmp_path / "copy.sqlite")
    record.delete_patient(visit.patient_id, WHO, "asked-for")
    record.close()
    path.write_bytes(path.read_bytes().replace(b"asked-for", b"asked-4or"))
    restored = Record.restore(tmp_path / "copy.sqlite", path)
    assert (restored.deleted_again, restored.is_complete) == (0, False)
    with Record.open(path) as record:
        record.verify()


def test_a_back_up_of_another_record_is_put_back_as_it_is(path: Path, tmp_path: Path) -> None:
    other, _ = make_record(tmp_path / "other.sqlite", "P-5")
    other.back_up(tmp_path / "copy.sqlite")
    other.close()
    record, visit = make_record(path)
    record.delete_patient(visit.patient_id, WHO, "asked for")
    record.close()
    restored = Record.restore(tmp_path / "copy.sqlite", path)
    assert (restored.deleted_again, restored.is_complete) == (0, False)
    with Record.open(path) as record:
        assert [patient.code for patient in record.patients()] == ["P-5"]


RESTORER = """
import os, sys
from pathlib import Path
from layermotion.record import copies
moment, backup, path = sys.argv[1:]
real = getattr(copies, moment)
def stop(*given):
    os.kill(os.getpid(), 9)
setattr(copies, moment, stop)
copies.restore(Path(backup), Path(path))
"""


@pytest.fixture
def pair(path: Path, tmp_path: Path) -> Iterator[Path]:
    """Give a back-up, and a record that has gone on since."""
    record, _ = make_record(path)
    record.back_up(tmp_path / "copy.sqlite")
    record.add_patient("P-99")
    record.close()
    yield tmp_path / "copy.sqlite"


def test_restoring_killed_before_its_end_leaves_the_record_as_it_was(
    path: Path, pair: Path
) -> None:
    done = subprocess.run([sys.executable, "-c", RESTORER, "_kept_name", str(pair), str(path)])
    assert done.returncode == -9
    (unfinished,) = path.parent.glob(".*.sqlite")
    with Record.open(path) as record:
        assert [patient.code for patient in record.patients()] == ["P-017", "P-99"]
        record.verify()
        # The copy that was never finished holds the patient as well.
        assert b"P-017" in unfinished.read_bytes()
        record.delete_patient(record.patient("P-017").patient_id, WHO, "asked for")
        assert b"P-017" not in bytes_in(path.parent)
    assert names(path.parent) == {path.name}
