"""Consent: what holds on which day, a history that only grows, and a secret kept apart."""

import hashlib
import hmac
import itertools
import os
import signal
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

import layermotion.consent.ledger
from layermotion.consent.ledger import Consent, Event, Ledger, Scope
from layermotion.consent.store import transaction
from layermotion.errors import InputError
from layermotion.lab.persons import Person, read_consents
from layermotion.lab.secret import Secret, create_secret, load_secret
from layermotion.serving.sentences import sentences_of

BOTH = (Scope.TRAINING, Scope.EVALUATION)
ANNA, BERT, CARL = "s-00000000000000aa", "s-00000000000000bb", "s-00000000000000cc"


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    """Make an empty ledger."""
    return Ledger(tmp_path / "consent.sqlite")


def test_consent_holds_from_its_first_to_its_last_day(ledger: Ledger) -> None:
    ledger.record([Consent(ANNA, (Scope.TRAINING,), date(2024, 3, 1), date(2024, 9, 1))], "nurse 2")
    held = {day: ledger.scopes_of(ANNA, date.fromisoformat(day)) for day in (
        "2024-02-29", "2024-03-01", "2024-09-01", "2024-09-02")}  # fmt: skip
    assert held["2024-02-29"] == held["2024-09-02"] == frozenset()
    assert held["2024-03-01"] == held["2024-09-01"] == {Scope.TRAINING}
    assert ledger.scopes_of(BERT, date(2024, 3, 1)) == frozenset()


def test_withdrawal_ends_every_scope_and_a_new_consent_starts_again(ledger: Ledger) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), None)], "nurse 2")
    ledger.withdraw(ANNA, date(2024, 5, 1), "nurse 3")
    ledger.record([Consent(ANNA, (Scope.EVALUATION,), date(2024, 7, 1), None)], "nurse 2")
    assert ledger.scopes_of(ANNA, date(2024, 4, 30)) == set(BOTH)
    assert ledger.scopes_of(ANNA, date(2024, 5, 1)) == frozenset()
    assert ledger.scopes_of(ANNA, date(2024, 7, 1)) == {Scope.EVALUATION}
    events = [entry.event for entry in ledger.history(ANNA)]
    assert events == [Event.CONSENT] * 2 + [Event.WITHDRAWAL] * 2 + [Event.CONSENT]
    assert {entry.recorded_by for entry in ledger.history()} == {"nurse 2", "nurse 3"}


def test_a_row_written_late_counts_by_its_day(ledger: Ledger) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 6, 1), None)], "nurse 2")
    ledger.record([Consent(BERT, BOTH, date(2024, 1, 1), None)], "nurse 2")
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), date(2024, 2, 1))], "nurse 2")
    on = date(2024, 6, 2)
    assert ledger.subjects(on) == {ANNA: set(BOTH), BERT: set(BOTH)}


def test_what_is_recorded_again_adds_nothing_and_restores_nothing(ledger: Ledger) -> None:
    file = [
        Consent(ANNA, BOTH, date(2024, 5, 1), None),
        Consent(BERT, (Scope.TRAINING,), date(2024, 5, 1), date(2024, 12, 31)),
    ]
    assert ledger.record(file, "nurse 2") == 2
    ledger.withdraw(ANNA, date(2024, 5, 1), "nurse 3")  # on the day of the consent
    before = ledger.history()
    assert ledger.record(file, "nurse 2") == 0
    assert ledger.history() == before
    assert ledger.subjects(date(2024, 6, 1)) == {ANNA: frozenset(), BERT: {Scope.TRAINING}}


@pytest.mark.parametrize("day", [date(2024, 3, 1), date(2024, 5, 1), date(2024, 6, 1)])
def test_a_withdrawal_stands_until_a_new_consent_of_a_later_day(ledger: Ledger, day: date) -> None:
    ledger.record([Consent(ANNA, (Scope.TRAINING,), date(2024, 1, 1), None)], "nurse 2")
    ledger.withdraw(ANNA, date(2024, 6, 1), "nurse 3")
    # Other consents of a day before, also for what was not agreed to then.
    ledger.record([Consent(ANNA, BOTH, day, None)], "nurse 2")
    assert ledger.scopes_of(ANNA, date(2024, 7, 1)) == frozenset()
    assert ledger.withdrawn(date(2024, 7, 1)) == {ANNA}
    ledger.record([Consent(ANNA, BOTH, date(2024, 6, 2), None)], "nurse 2")
    assert ledger.scopes_of(ANNA, date(2024, 6, 1)) == frozenset()
    assert ledger.scopes_of(ANNA, date(2024, 6, 2)) == set(BOTH)
    assert ledger.withdrawn(date(2024, 6, 2)) == frozenset()


