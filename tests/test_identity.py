"""Recordings of different people or days are not put together, and nobody learns who they are."""

import json
import os
import re
import shutil
import stat
from collections.abc import Callable
from datetime import date
from itertools import count
from pathlib import Path

import pytest
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.clip.identifiers import Identifiers, read_identifiers
from layermotion.commands import identity as command
from layermotion.commands.identity import IDENTITY_FILE
from layermotion.errors import InputError
from layermotion.lab.secret import Secret
from layermotion.record.store import Record
from layermotion.review.visit import Review
from layermotion.session.identity import (
    NOT_CHECKED,
    SAME_DAY,
    SEVERAL_DAYS,
    Identity,
    Relation,
    identify,
)

OPTIONS = ("--no-overlay", "--mm-per-pixel", "0.08,0.11")
# Invented; none may be found in anything that is written or said.
FIRST = {
    "PatientID": "INV-70411",
    "IssuerOfPatientID": "Inventedhouse",
    "PatientName": "Inventia^Quilla",
    "PatientBirthDate": "19610713",
    "StudyDate": "20310219",
}
SECOND = {
    "PatientID": "INV-93652",
    "IssuerOfPatientID": "Inventedhouse",
    "PatientName": "Fictor^Zacharo",
    "PatientBirthDate": "19820927",
    "StudyDate": "20310219",
}
LATER = {**FIRST, "StudyDate": "20310326"}
SECRETS = {text for file in (FIRST, SECOND, LATER) for text in file.values()} - {"Inventedhouse"}
SECRETS |= {"Inventedhouse", "Inventia", "Quilla", "Fictor", "Zacharo"}
SECRETS |= {date.fromisoformat(text).isoformat() for text in SECRETS if text.isdigit()}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> DrawnVisit:
    """Draw recordings of two people, of a later day, and of nobody, beside stills."""
    visit = DrawnVisit(tmp_path_factory.mktemp("drawn") / "files")
    visit.wall("first_1.dcm", 22, **FIRST)
    visit.wall("first_2.dcm", 20, **FIRST)
    visit.wall("second.dcm", 18, **SECOND)
    visit.wall("later.dcm", 16, **LATER)
    visit.wall("nobody.dcm", 14)
    visit.still("rest.png", 45)
    visit.still("contracted.png", 60)
    return visit


@pytest.fixture
def measured(drawn: DrawnVisit, plain_reports: None, monkeypatch: pytest.MonkeyPatch) -> DrawnVisit:
    """Measure with the stand-in."""
    monkeypatch.setattr("layermotion.commands.session.load_in_use", drawn.segmenter)
    return drawn


