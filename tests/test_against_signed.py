"""Signed results of an earlier visit are compared only while the record says that they hold."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from reviewed import Alike, make_review
from test_review_server import confirm_all, written
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.commands import identity as command
from layermotion.commands.earlier import NOT_HELD
from layermotion.commands.identity import check_identity
from layermotion.commands.review import Final
from layermotion.record.store import Record
from layermotion.session.identity import NOT_CHECKED

# Invented.
FIRST = {"PatientID": "INV-70411", "PatientBirthDate": "19610713", "StudyDate": "20310219"}
SECOND = {**FIRST, "PatientID": "INV-93652"}
LATER = {**FIRST, "StudyDate": "20310326"}
DAY, WHO = date(2026, 3, 2), "KL"


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plain_reports: None) -> Path:
    """Keep the secret of this computer and the record here."""
    monkeypatch.setattr(command, "default_visit_secret", lambda: tmp_path / "visit-secret")
    return tmp_path / "record.sqlite"


@pytest.fixture
def signed(record: Path, tmp_path: Path) -> Path:
    """Sign a visit of the first person; give the folder of its final results."""
    drawn = DrawnVisit(tmp_path / "signed")
    clip = drawn.wall("left_draw_in_1.dcm", 20, **FIRST)
    review = make_review(drawn, record, DAY, Alike())
    identity = check_identity([("left-draw_in-1", [clip])], several_days=False)
    review._finish = Final(tmp_path / "out", (), drawn.segmenter(), identity).write  # type: ignore[arg-type]
    with review.record:
        review.begin("P-017", WHO, DAY)
        confirm_all(review)
        review.sign(WHO)
        return written(review).parent


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Give what measures a later visit against an earlier one, and the cautions it has then."""

    def run(against: Path, record: Path, who: dict[str, str] = LATER) -> list[str]:
        drawn = DrawnVisit(tmp_path / "later")
        drawn.wall("left_draw_in_1.dcm", 22, **who)
        monkeypatch.setattr("layermotion.commands.session.load_in_use", drawn.segmenter)
        out = tmp_path / "now"
        words = ("--out", out, "--against", against, "--record", record, "--no-overlay")
        with pytest.raises(SystemExit) as ended:
            main(["session", str(drawn.folder), *map(str, words)])
        if ended.value.code:
            assert not out.exists()
            return []
        return list(json.loads((out / "visit.json").read_text(encoding="utf-8"))["cautions"])

    return run


def test_a_signed_visit_is_compared_by_person(
    signed: Path, record: Path, later: Callable[..., list[str]]
) -> None:
    cautions = later(signed, record)
    assert cautions and not {NOT_CHECKED, NOT_HELD} & set(cautions)


def test_a_signed_visit_of_another_person_stops(
    signed: Path,
    record: Path,
    later: Callable[..., list[str]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert later(signed, record, SECOND) == []
    assert "state different people, so nothing was measured" in capsys.readouterr().err


def withdraw(record: Record, visit_id: str) -> None:
    record.withdraw(visit_id, "MN", "of another patient")


def amend(record: Record, visit_id: str) -> None:
    record.amend(visit_id, [], "MN", "The patient had eaten.")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            withdraw,
            "withdrawn by MN, so nothing of it counts; give --against another visit.",
        ),
        (
            amend,
            "amended since; give --against its newest results, in the folder {name}-amended-1.",
        ),
    ],
)
def test_results_that_no_longer_hold_are_not_compared_with(
    change: Callable[[Record, str], None],
    words: str,
    signed: Path,
    record: Path,
    later: Callable[..., list[str]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    with Record.open(record) as opened:
        (visit,) = opened.visits(opened.patient("P-017").patient_id)
        change(opened, visit.visit_id)
    assert later(signed, record) == []
    said = words.format(name=signed.name)
    assert capsys.readouterr().err == f"layermotion: {signed} is of a visit that was {said}\n"


def test_a_visit_that_the_record_does_not_hold_has_a_caution(
    signed: Path, tmp_path: Path, later: Callable[..., list[str]]
) -> None:
    assert NOT_HELD in later(signed, tmp_path / "other.sqlite")
    assert not (tmp_path / "other.sqlite").exists()
