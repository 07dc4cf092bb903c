"""The chain of the record: whatever is changed, taken out or moved is found."""

import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from held import WHO, begin_visit, make_record, signed_value
from hypothesis import example, given, settings
from hypothesis import strategies as st

from layermotion.errors import RecordError
from layermotion.record.entries import Event
from layermotion.record.store import MARK_DIGITS, Record

COLUMNS = (
    ("chain", "number"), ("chain", "digest"), ("chain", "hash"),
    ("contents", "number"), ("contents", "salt"),
    ("contents", "about"), ("contents", "payload"),
    ("head", "number"), ("head", "hash"),
)  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Make a closed record with a patient, and another one who was deleted."""
    path = tmp_path_factory.mktemp("sound") / "record.sqlite"
    record, _ = make_record(path)
    with record:
        gone = record.add_patient("P-18", WHO)
        visit = begin_visit(record, gone, date(2024, 4, 1))
        record.sign(visit.visit_id, [signed_value()], WHO)
        record.delete_patient(gone.patient_id, WHO, "asked for")
        record.verify()
    return path.read_bytes()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One file for every example."""
    return tmp_path_factory.mktemp("changed") / "record.sqlite"


def changed(place: Path, sound: bytes, *statements: tuple[str, tuple[object, ...]]) -> None:
    """Write the sound record, and run statements on it past the program."""
    put(place, sound)
    with closing(sqlite3.connect(place)) as raw, raw:
        for statement, values in statements:
            raw.execute(statement, values)


def put(place: Path, content: bytes) -> None:
    for file in place.parent.iterdir():
        file.unlink()
    place.write_bytes(content)


def verify(path: Path) -> None:
    with Record.open(path) as record:
        record.verify()


def all_events(path: Path) -> list[Event]:
    with Record.open(path) as record:
        return [
            event
            for patient in record.patients()
            for visit in record.visits(patient.patient_id)
            for event in record.events(visit.visit_id)
        ]


def test_the_untouched_record_holds(place: Path, sound: bytes) -> None:
    put(place, sound)
    verify(place)
    assert len(all_events(place)) == 6


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(COLUMNS), st.integers(0, 10**6), st.integers(0, 10**6), st.integers(1, 255))
def test_one_changed_byte_of_any_column_of_any_row_is_found(
    sound: bytes, place: Path, column: tuple[str, str], row: int, byte: int, flips: int
) -> None:
    table, name = column
    put(place, sound)
    with closing(sqlite3.connect(place)) as raw, raw:
        rows = raw.execute(f"SELECT rowid, {name} FROM {table} ORDER BY rowid").fetchall()
        rowid, value = rows[row % len(rows)]
        if isinstance(value, int):
            new: object = value ^ (flips << 8 * (byte % 7))
        else:
            content = bytearray(value.encode() if isinstance(value, str) else value)
            content[byte % len(content)] ^= flips
            new = bytes(content)
        cast = f"CAST(? AS {'TEXT' if isinstance(value, str) else 'BLOB'})"
        cast = "?" if isinstance(value, int) else cast
        try:
            raw.execute(f"UPDATE {table} SET {name} = {cast} WHERE rowid = ?", (new, rowid))
        except sqlite3.Error:
            # What SQLite itself does not take: text that is no JSON any more, or a number twice.
            return
    with pytest.raises(RecordError):
        verify(place)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10**9), st.integers(1, 255))
# The name of a table becomes bytes, which no text can be compared with.
@example(3199, 1)
def test_one_changed_byte_of_the_file_is_found_or_changes_nothing(
    sound: bytes, place: Path, byte: int, flips: int
) -> None:
    put(place, sound)
    before = all_events(place)
    content = bytearray(sound)
    content[byte % len(content)] ^= flips
    put(place, bytes(content))
    try:
        verify(place)
    except RecordError:
        return
    assert all_events(place) == before


@pytest.mark.parametrize(
    ("statement", "number"),
    [
        ("DELETE FROM contents WHERE number = 4", 4),
        ("DELETE FROM chain WHERE number = 4", 4),
        ("DELETE FROM chain WHERE number = 1", 1),
        ("UPDATE contents SET about = replace(about, '\"KL\"', '\"MN\"') WHERE number = 3", 3),
        ("UPDATE contents SET payload = replace(payload, '2024-03-01', '2024-03-02')", 2),
        # A deletion that nobody wrote down: another patient's events are not among those named.
        ("DELETE FROM contents WHERE patient_id IS NOT NULL", 1),
        # What was deleted does not come back under another text.
        ("INSERT INTO contents (number, salt, about, payload) SELECT 9, salt, about, payload "
         "FROM contents WHERE number = 4", 9),
        ("INSERT INTO contents (number, salt, about, payload) SELECT 99, salt, about, payload "
         "FROM contents WHERE number = 4", 99),
        ("INSERT INTO chain SELECT max(number) + 1, digest, hash FROM chain",
         14),
    ],
)  # fmt: skip
def test_the_first_event_that_does_not_fit_is_named(
    place: Path, sound: bytes, statement: str, number: int
) -> None:
    changed(place, sound, (statement, ()))
    with pytest.raises(
        RecordError, match=f"Event {number} of the record .* does not fit the chain"
    ):
        verify(place)