def test_a_withdrawal_written_late_works_from_its_own_day(ledger: Ledger) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), None)], "nurse 2")
    ledger.record([Consent(ANNA, BOTH, date(2024, 5, 1), None)], "nurse 2")
    ledger.withdraw(ANNA, date(2024, 3, 1), "nurse 3")  # known only now, in June
    held = {day: ledger.scopes_of(ANNA, date.fromisoformat(day)) for day in (
        "2024-02-29", "2024-03-01", "2024-04-30", "2024-05-01", "2024-06-01")}  # fmt: skip
    assert held.pop("2024-02-29") == set(BOTH)
    assert set(held.values()) == {frozenset()}


WITHDRAWN = "withdrawal of 2024-05-01 stands until a new consent of a later day"


@pytest.mark.parametrize(
    ("scopes", "day", "expiry", "sentences"),
    [
        (BOTH, date(2024, 5, 2), None, []),
        (BOTH, date(2024, 5, 1), None,
         [f"training, evaluation: recorded, but does not hold, because the {WITHDRAWN}."]),
        ((Scope.TRAINING,), date(2024, 4, 1), None,
         [f"training: recorded, but does not hold, because the {WITHDRAWN}."]),
        (BOTH, date(2024, 5, 2), date(2024, 5, 31),
         ["training, evaluation: recorded, but does not hold, because the latest consent "
          "expired on 2024-05-31."]),
    ],
)  # fmt: skip
def test_a_consent_that_does_not_hold_is_said_to_and_why(
    ledger: Ledger, scopes: tuple[Scope, ...], day: date, expiry: date | None, sentences: list[str]
) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), None)], "nurse 2")
    ledger.withdraw(ANNA, date(2024, 5, 1), "nurse 2")
    consent = Consent(ANNA, scopes, day, expiry)
    ledger.record([consent], "nurse 2")
    today = date(2024, 6, 1)
    assert ledger.remarks([consent], today) == {ANNA: tuple(sentences)}
    assert (ledger.scopes_of(ANNA, today) >= set(scopes)) is (not sentences)


def test_a_narrower_consent_says_what_goes_on(ledger: Ledger) -> None:
    wide = Consent(ANNA, BOTH, date(2024, 1, 1), None)
    narrow = Consent(ANNA, (Scope.EVALUATION,), date(2024, 5, 1), None)
    ledger.record([wide, narrow], "nurse 2")
    remark = (
        "training: still holds by the consent of 2024-01-01; layermotion lab withdraw ends it, "
        "with every other scope."
    )
    # In a table that holds both rows, the later one is what was agreed to last.
    for recorded in ([narrow], [wide, narrow], [narrow, wide]):
        assert ledger.remarks(recorded, date(2024, 6, 1)) == {ANNA: (remark,)}
    together = [replace(narrow, scopes=(scope,)) for scope in BOTH]
    ledger.record(together, "nurse 2")
    assert ledger.remarks(together, date(2024, 6, 1)) == {ANNA: ()}


def test_an_expired_consent_is_no_withdrawal(ledger: Ledger) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), date(2024, 2, 1))], "nurse 2")
    assert ledger.scopes_of(ANNA, date(2024, 6, 1)) == ledger.withdrawn(date(2024, 6, 1))


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM history",
        "UPDATE history SET expiry = '2099-01-01'",
        "INSERT OR REPLACE INTO history SELECT number, subject, event, scope, day, '2099-01-01',"
        " recorded_by, recorded_at FROM history WHERE number = 1",
    ],
)
def test_history_refuses_changes(ledger: Ledger, statement: str) -> None:
    ledger.record([Consent(ANNA, BOTH, date(2024, 1, 1), None)], "nurse 2")
    before = ledger.history()
    with (
        closing(sqlite3.connect(ledger.path)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="only grows"),
    ):
        connection.execute(statement)
    assert ledger.history() == before


