"""The commands about the record over time, as a clinic types them."""

import json
import os
from datetime import date
from errno import ENOSPC
from pathlib import Path

import pytest
from held import begin_visit, make_record
from typer.testing import CliRunner, Result

from layermotion.cli import app
from layermotion.errors import LayermotionError
from layermotion.places import default_record
from layermotion.record.store import Record

runner = CliRunner()
DAY = date(2024, 3, 1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "data" / "record.sqlite"
    make_record(path)[0].close()
    return path


def run(path: Path, *words: str, said: str = "") -> Result:
    result = runner.invoke(app, ["record", *words, "--record", str(path)], input=said)
    if isinstance(result.exception, LayermotionError):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def test_status_and_verify_say_what_is_held(path: Path) -> None:
    words = run(path, "status").output
    assert f"{path}, patients: 1" in words
    assert "P-017                     visits: 1, signed: 1; last on 2024-03-01" in words
    words = run(path, "verify").output
    assert "every event is as it was written" in words
    with Record.open(path) as record:
        seal = record.seal()
    assert words.rstrip().endswith(seal)
    run(path, "verify", "--hash", seal.upper())
    with pytest.raises(LayermotionError, match=f"no event with the hash {'0' * 64}"):
        run(path, "verify", "--hash", "0" * 64)


def test_back_up_and_restore(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    assert "and checked it" in run(path, "back-up", str(copy)).output
    with Record.open(path) as record:
        record.delete_patient(record.patient("P-017").patient_id, "KL", "asked for")
    words = run(path, "restore", str(copy)).output
    assert "What was there is kept as" in words and "Patients deleted again: 1." in words
    with Record.open(path) as record:
        assert record.patients() == ()
    path.write_bytes(b"broken")
    words = run(path, "restore", str(copy)).output
    assert "is not known; delete them again" in words
    with Record.open(path) as record:
        assert [patient.code for patient in record.patients()] == ["P-017"]


def test_a_visit_of_another_patient_is_withdrawn(path: Path) -> None:
    with Record.open(path) as record:
        patient = record.patient("P-017")
        begin_visit(record, patient, DAY)
    words = ("withdraw", "p-017", "--by", "KL", "--why", "of another patient", "--date")
    with pytest.raises(LayermotionError, match="no visit on 2024-03-02 that counts"):
        run(path, *words, "2024-03-02")
    with pytest.raises(LayermotionError, match="2 visits on 2024-03-01 .1: signed by KL, 2: not"):
        run(path, *words, "2024-03-01")
    with pytest.raises(LayermotionError, match="give a number up to that"):
        run(path, *words, "2024-03-01", "--number", "3")
    assert "visits: 2, signed: 1; last" in run(path, "status").output
    said = run(path, *words, "2024-03-01", "--number", "1").output
    assert "2024-03-01 of P-017 is withdrawn" in said and "signed by KL: reports" in said
    assert "in folders whose names begin with 2024-03-01-v-" in said
    assert "visits: 1, signed: 0, withdrawn: 1; last on 2024-03-01" in run(path, "status").output
    assert "reports" not in run(path, *words, "2024-03-01").output, "that one was not signed"
    assert "visits: 0, signed: 0, withdrawn: 2\n" in run(path, "status").output
    run(path, "verify")


def test_export_and_delete(path: Path, tmp_path: Path) -> None:
    exported, receipt = tmp_path / "export.json", tmp_path / "receipt.json"
    run(path, "export", "p-017", "--out", str(exported))
    with pytest.raises(LayermotionError, match=r"export\.json exists and is not replaced"):
        run(path, "export", "P-017", "--out", str(exported))
    words = ("delete", "P-017", "--by", "KL", "--why", "asked for", "--receipt", str(receipt))
    with pytest.raises(LayermotionError, match="Nothing was deleted"):
        run(path, *words, said="n\n")
    assert not receipt.exists()
    (tmp_path / "file").touch()
    unwritable = str(tmp_path / "file" / "receipt.json")
    with pytest.raises(LayermotionError, match="cannot be written"):
        run(path, *words[:-1], unwritable, "--yes")
    assert "P-017" in run(path, "status").output
    asked = run(path, *words, said="y\n").output
    assert "Delete P-017 and every visit for good?" in asked and "Delete earlier back-ups" in asked
    document = json.loads(receipt.read_text(encoding="utf-8"))
    events = json.loads(exported.read_text(encoding="utf-8"))["events"]
    assert document["hashes"] == [event["hash"] for event in events]
    words = run(path, "status").output
    assert "patients: 0" in words and "by KL: asked for" in words and "P-017" not in words
    run(path, "verify", "--hash", document["hash"])
    run(path, "receipts", "--out", str(tmp_path / "again.json"))
    again = json.loads((tmp_path / "again.json").read_text(encoding="utf-8"))
    assert again == [document]
    with pytest.raises(LayermotionError, match="no patient of this code"):
        run(path, "export", "P-017", "--out", str(tmp_path / "none.json"))
    assert not (tmp_path / "none.json").exists()


def test_a_receipt_that_finds_no_room_is_said_to_be_missing_alone(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    receipt = tmp_path / "receipt.json"
    words = ("delete", "P-017", "--by", "KL", "--why", "asked for", "--receipt", str(receipt))

    def full(*arguments: object, **options: object) -> None:
        raise OSError(ENOSPC, os.strerror(ENOSPC))

    with monkeypatch.context() as disk:
        disk.setattr(Path, "write_text", full)
        with pytest.raises(LayermotionError) as said:
            run(path, *words, "--yes")
    assert str(said.value) == (
        f"P-017 is deleted, but the receipt {receipt} cannot be written; free some space, then "
        f"write it with: layermotion record receipts --out FILE"
    )
    assert "patients: 0" in run(path, "status").output and not receipt.exists()
    run(path, "receipts", "--out", str(receipt))
    assert len(json.loads(receipt.read_text(encoding="utf-8"))) == 1


def test_commands_about_a_record_do_not_begin_one(tmp_path: Path) -> None:
    for words in (("status",), ("verify",), ("back-up", str(tmp_path / "copy.sqlite"))):
        with pytest.raises(LayermotionError, match="There is no record"):
            run(tmp_path / "none.sqlite", *words)
    result = runner.invoke(app, ["record", "status"])
    assert str(default_record()) in str(result.exception)
    assert list(tmp_path.iterdir()) == []