@pytest.fixture(autouse=True)
def secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep the secret of this computer here."""
    path = tmp_path / "settings" / "visit-secret"
    monkeypatch.setattr(command, "default_visit_secret", lambda: path)
    return path


numbers = count(1)


def visit_of(drawn: DrawnVisit, tmp_path: Path, **names: str) -> Path:
    """Give a folder with copies of drawn files: ``left_draw_in_1="first_1.dcm"``."""
    folder = tmp_path / f"visit{next(numbers)}"
    folder.mkdir()
    for name, source in names.items():
        shutil.copy(drawn.folder / source, folder / f"{name}{Path(source).suffix}")
    return folder


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["session", *(str(argument) for argument in arguments), *OPTIONS])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def said(capsys: pytest.CaptureFixture[str]) -> str:
    """One sentence that was said, and nothing of anybody in it."""
    streams = capsys.readouterr()
    assert streams.out == ""
    assert streams.err.startswith("layermotion: ") and streams.err.count("\n") == 1
    assert not [text for text in SECRETS if text.casefold() in streams.err.casefold()]
    return streams.err.removeprefix("layermotion: ").strip()


def cautions(out: Path) -> list[str]:
    document = json.loads((out / "visit.json").read_text(encoding="utf-8"))
    return list(document["cautions"])


# -- one visit -----------------------------------------------------------------------------------


def test_different_people_stop_the_visit_before_anything_is_measured(
    measured: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="second.dcm")
    assert run(folder, "--out", tmp_path / "out") == 2
    assert said(capsys) == (
        "The files of left-draw_in-1 and of left-draw_in-2 state different people, so nothing was "
        "measured; give the recordings of each person as a visit of their own."
    )
    assert not (tmp_path / "out").exists()
    # That days are meant says nothing of people.
    assert run(folder, "--out", tmp_path / "out", "--several-days") == 2


# -- a visit that is reviewed and signed ---------------------------------------------------------


Reviewed = Callable[..., int]


@pytest.fixture
def reviewed(
    measured: DrawnVisit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Reviewed, list[Review]]:
    """Give what opens the page of a visit, does something on it and ends it; and each review."""
    opened: list[Review] = []
    doing: list[Callable[[Review], None]] = []
    module = "layermotion.commands.review"
    monkeypatch.setattr(f"{module}.load_in_use", measured.segmenter)
    monkeypatch.setattr(f"{module}.routes_of", lambda review, own, lab: opened.append(review))
    monkeypatch.setattr(f"{module}.serve", lambda routes, **where: doing.pop()(opened[-1]))
    monkeypatch.setattr(Review, "measure_all", lambda review: None)

    def review(
        folder: Path, *arguments: str, then: Callable[[Review], None] = lambda review: None
    ) -> int:
        doing[:] = [then]
        record = str(tmp_path / "record.sqlite")
        with pytest.raises(SystemExit) as ended:
            main(["review", str(folder), "--record", record, *arguments])
        assert isinstance(ended.value.code, int)
        return ended.value.code

    return review, opened


def test_only_clips_of_one_person_and_one_day_are_reviewed(
    measured: DrawnVisit,
    tmp_path: Path,
    reviewed: tuple[Reviewed, list[Review]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    review, opened = reviewed
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="second.dcm")
    assert review(folder) == review(folder, "--several-days") == 2
    people = "The files of left-draw_in-1 and of left-draw_in-2 state different people, so nothing"
    assert capsys.readouterr().err.count(people) == 2
    bare = visit_of(measured, tmp_path, inventia="first_1.dcm", quilla="second.dcm")
    assert review(bare) == 2
    assert said(capsys).startswith("The files of clip 1 and of clip 2 state different people")
    days = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="later.dcm")
    assert review(days) == 2
    assert "are of different days" in said(capsys)
    assert opened == [], "no page was served"
    assert review(days, "--several-days") == 0
    assert opened[0]._finish.__self__.identity.cautions == (SEVERAL_DAYS,)  # type: ignore[attr-defined]


def test_a_code_of_somebody_else_is_refused(
    measured: DrawnVisit, tmp_path: Path, reviewed: tuple[Reviewed, list[Review]]
) -> None:
    review, opened = reviewed

    def begun(code: str, source: str) -> None:
        def begin(made: Review) -> None:
            made._is_opened = True
            made.begin(code, "KL", date(2026, 3, 26))

        folder = visit_of(measured, tmp_path, left_draw_in_1=source)
        assert review(folder, then=begin) == 0

    begun("P-1", "first_1.dcm")
    refused: list[str] = []

    def mistype(made: Review) -> None:
        made._is_opened = True
        with pytest.raises(InputError) as error:
            made.begin("P-1", "KL", date(2026, 3, 26))
        refused.append(str(error.value))

    assert review(visit_of(measured, tmp_path, left_draw_in_1="second.dcm"), then=mistype) == 0
    assert refused == [
        "The clips state another person than those of 2026-03-26 under this code; check the code, "
        "or say below that it is the same person."
    ]
    assert opened[-1].is_other_person and opened[-1].visit is None
    begun("P-1", "later.dcm")
    begun("P-1", "nobody.dcm")
    begun("P-2", "second.dcm")
    with Record.open(tmp_path / "record.sqlite") as record:
        own = {patient.code: record.visits(patient.patient_id) for patient in record.patients()}
        assert [len(visits) for visits in own.values()] == [3, 1]
        for visit in own["P-1"]:
            record.withdraw(visit.visit_id, "KL", "of another patient")
    begun("P-1", "second.dcm")

    # Another scanner may number people otherwise: who looked into it goes on, and the trail tells.
    def check(made: Review) -> None:
        made._is_opened = True
        made.begin("P-1", "KL", date(2026, 3, 26), is_checked=True)

    assert review(visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm"), then=check) == 0
    assert opened[-1].visit is not None
    with Record.open(tmp_path / "record.sqlite") as record:
        begin, *_ = record.events(opened[-1].visit.visit_id)
        assert begin.payload["identity"]["is_checked"] is True and begin.who == "KL"
    kept = (tmp_path / "record.sqlite").read_bytes().decode("latin-1").casefold()
    assert not [text for text in SECRETS if text.casefold() in kept]


# -- days ----------------------------------------------------------------------------------------


def test_different_days_stop_where_nobody_can_be_asked(
    measured: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="later.dcm")
    out = tmp_path / "out"
    assert run(folder, "--out", out) == 2
    words = said(capsys)
    assert words.startswith("The files of left-draw_in-1 and of left-draw_in-2 are of different d")
    assert words.endswith("or say with --several-days that this is meant.")
    assert not out.exists()
    assert run(folder, "--out", out, "--several-days") == 0
    assert SEVERAL_DAYS in cautions(out)
    assert SEVERAL_DAYS in (out / "visit.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("answer", "code"), [(True, 0), (False, 2)])
def test_different_days_are_asked_about_on_a_terminal(
    answer: bool,
    code: int,
    measured: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[str] = []

    def confirm(question: str, **_: object) -> bool:
        asked.append(question)
        return answer

    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr(command.typer, "confirm", confirm)
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="later.dcm")
    assert run(folder, "--out", tmp_path / "out") == code
    assert asked == [
        "The files of left-draw_in-1 and of left-draw_in-2 are of different days. Measure them as "
        "one visit?"
    ]
    assert run(folder, "--out", tmp_path / "out", "--several-days") == 0
    assert len(asked) == 1


def test_recordings_without_identity_take_no_part(
    measured: DrawnVisit, tmp_path: Path, secret: Path
) -> None:
    folder = visit_of(
        measured,
        tmp_path,
        left_draw_in_1="nobody.dcm",
        left_curl_up_1_rest="rest.png",
        left_curl_up_1_contracted="contracted.png",
    )
    out = tmp_path / "out"
    assert run(folder, "--out", out) == 0
    # Nobody to keep: neither a secret nor a file.
    assert not secret.exists() and not (out / IDENTITY_FILE).exists()
    shutil.copy(measured.folder / "first_1.dcm", folder / "left_draw_in_2.dcm")
    assert run(folder, "--out", out) == 0
    assert not [words for words in cautions(out) if "person" in words]


# -- nothing is given away -----------------------------------------------------------------------


def test_no_byte_of_what_is_written_or_said_names_anybody(
    drawn: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    secret: Path,
) -> None:
    monkeypatch.setattr("layermotion.commands.session.load_in_use", drawn.segmenter)
    folder = visit_of(drawn, tmp_path, left_draw_in_1="first_1.dcm", left_draw_in_2="first_2.dcm")
    out, again = tmp_path / "out", tmp_path / "again"
    assert run(folder, "--out", out) == 0
    later = visit_of(drawn, tmp_path, left_draw_in_1="later.dcm")
    assert run(later, "--out", again, "--against", out) == 0
    streams = capsys.readouterr()
    files = [path for place in (out, again) for path in place.rglob("*") if path.is_file()]
    assert {IDENTITY_FILE, "visit.json", "report.html"} <= {path.name for path in files}
    everything = b"\n".join(path.read_bytes() for path in (*files, secret))
    everything += (streams.out + streams.err).encode()
    for text in SECRETS:
        assert not re.search(re.escape(text).encode(), everything, re.IGNORECASE), text
        for encoded in (text.encode().hex().encode(), text[::-1].encode()):
            assert encoded not in everything


def test_the_secret_and_the_hashes_are_the_owners_alone(
    measured: DrawnVisit, tmp_path: Path, secret: Path
) -> None:
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm")
    out = tmp_path / "out"
    assert run(folder, "--out", out) == 0
    kept = json.loads((out / IDENTITY_FILE).read_text())
    first = secret.read_text()
    if os.name == "posix":
        for path in (secret, out / IDENTITY_FILE):
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
    # The same person under the same secret gives the same hashes; under another no single one.
    assert run(folder, "--out", out) == 0
    assert json.loads((out / IDENTITY_FILE).read_text()) == kept
    secret.unlink()
    assert run(folder, "--out", out) == 0
    assert secret.read_text() != first
    other = json.loads((out / IDENTITY_FILE).read_text())
    assert not [name for name, value in kept.items() if value == other[name]]


def test_a_secret_that_others_may_read_stops_the_visit(
    measured: DrawnVisit, tmp_path: Path, secret: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm")
    secret.parent.mkdir()
    secret.write_text("no secret")
    secret.chmod(0o600)
    assert run(folder, "--out", tmp_path / "out") == 2
    assert said(capsys) == (
        f"The secret {secret} cannot be used; make it readable for you alone (chmod 600), or "
        f"delete it, after which no earlier visit can be compared by person."
    )


def test_people_are_told_apart_where_no_secret_can_be_kept(
    measured: DrawnVisit, tmp_path: Path, secret: Path
) -> None:
    secret.parent.write_text("a file where the folder should be")
    folder = visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm")
    out = tmp_path / "out"
    assert run(folder, "--out", out) == 0
    assert not (out / IDENTITY_FILE).exists()
    shutil.copy(measured.folder / "second.dcm", folder / "left_draw_in_2.dcm")
    assert run(folder, "--out", out) == 2


# -- two visits ----------------------------------------------------------------------------------


@pytest.fixture
def earlier(measured: DrawnVisit, tmp_path: Path) -> Path:
    """Measure a visit of the first person."""
    out = tmp_path / "earlier"
    assert run(visit_of(measured, tmp_path, left_draw_in_1="first_1.dcm"), "--out", out) == 0
    return out


def test_an_earlier_visit_of_another_person_stops(
    measured: DrawnVisit, earlier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    folder = visit_of(measured, tmp_path, left_draw_in_1="second.dcm")
    assert run(folder, "--out", tmp_path / "out", "--against", earlier) == 2
    assert said(capsys) == (
        "The files of this visit and of the earlier one state different people, so nothing was "
        "measured; give --against an earlier visit of the same person."
    )
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("source", "expected"),
    [("later.dcm", []), ("first_2.dcm", [SAME_DAY]), ("nobody.dcm", [NOT_CHECKED])],
)
def test_an_earlier_visit_is_compared_by_person_and_day(
    source: str, expected: list[str], measured: DrawnVisit, earlier: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    folder = visit_of(measured, tmp_path, left_draw_in_1=source)
    assert run(folder, "--out", out, "--against", earlier) == 0
    ours = {SAME_DAY, NOT_CHECKED, SEVERAL_DAYS}
    assert [words for words in cautions(out) if words in ours] == expected


def test_a_visit_of_another_computer_is_not_compared_by_person(
    measured: DrawnVisit, earlier: Path, tmp_path: Path, secret: Path
) -> None:
    secret.unlink()
    out = tmp_path / "out"
    folder = visit_of(measured, tmp_path, left_draw_in_1="second.dcm")
    assert run(folder, "--out", out, "--against", earlier) == 0
    assert NOT_CHECKED in cautions(out)
    # A file that is damaged says as little as one that is missing.
    for content in ("[]", "{", None):
        if content is None:
            (earlier / IDENTITY_FILE).unlink()
        else:
            (earlier / IDENTITY_FILE).write_text(content)
        assert run(folder, "--out", out, "--against", earlier) == 0
        assert cautions(out).count(NOT_CHECKED) == 1


# -- what makes one person -----------------------------------------------------------------------

PERSON = Identifiers("7", "House", "doe^jane", "19700101", "20310219")


@pytest.mark.parametrize(
    ("other", "relation"),
    [
        (PERSON, Relation.SAME),
        (Identifiers("7"), Relation.SAME),
        (Identifiers("8", "House", "doe^jane", "19700101"), Relation.OTHER),
        (Identifiers("7", "Other house", "doe^jane", "19700101"), Relation.OTHER),
        (Identifiers(name="doe^jane", birth="19700101"), Relation.SAME),
        (Identifiers(name="doe^jane", birth="19700102"), Relation.OTHER),
        # A married name, but not without the date of birth.
        (Identifiers("7", "House", "roe^jane", "19700101"), Relation.SAME),
        (Identifiers("7", "House", "roe^jane"), Relation.OTHER),
        (Identifiers("7", "House", "doe^jane", "19700102"), Relation.OTHER),
        (Identifiers(name="doe^jane"), Relation.UNKNOWN),
        (Identifiers(birth="19700101"), Relation.UNKNOWN),
        (Identifiers(day="20310219"), Relation.UNKNOWN),
        (Identifiers(), Relation.UNKNOWN),
    ],
)
def test_what_both_state_decides(other: Identifiers, relation: Relation) -> None:
    digest = Secret(bytes(range(32))).digest
    one, two = identify(PERSON, digest), identify(other, digest)
    assert one.relation_to(two) is relation
    assert two.relation_to(one) is relation


def test_neither_identifiers_nor_identity_show_themselves() -> None:
    identity = identify(PERSON, Secret(bytes(range(32))).digest)
    for shown in (repr(PERSON), str(PERSON), repr(identity), f"{[identity]}"):
        assert shown.strip("[]") in ("Identifiers(hidden)", "Identity(hidden)")
    assert not Identity() and identity


def test_names_numbers_and_dates_are_read_without_their_writing(
    drawn: DrawnVisit, tmp_path: Path
) -> None:
    plain = read_identifiers(drawn.folder / "first_1.dcm")
    visit = DrawnVisit(tmp_path / "other")
    padded = visit.wall(
        "padded.dcm",
        10,
        **{
            **FIRST,
            "PatientID": " INV-70411 ",
            "PatientName": "INVENTIA ^QUILLA^^Dr.=Inventia",
            "StudyDate": "20310101",
            "AcquisitionDateTime": "20310219093000.0+0100",
        },
    )
    assert read_identifiers(padded) == plain
    assert plain.day == "20310219" and plain.name == "inventia^quilla"
    assert read_identifiers(drawn.folder / "rest.png") == Identifiers()
    assert read_identifiers(tmp_path) == Identifiers()