def test_rows_that_make_no_sense_are_refused(ledger: Ledger) -> None:
    tomorrow = date.today() + timedelta(days=1)
    with pytest.raises(InputError, match="lies ahead"):
        ledger.record([Consent(ANNA, BOTH, tomorrow, None)], "nurse 2")
    with pytest.raises(InputError, match="before it begins"):
        ledger.record([Consent(ANNA, BOTH, date(2024, 2, 1), date(2024, 1, 1))], "nurse 2")
    with pytest.raises(InputError, match="who records"):
        ledger.record([Consent(ANNA, BOTH, date(2024, 2, 1), None)], "  ")
    with pytest.raises(InputError, match="needs a scope"):
        ledger.record([Consent(ANNA, (), date(2024, 2, 1), None)], "nurse 2")
    with pytest.raises(InputError, match="no consent of"):
        ledger.withdraw(ANNA, date(2024, 2, 1), "nurse 2")
    assert ledger.history() == ()


def test_a_local_identifier_cannot_enter_the_ledger(ledger: Ledger) -> None:
    with pytest.raises(InputError, match="cannot be used"):
        ledger.record([Consent("4711", BOTH, date(2024, 2, 1), None)], "nurse 2")
    assert ledger.history() == ()


def test_a_damaged_ledger_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "consent.sqlite"
    path.write_bytes(b"not a database" * 100)
    with pytest.raises(InputError, match="restore it from the last copy"):
        Ledger(path)


@pytest.mark.parametrize(
    ("name", "remedy"),
    [
        ("SQLITE_FULL", ", free some space and try again."),
        ("SQLITE_IOERR_WRITE", ", free some space and try again."),
        ("SQLITE_READONLY_DBMOVED", ", see to the rights of the file and its folder."),
        ("SQLITE_CORRUPT_INDEX", ", restore it from the last copy."),
        ("SQLITE_MISUSE", "nothing was written."),
    ],
)
def test_a_sound_ledger_is_not_replaced_by_a_copy(ledger: Ledger, name: str, remedy: str) -> None:
    error = sqlite3.OperationalError("SQLite's own words")
    error.sqlite_errorname = name
    with pytest.raises(InputError) as raised, transaction(ledger.path):
        raise error
    assert str(raised.value).endswith(remedy)
    assert ("restore" in str(raised.value)) == ("CORRUPT" in name)
    german = sentences_of("de")
    assert german is not None
    said = german.say(str(raised.value))
    assert said.startswith("Das Verzeichnis der Einwilligungen consent.sqlite ist nicht")
    assert ("Kopie" in said) == ("CORRUPT" in name)