def test_a_deleted_text_put_back_as_it_was_is_found(tmp_path: Path) -> None:
    path, copy = tmp_path / "record.sqlite", tmp_path / "copy.sqlite"
    record, visit = make_record(path)
    record.back_up(copy)
    record.delete_patient(visit.patient_id, WHO, "asked for")
    record.close()
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("ATTACH ? AS copy", (str(copy),))
        raw.execute(
            "INSERT INTO contents (number, salt, about, payload) "
            "SELECT number, salt, about, payload FROM copy.contents WHERE number = 3"
        )
    with pytest.raises(RecordError, match="Event 3 of"):
        verify(path)


@given(st.permutations(range(1, 8)).filter(lambda order: order != list(range(1, 8))))
@settings(max_examples=25, deadline=None)
def test_events_in_another_order_are_found(sound: bytes, place: Path, order: list[int]) -> None:
    for table in ("contents", "chain"):
        moves = [
            (f"UPDATE {table} SET number = ? WHERE number = ?", (100 + new, old))
            for old, new in enumerate(order, start=1)
        ]
        back: tuple[str, tuple[object, ...]]
        back = (f"UPDATE {table} SET number = number - 100 WHERE number > 100", ())
        changed(place, sound, *moves, back)
        first = next(n for n, old in enumerate(order, start=1) if n != old)
        with pytest.raises(RecordError, match=f"Event {first} of"):
            verify(place)


def test_events_taken_off_the_end_are_found(place: Path, tmp_path: Path) -> None:
    make_record(tmp_path / "record.sqlite")[0].close()
    whole = (tmp_path / "record.sqlite").read_bytes()
    for tables in (("chain",), ("contents",), ("chain", "contents")):
        changed(place, whole, *[(f"DELETE FROM {name} WHERE number = 7", ()) for name in tables])
        with pytest.raises(RecordError, match="Event 7 of .* does not fit the chain"):
            verify(place)


def test_a_trail_cut_and_closed_anew_is_found_by_a_hash_that_was_noted(
    place: Path, sound: bytes
) -> None:
    put(place, sound)
    amendment = all_events(place)[-1]
    with Record.open(place) as record:
        record.verify(amendment.hash)
        record.verify(amendment.hash[:MARK_DIGITS])
        for short in (amendment.hash[: MARK_DIGITS - 1], "%" * MARK_DIGITS):
            with pytest.raises(RecordError, match="is no hash of an event"):
                record.verify(short)
    changed(
        place,
        sound,
        ("DELETE FROM chain WHERE number >= ?", (amendment.number,)),
        ("DELETE FROM contents WHERE number >= ?", (amendment.number,)),
        ("UPDATE head SET number = ?, hash = (SELECT hash FROM chain WHERE number = ?)",
         (amendment.number - 1, amendment.number - 1)),
    )  # fmt: skip
    # Whoever writes the whole end anew leaves a chain that fits; only the noted hash tells.
    verify(place)
    with Record.open(place) as record:
        with pytest.raises(RecordError, match=f"no event with the hash {amendment.hash}"):
            record.verify(amendment.hash)


def test_damage_is_one_sentence_that_says_what_to_do(place: Path, sound: bytes) -> None:
    noise = random.Random(5)
    said = []
    for byte in range(100, len(sound), 97):
        content = bytearray(sound)
        content[byte : byte + 64] = noise.randbytes(64)
        put(place, bytes(content[: len(sound)]))
        try:
            verify(place)
        except RecordError as error:
            said.append(str(error))
    # The rest of the file is room for more.
    assert len(said) > 50
    for sentence in said:
        assert sentence.endswith("restore a sound back-up with: layermotion record restore BACKUP")
        assert "record.sqlite" in sentence and "\n" not in sentence


@pytest.mark.parametrize("read", [lambda r: r.patients(), lambda r: r.verify()])
def test_text_that_is_no_json_is_one_sentence(
    place: Path, sound: bytes, read: Callable[[Record], object]
) -> None:
    """A byte of a text changed in the file itself, where SQLite has no say."""
    put(place, sound.replace(b'"kind":"patient_added"', b'"kind":"patient_added\x01'))
    with pytest.raises(RecordError, match="damaged|chain"):
        with Record.open(place) as record:
            read(record)
