"""The record over time: what is held, what a signature closes, and what is refused."""

import random
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from held import WHO, begin_visit, make_record, signed_value

from layermotion.errors import RecordError
from layermotion.measures.measure import Measure, Status
from layermotion.places import default_record
from layermotion.record import database
from layermotion.record.chart import read_visits
from layermotion.record.codes import check_code
from layermotion.record.entries import HeldClip, SignedValue
from layermotion.record.store import Record

DAY = date(2024, 3, 1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "record.sqlite"


def test_what_was_entered_is_there_after_opening_again(path: Path) -> None:
    record, visit = make_record(path)
    events = record.events(visit.visit_id)
    record.close()
    with Record.open(path) as again:
        (patient,) = again.patients()
        assert patient.code == "P-017"
        assert again.patient(" p-017") == patient
        assert again.visits(patient.patient_id) == (visit,)
        assert again.visit(visit.visit_id) == visit
        assert again.events(visit.visit_id) == events
        assert [clip.clip_id for clip in again.clips(visit.visit_id)] == ["c-1"]
    assert [event.kind for event in events] == [
        "visit_begun", "clip_added", "move_edge", "confirm", "signed", "amendment",
    ]  # fmt: skip
    moved = events[2]
    assert (moved.clip_id, moved.who, moved.why) == ("c-1", WHO, "the edge lay on the fascia")
    assert moved.payload == {"frame": 7, "row_px": [31.5, 32.25]}
    assert [event.number for event in events] == [2, 3, 4, 5, 6, 7]
    assert visit.is_signed and visit.signed_by == WHO and visit.signed_at == events[4].when


def test_visits_stand_by_their_day_and_facts_of_a_clip_are_the_last(path: Path) -> None:
    with Record.open(path) as record:
        patient = record.add_patient("P-1")
        late, early = (begin_visit(record, patient, day) for day in (DAY, date(2024, 1, 9)))
        assert record.visits(patient.patient_id) == (early, late)
        before = len(record.events(late.visit_id))
        record.add_clip(late.visit_id, "c-1", {"lateral": "known"})
        assert len(record.events(late.visit_id)) == before
        record.add_clip(late.visit_id, "c-1", {"lateral": "unknown"})
        (clip,) = record.clips(late.visit_id)
        assert clip.facts == {"lateral": "unknown"}
        assert record.visits_with("c-1") == (late, early)
        assert record.visits_with("c-9") == ()


def test_a_withdrawn_visit_counts_no_longer_and_the_trail_keeps_it(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        before = record.events(visit.visit_id)
        for who, why, said in (("", "mistake", "needs to know who"), (WHO, " ", "say why")):
            with pytest.raises(RecordError, match=said):
                record.withdraw(visit.visit_id, who, why)
        assert record.values(visit.visit_id) and record.events(visit.visit_id) == before
        gone = record.withdraw(visit.visit_id, "MN", "of another patient")
        assert (gone.withdrawn_by, gone.signed_by) == ("MN", WHO)
        assert record.values(visit.visit_id) == ()
        assert record.visits_with("c-1") == ()
        assert read_visits(record, visit.patient_id) == ()
        *kept, last = record.events(visit.visit_id)
        assert tuple(kept) == before
        assert (last.kind, last.who, last.why) == ("visit_withdrawn", "MN", "of another patient")
        said = f"The visit of {visit.day} was withdrawn by MN"
        for change in (
            lambda: record.withdraw(visit.visit_id, WHO, "again"),
            lambda: record.amend(visit.visit_id, [signed_value()], WHO, "read again"),
            lambda: record.append(visit.visit_id, "c-1", "confirm", {}, WHO),
            lambda: record.add_clip(visit.visit_id, "c-2", {}, WHO),
            lambda: record.sign(visit.visit_id, [signed_value()], WHO),
        ):
            with pytest.raises(RecordError, match=said):
                change()
        with pytest.raises(RecordError, match="own"):
            record.append(visit.visit_id, None, "visit_withdrawn", {}, WHO)
        record.verify()


def test_an_amendment_stands_in_place_of_what_was_signed_and_hides_nothing(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        assert [value.value for value in record.values(visit.visit_id)] == [4.2, 3.0]
        signed = record.events(visit.visit_id)[4]
        assert [value["value"] for value in signed.payload["values"]] == [4.0, 3.0]


def test_an_amendment_withdraws_values_until_one_gives_them_again(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        (value, other) = record.values(visit.visit_id)
        payload = {"withdrawn": [list(value.key)]}
        record.append(visit.visit_id, None, "amendment", payload, WHO, "the probe slipped")
        assert record.values(visit.visit_id) == (other,)
        record.amend(visit.visit_id, [value], WHO, "it was another clip")
        assert set(record.values(visit.visit_id)) == {value, other}


def test_an_amendment_puts_facts_of_a_clip_in_place_of_those_held(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        (before, *others) = record.clips(visit.visit_id)
        facts = {**before.facts, "place": "by-hand:130"}
        payload = {"facts": {before.clip_id: facts}}
        record.append(visit.visit_id, None, "amendment", payload, WHO, "the site lay on the edge")
        assert record.clips(visit.visit_id) == (HeldClip(before.clip_id, facts), *others)
        for wrong, said in (
            ({"facts": {"c-other": facts}}, "The visit holds no clip c-other"),
            ({"facts": {before.clip_id: {"place": 130}}}, "no names with texts"),
            ({"facts": [before.clip_id]}, "no names with texts"),
        ):
            with pytest.raises(RecordError, match=said):
                record.append(visit.visit_id, None, "amendment", wrong, WHO, "a reason")
        assert len(record.clips(visit.visit_id)) == 1 + len(others)
        record.verify()


def test_an_amendment_has_no_value_of_another_clip_and_none_twice(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        value = record.values(visit.visit_id)[0]
        other = replace(value, clip_id="c-other")
        for values, said in (([other], "The visit holds no clip c-other"), ([value] * 2, "twice")):
            payload = {"values": [each.to_json() for each in values]}
            with pytest.raises(RecordError, match=said):
                record.append(visit.visit_id, None, "amendment", payload, WHO, "a reason")
            with pytest.raises(RecordError, match=said):
                record.amend(visit.visit_id, values, WHO, "a reason")


def test_a_signed_visit_takes_amendments_alone(path: Path) -> None:
    record, visit = make_record(path)
    with record:
        count = len(record.events(visit.visit_id))
        read_only = "2024-03-01 was signed by KL, so it is read-only; add an amendment"
        with pytest.raises(RecordError, match=read_only):
            record.append(visit.visit_id, "c-1", "move_edge", {}, WHO)
        with pytest.raises(RecordError, match=read_only):
            record.sign(visit.visit_id, [signed_value()], WHO)
        with pytest.raises(RecordError, match=read_only):
            record.add_clip(visit.visit_id, "c-2", {})
        with pytest.raises(RecordError, match="needs its reason"):
            record.append(visit.visit_id, None, "amendment", {"note": "x"}, WHO)
        with pytest.raises(RecordError, match="holds no signed value"):
            record.append(visit.visit_id, None, "amendment", {"values": [{}]}, WHO, "slip")
        for wrong in ("all", [["c-1"]], [["c-1", "slide", "tra", 1, "mm"]]):
            with pytest.raises(RecordError, match="withdraws what is no value"):
                payload = {"withdrawn": wrong}
                record.append(visit.visit_id, None, "amendment", payload, WHO, "slip")
        assert len(record.events(visit.visit_id)) == count
        record.append(visit.visit_id, None, "amendment", {"note": "rested first"}, WHO, "forgotten")
        assert len(record.events(visit.visit_id)) == count + 1


def test_what_does_not_fit_is_refused_and_leaves_nothing(path: Path) -> None:
    with Record.open(path) as record:
        visit = begin_visit(record, record.add_patient("P-1"), DAY)
        own = visit.visit_id
        count = len(record.events(own))
        for kind, sentence in (("signed", "record's own"), (" ", "record's own"),
                               ("amendment", "not signed yet")):  # fmt: skip
            with pytest.raises(RecordError, match=sentence):
                record.append(own, None, kind, {}, WHO, "slip")
        with pytest.raises(RecordError, match="no clip c-9"):
            record.append(own, "c-9", "confirm", {}, WHO)
        with pytest.raises(RecordError, match="needs to know who"):
            record.append(own, "c-1", "confirm", {}, "  ")
        with pytest.raises(RecordError, match="needs to know who"):
            record.sign(own, [signed_value()], "")
        with pytest.raises(RecordError, match="confirm first"):
            record.sign(own, [], WHO)
        with pytest.raises(RecordError, match="no clip c-9"):
            record.sign(own, [signed_value(clip_id="c-9")], WHO)
        with pytest.raises(RecordError, match="stands twice"):
            record.sign(own, [signed_value(4.0), signed_value(5.0)], WHO)
        for payload in ({"value": float("nan")}, {"value": {1, 2}}, {"word": "\ud800"}):
            with pytest.raises(RecordError, match="texts and finite numbers"):
                record.append(own, "c-1", "confirm", payload, WHO)
        with pytest.raises(RecordError, match="no visit v-0"):
            record.append("v-0", None, "confirm", {}, WHO)
        with pytest.raises(RecordError, match="no patient p-0"):
            record.begin_visit("p-0", DAY)
        with pytest.raises(RecordError, match="lies ahead"):
            record.begin_visit(visit.patient_id, date.today() + timedelta(days=2))
        with pytest.raises(RecordError, match="The code p-1 is taken"):
            record.add_patient("p-1")
        with pytest.raises(RecordError, match="no patient of this code"):
            record.patient("P-2")
        assert len(record.events(own)) == count
        assert not record.visit(own).is_signed and record.values(own) == ()
        record.verify()


def test_a_value_is_signed_only_if_a_person_confirmed_or_corrected_it() -> None:
    measure = Measure(
        "slide", "tra", "draw_in", "1", 5.5, "mm", 4.0, 7.0, Status.CORRECTED, "", "0-9", "By hand."
    )
    value = SignedValue.of("c-1", "left", measure)
    assert (value.clip_id, value.side, value.name, value.low) == ("c-1", "left", "slide", 4.0)
    assert SignedValue.from_json(value.to_json()) == value
    with pytest.raises(RecordError, match="neither confirmed nor corrected"):
        SignedValue.of("c-1", "left", replace(measure, status=Status.DRAFT))
    for missing in (None, float("inf")):
        with pytest.raises(RecordError, match="has no value"):
            SignedValue.of("c-1", "left", replace(measure, value=missing))
    with pytest.raises(RecordError, match="the side top"):
        SignedValue.of("c-1", "top", measure)
    with pytest.raises(RecordError, match="the task sneeze"):
        SignedValue.of("c-1", "left", replace(measure, task="sneeze"))


@pytest.mark.parametrize("code", ["P-017", "17", "LBP-0017", "a1", "2024-17", "12345678"])
def test_a_code_that_names_nobody_is_taken(code: str) -> None:
    assert check_code(f" {code}\t") == code


@pytest.mark.parametrize(
    ("code", "sentence"),
    [
        *((code, "may be a name") for code in ("", "Ada", "Muster", "Muster1", "A. B. 3", "ä1",
                                               "1" * 25, "P_1", "-1")),
        *((code, "date of birth") for code in ("1963-12-04", "19631204", "04-12-1963", "12041963",
                                               "P-19631204", "P19-631204")),
    ],
)  # fmt: skip
def test_a_code_that_may_give_a_person_away_is_refused_and_not_repeated(
    code: str, sentence: str, path: Path
) -> None:
    with Record.open(path) as record:
        with pytest.raises(RecordError, match=sentence) as refused:
            record.add_patient(code)
        assert not code or code not in str(refused.value)
        assert record.patients() == ()


def test_only_its_owner_may_read_it(path: Path) -> None:
    record, _ = make_record(path)
    files = list(path.parent.iterdir())
    assert {file.name.removeprefix(path.name) for file in files} == {"", "-wal", "-shm"}
    assert {file.stat().st_mode & 0o777 for file in files} == {0o600}
    assert path.parent.stat().st_mode & 0o777 == 0o700
    record.close()
    path.chmod(0o644)
    Record.open(path).close()
    assert path.stat().st_mode & 0o777 == 0o600


def test_it_lies_in_the_folder_for_data_of_the_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_record() == tmp_path / "layermotion" / "record.sqlite"
    monkeypatch.setenv("XDG_DATA_HOME", "not/absolute")
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert default_record() == tmp_path / ".local" / "share" / "layermotion" / "record.sqlite"


def test_it_is_not_begun_where_one_must_be(path: Path) -> None:
    with pytest.raises(RecordError, match="There is no record .*name its file by --record"):
        Record.open(path, must_exist=True)
    assert not path.parent.exists()


def test_a_file_of_something_else_is_refused_and_kept_as_it_is(path: Path) -> None:
    path.parent.mkdir()
    for content in (b"side,task\n" * 400, b"x", b"\0" * 511, b"\1" * 512, b"SQLite format 3\0x"):
        path.write_bytes(content)
        with pytest.raises(RecordError, match="is no record of layermotion, or its beginning"):
            Record.open(path)
        assert path.read_bytes() == content
    path.unlink()
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE consent (subject TEXT)")
    content = path.read_bytes()
    with pytest.raises(RecordError, match="is no record of layermotion"):
        Record.open(path)
    assert path.read_bytes() == content


def test_a_file_cut_short_is_refused(path: Path) -> None:
    make_record(path)[0].close()
    whole = path.read_bytes()
    for keep in (4096, 3 * 4096, len(whole) - 4096):
        path.write_bytes(whole[:keep])
        with pytest.raises(RecordError, match="is damaged"):
            Record.open(path)


def test_a_folder_in_its_place_and_a_read_only_disk_are_one_sentence(
    tmp_path: Path,
) -> None:
    with pytest.raises(RecordError, match="cannot be written .*name another file"):
        Record.open(tmp_path)
    (tmp_path / "file").touch()
    with pytest.raises(RecordError, match="cannot be written"):
        Record.open(tmp_path / "file" / "record.sqlite")


def test_tables_that_are_not_ours_are_refused(path: Path) -> None:
    make_record(path)[0].close()
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("CREATE TRIGGER forget AFTER INSERT ON chain BEGIN DELETE FROM contents; END")
    with pytest.raises(RecordError, match="its tables are not those of its version"):
        Record.open(path)


def test_a_full_disk_is_one_sentence_and_loses_nothing(path: Path) -> None:
    with Record.open(path) as record:
        visit = begin_visit(record, record.add_patient("P-1"), DAY)
        connection = record._database._connection
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(RecordError, match="cannot be written .*full.*free some space"):
            record.append(visit.visit_id, "c-1", "move_edge", {"text": "x" * 20_000}, WHO)
        connection.execute(f"PRAGMA max_page_count = {pages + 100}")
        record.append(visit.visit_id, "c-1", "move_edge", {"text": "x" * 20_000}, WHO)
        assert len(record.events(visit.visit_id)) == 3
        record.verify()


# A file as version 1 makes it, one patient in it; it stays as it is whatever versions follow.
VERSION_1 = """
CREATE TABLE chain (
            number INTEGER PRIMARY KEY,
            digest BLOB NOT NULL,
            hash BLOB NOT NULL
        ) STRICT;
CREATE TABLE contents (
            number INTEGER PRIMARY KEY,
            salt BLOB NOT NULL,
            about TEXT NOT NULL,
            payload TEXT NOT NULL,
            kind TEXT AS (json_extract(about, '$.kind')),
            patient_id TEXT AS (json_extract(about, '$.patient_id')),
            visit_id TEXT AS (json_extract(about, '$.visit_id')),
            clip_id TEXT AS (json_extract(about, '$.clip_id'))
        ) STRICT;
CREATE INDEX contents_kind ON contents (kind);
CREATE INDEX contents_patient ON contents (patient_id, kind);
CREATE INDEX contents_visit ON contents (visit_id, kind);
CREATE INDEX contents_clip ON contents (clip_id, kind);
CREATE TABLE head (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            number INTEGER NOT NULL,
            hash BLOB NOT NULL
        ) STRICT;
INSERT INTO contents (number, salt, about, payload) VALUES (1, zeroblob(32),
'{"clip_id":null,"kind":"patient_added","patient_id":"p-01","visit_id":null,' ||
'"when":"2024-03-01T09:00:00.000+00:00","who":"KL","why":""}', '{"code":"P-017"}');
INSERT INTO chain VALUES (1,
X'e632b3f52e34a601a4aa3692004f80f0d422422812eaddd294e645fb8fbaad9e',
X'944f09ebc3d25051097228a560fb2467f32a0f74fa6bd39f93ea29eb0e2c7696');
INSERT INTO head SELECT 1, number, hash FROM chain;
PRAGMA application_id = 1280135747;
PRAGMA user_version = 1;
"""


def test_a_file_of_version_1_opens(path: Path) -> None:
    path.parent.mkdir()
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript(VERSION_1)
    with Record.open(path) as record:
        assert [patient.code for patient in record.patients()] == ["P-017"]
        record.verify()
        begin_visit(record, record.patient("P-017"), DAY)
        record.verify()


def test_a_file_is_brought_to_the_newest_version_whole_or_not_at_all(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_record(path)[0].close()
    steps = database.MIGRATIONS
    monkeypatch.setattr(
        database, "MIGRATIONS", (*steps, ("CREATE TABLE notes (x TEXT)", "CREATE TABLE chain (x)"))
    )
    with pytest.raises(RecordError, match="is damaged .*chain already exists"):
        Record.open(path)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (1,)
        assert raw.execute("SELECT * FROM sqlite_schema WHERE name = 'notes'").fetchall() == []
    monkeypatch.setattr(database, "MIGRATIONS", (*steps, ("CREATE TABLE notes (x TEXT)",)))
    with Record.open(path) as record:
        assert len(record.patients()) == 1
        record.verify()
    monkeypatch.setattr(database, "MIGRATIONS", steps)
    with pytest.raises(RecordError, match="has version 2, this layermotion knows 1; use the newer"):
        Record.open(path)


WRITER = """
import sys
from pathlib import Path
from layermotion.record.store import Record
with Record.open(Path(sys.argv[1])) as record:
    print("ready", flush=True)
    sys.stdin.readline()
    visit, who = sys.argv[2:]
    number, alone = 0, True
    # On and on until the other one has written as well.
    while number < 40 or (alone and number < 2000):
        event = record.append(visit, None, "confirm", {"n": number}, who)
        print(event.number, flush=True)
        number += 1
        if number % 10 == 0:
            alone = {event.who for event in record.events(visit)[2:]} == {who}
    print(record.append(visit, None, "confirm", {"n": number}, who).number)
"""


def test_two_processes_write_into_one_record_and_no_event_is_lost(path: Path) -> None:
    with Record.open(path) as record:
        visit = begin_visit(record, record.add_patient("P-1"), DAY)
        writers = [
            subprocess.Popen(
                [sys.executable, "-c", WRITER, str(path), visit.visit_id, who],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
            for who in ("KL", "MN")
        ]
        # Both are told to begin when both are ready, so that they write at the same time.
        assert [writer.stdout and writer.stdout.readline() for writer in writers] == ["ready\n"] * 2
        for writer in writers:
            assert writer.stdin is not None
            writer.stdin.write("go\n")
            writer.stdin.flush()
        said = [writer.communicate()[0] for writer in writers]
        assert [writer.returncode for writer in writers] == [0, 0]
        numbers = [[int(line) for line in lines.split()] for lines in said]
        events = {event.number: event for event in record.events(visit.visit_id)}
        for who, own in zip(("KL", "MN"), numbers, strict=True):
            assert len(own) > 40 and own == sorted(own)
            assert [events[number].payload["n"] for number in own] == list(range(len(own)))
            assert {events[number].who for number in own} == {who}
        assert len(events) == 2 + sum(map(len, numbers))
        # They did write at the same time.
        assert max(numbers[0]) > min(numbers[1]) and max(numbers[1]) > min(numbers[0])
        record.verify()


def test_threads_share_one_record(path: Path) -> None:
    with Record.open(path) as record:
        visit = begin_visit(record, record.add_patient("P-1"), DAY)

        def write(number: int) -> int:
            record.values(visit.visit_id)
            return record.append(visit.visit_id, None, "confirm", {"n": number}, WHO).number

        with ThreadPoolExecutor(8) as pool:
            assert len(set(pool.map(write, range(60)))) == 60
        record.verify()


def test_a_record_that_several_programs_begin_at_once_is_one(tmp_path: Path) -> None:
    for attempt in range(4):
        path = tmp_path / f"{attempt}.sqlite"

        def begin(number: int, path: Path = path) -> None:
            with Record.open(path) as record:
                record.add_patient(f"P-{number}")

        with ThreadPoolExecutor(6) as pool:
            list(pool.map(begin, range(6)))
        with Record.open(path) as record:
            assert {patient.code for patient in record.patients()} == {f"P-{n}" for n in range(6)}
            record.verify()


def test_to_open_it_twice_in_one_program_leaves_its_locks(path: Path) -> None:
    """A file that is opened and closed past SQLite loses the locks of the whole process."""
    with Record.open(path) as record:
        visit = begin_visit(record, record.add_patient("P-1"), DAY)
        Record.open(path).close()
        other = subprocess.run(
            [sys.executable, "-c", HASTY, str(path)], capture_output=True, text=True
        )
        assert "database is locked" in other.stderr
        record.append(visit.visit_id, None, "confirm", {}, WHO)
        record.verify()


# Takes the file for itself, as a deletion does.
HASTY = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], timeout=0, isolation_level=None)
connection.execute("PRAGMA journal_mode = DELETE")
"""


def test_a_record_that_another_program_keeps_to_itself_is_said_to_be_in_use(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_record(path)[0].close()
    monkeypatch.setattr(database, "PATIENCE_S", 0.1)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        with Record.open(path) as record:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(RecordError, match=r"record\.sqlite is in use by another program"):
                record.add_patient("P-2")
            other.execute("ROLLBACK")
            record.add_patient("P-2")


def test_whatever_has_returned_outlives_a_kill_at_any_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parent.parent / "scripts"))
    from kill_record import kill_often

    outcome = kill_often(tmp_path, 5, random.Random(3))
    assert outcome.is_good, outcome.table()
    assert outcome.kills == 5 and outcome.returned > 0