def test_a_ledger_that_another_program_holds_is_left_as_it_is(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("layermotion.consent.store.PATIENCE_S", 0.01)
    with closing(sqlite3.connect(ledger.path)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(InputError, match="nothing was written, another program holds it"):
            ledger.record([Consent(ANNA, BOTH, date(2024, 2, 1), None)], "nurse 2")
    assert ledger.history() == ()


def test_pseudonym_is_the_hmac_of_the_identifier() -> None:
    key = bytes(range(32))
    text = b"subject\0clinic-a\0\0p4711"
    expected = hmac.new(key, text, hashlib.sha256).hexdigest()[:16]
    assert Person("P4711", "clinic-a").pseudonym(Secret(key)) == f"s-{expected}"
    assert Person("P4711", "clinic-a").pseudonym(Secret(bytes(32))) != f"s-{expected}"
    assert "0102" not in repr(Secret(key)) and "4711" not in repr(Person("P4711", "clinic-a"))
    with pytest.raises(InputError, match="not empty"):
        Person(" ", "clinic-a")
    with pytest.raises(InputError, match="needs a site"):
        Person("4711", " ")


def test_secret_is_the_owners_alone(tmp_path: Path) -> None:
    path = tmp_path / "keys" / "secret"
    made = create_secret(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_secret(path).check == made.check
    with pytest.raises(InputError, match="never replaced"):
        create_secret(path)
    os.chmod(path, 0o640)
    with pytest.raises(InputError, match="chmod 600"):
        load_secret(path)


def test_a_secret_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "keys" / "secret"
    child = os.fork()
    if child == 0:
        # Killed when the key is about to be written.
        monkeypatch.setattr("builtins.open", die)
        monkeypatch.setattr("os.fdopen", die)
        monkeypatch.setattr("os.write", die)
        monkeypatch.setattr("io.open", die)
        create_secret(path)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    assert not path.exists()
    made = create_secret(path)
    assert load_secret(path).check == made.check
    assert os.listdir(path.parent) == ["secret"]


def die(*_: object, **__: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize("rows", range(7))
def test_a_load_killed_at_any_row_is_loaded_again_without_doubles(
    rows: int, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = [Consent(subject, BOTH, date(2024, 5, 1), None) for subject in (ANNA, BERT, CARL)]
    child = os.fork()
    if child == 0:
        insert, written = layermotion.consent.ledger._insert, itertools.count()

        def insert_some(*values: Any) -> None:
            insert(*values)
            if next(written) == rows:
                die()

        monkeypatch.setattr("layermotion.consent.ledger._insert", insert_some)
        ledger.record(file, "nurse 2")
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code == (-signal.SIGKILL if rows < 6 else 0)
    assert ledger.record(file, "nurse 2") == (3 if rows < 6 else 0)
    assert len(ledger.history()) == 6


def test_two_loads_at_once_add_each_consent_once(ledger: Ledger) -> None:
    file = [Consent(f"s-{n:016x}", BOTH, date(2024, 5, 1), None) for n in range(200)]
    together = threading.Barrier(4)

    def load(_: int) -> int:
        together.wait()
        return ledger.record(file, "nurse 2")

    with ThreadPoolExecutor(4) as pool:
        added = list(pool.map(load, range(4)))
    assert sorted(added) == [0, 0, 0, 200]
    assert len(ledger.history()) == 400


def test_what_is_no_secret_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_secret(tmp_path / "missing")
    path = tmp_path / "short"
    path.write_text("abcd")
    path.chmod(0o600)
    with pytest.raises(InputError, match="not a secret"):
        load_secret(path)


def test_replaced_uids_are_valid_and_consistent() -> None:
    from pydicom.uid import UID

    secret = Secret(bytes(32))
    one, other = secret.replaced_uid("1.2.3"), secret.replaced_uid("1.2.4")
    assert one == secret.replaced_uid("1.2.3") != other
    assert UID(one).is_valid and UID(one).startswith("2.25.")


def test_a_table_is_recorded_whole_or_not_at_all(ledger: Ledger, tmp_path: Path) -> None:
    secret = Secret(bytes(32))
    table = tmp_path / "consents.csv"
    table.write_text(
        "subject,scope,day,expiry\n4711,both,2024-03-01,\n4712,Evaluation,2024-03-02,2024-09-01\n"
    )
    ledger.record([row.consent(secret) for row in read_consents(table, "clinic-a")], "nurse 2")
    held = ledger.subjects(date(2024, 3, 2))
    assert held[Person("4711", "clinic-a").pseudonym(secret)] == set(BOTH)
    assert held[Person("4712", "clinic-a").pseudonym(secret)] == {Scope.EVALUATION}
    assert len(held) == 2
    for rows, sentence in (
        ("4713,training,1.3.2024,", "Row 3 of consents.csv"),
        ("4713,all,2024-03-01,", "Row 3 of consents.csv"),
        (",both,2024-03-01,", "not empty"),
        ("4713,both,2024-03-01,2023-01-01", "before it begins"),
    ):
        table.write_text(f"subject,scope,day,expiry\n4714,both,2024-03-01,\n{rows}\n")
        with pytest.raises(InputError, match=sentence) as caught:
            read_consents(table, "clinic-a")
        assert "471" not in str(caught.value)
    table.write_text("subject,scope,day\n4714,both,2024-03-01\n")
    with pytest.raises(InputError, match="no column 'expiry'"):
        read_consents(table, "clinic-a")
    before = ledger.history()
    late = Consent(ANNA, BOTH, date.today() + timedelta(days=1), None)
    with pytest.raises(InputError, match="lies ahead"):
        ledger.record([Consent(BERT, BOTH, date(2024, 1, 1), None), late], "nurse 2")
    assert ledger.history() == before
