"""The lab's commands: help, exit codes, and nothing but pseudonyms on the screen."""

import re
from datetime import date
from pathlib import Path

import pytest
from lab_data import speckled_frames, wall_label, write_scan
from typer.main import get_command

import layermotion
from layermotion.caution import CAUTION
from layermotion.cli import app, main
from layermotion.images import write_png
from layermotion.lab.folder import frame_key, open_lab
from layermotion.network.segmenter import weights_names

GROUPS = (("lab",), ("lab", "consent"), ("models",))
SOURCE = Path(layermotion.__file__).parent
# A command of the first two groups, as the sentences of the program name it.
NAMED = re.compile(r"layermotion ((?:lab|models) [a-z][a-z-]*)")


def run(*arguments: object) -> int:
    """Run one command and give its exit code."""
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def commands() -> list[tuple[str, ...]]:
    """Find every command of the three groups."""
    found = []
    for group in GROUPS:
        command = get_command(app)
        for name in group:
            command = command.commands[name]  # type: ignore[attr-defined]
        found += [(*group, name) for name in command.commands]  # type: ignore[attr-defined]
    return [command for command in found if command not in GROUPS]


@pytest.mark.parametrize("command", commands())
def test_help_says_what_it_does_and_ends_with_the_caution(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*command, "--help") == 0
    words = " ".join(capsys.readouterr().out.split())
    assert words.endswith(CAUTION)
    assert f"Example: layermotion {' '.join(command)}" in words


def test_every_command_that_a_sentence_names_exists() -> None:
    known = {" ".join(command) for command in commands()} | {" ".join(group) for group in GROUPS}
    named = {
        found
        for path in SOURCE.rglob("*.py")
        for found in NAMED.findall(path.read_text(encoding="utf-8"))
    }
    assert len(named) > 10 and named <= known


def test_a_laboratory_from_init_to_build(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, models = tmp_path / "lab", tmp_path / "models"
    # The other commands remember where the secret lies.
    assert run("lab", "init", folder, "--secret", tmp_path / "keys" / "secret") == 0
    person = ("--site", "clinic-a", "--by", "nurse-2")
    table = tmp_path / "consents.csv"
    rows = [f"{number},both,2024-01-01," for number in ("4711", "4712", "4713")]
    table.write_text("\n".join(["subject,scope,day,expiry", *rows]) + "\n")
    assert run("lab", "consent", "load", folder, table, *person) == 0
    assert run("lab", "consent", "load", folder, table, *person) == 0
    text = capsys.readouterr().out
    for counts in ("3; known before: 0.", "0; known before: 3."):
        assert f"Consents recorded in {folder / 'consent.sqlite'}: {counts}" in text
    assert run("lab", "consent", "record", folder, "--subject", "4714", *person,
               "--day", "2024-01-01", "--expiry", "2024-02-01") == 0  # fmt: skip
    for seed, number in enumerate(("4711", "4712", "4713", "4714")):
        write_scan(tmp_path / "scans" / f"{number}.dcm", number, speckled_frames(seed))
    assert run("lab", "import", folder, tmp_path / "scans", "--site", "clinic-a") == 1
    text = capsys.readouterr().out
    assert f"Clips imported into {folder / 'clips'}: 3; here already: 0." in text
    assert "Refused, no valid consent for this site, issuer and ID: s-" in text
    sheets = sorted((folder / "review").glob("*.png"))
    assert run("lab", "accept", folder, *sheets) == 0
    lab = open_lab(folder)
    for name in lab.clips():
        write_png(tmp_path / "labels" / f"{frame_key(name, 0)}.png", wall_label())
    spoilt = wall_label()
    spoilt[92:100, 150:156] = 0
    write_png(tmp_path / "labels" / f"{frame_key(next(iter(lab.clips())), 1)}.png", spoilt)
    assert run("lab", "check", folder, tmp_path / "labels") == 1
    assert not list((folder / "labels").iterdir())
    assert run("lab", "label", folder, tmp_path / "labels", "--by", "physio-3") == 1
    text = capsys.readouterr().out
    assert "has 1 hole" in text and "3 of 4 frames stored" in text
    assert run("lab", "mask", folder, next(iter(lab.clips())), "--box", "1,2,3") == 2
    assert run("lab", "mask", folder, next(iter(lab.clips())), "--box", "50,70,5,5") == 0
    assert run("lab", "accept", folder, *sheets) == 2
    assert run("lab", "sheets", folder) == 0
    assert run("lab", "accept", folder, folder / "review" / "again-1.png") == 0
    assert run("lab", "sheets", folder) == 2
    assert run("lab", "build", folder, "first", "--held-out", "0.34") == 0
    assert "held_out: 1 frames of 1 subjects" in capsys.readouterr().out
    assert run("lab", "withdraw", folder, "--subject", "4712", *person) == 0
    text = capsys.readouterr().out
    assert "Builds that hold it: first." in text and "learnt from it: none." in text
    assert run("lab", "judge", folder, "first", weights_names()[-1], "--models", models) == 2
    assert "whose consent no longer covers it" in capsys.readouterr().err
    assert run("lab", "consent", "list", folder, "--on", date.today()) == 0
    assert run("lab", "consent", "history", folder) == run("lab", "clips", folder) == 0
    text = capsys.readouterr().out
    assert text.count("  nothing\n") == 2 and "withdrawal training" in text and "1 labelled" in text
    # As a word: a made-up name of a clip may hold these digits by chance.
    assert not re.search(r"\b471\d\b", text) and text.count("no consent") == 1
    assert run("lab", "erase", folder, "--subject", "4712", *person) == 0
    text = capsys.readouterr().out
    (receipt,) = (folder / "receipts").iterdir()
    # The made-up name in that of the receipt may hold these digits by chance.
    assert f"Receipt: {receipt}" in text and "471" not in text.replace(str(receipt), "")
    assert not re.search(r"\b471\d\b", receipt.name)
    assert len(open_lab(folder).clips()) == 2


def test_recording_a_consent_says_what_holds_today(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, table = tmp_path / "lab", tmp_path / "consents.csv"
    assert run("lab", "init", folder, "--secret", tmp_path / "keys" / "secret") == 0
    who = (folder, "--subject", "4711", "--site", "clinic-a", "--by", "nurse-2")
    day = ("--day", "2024-01-01")
    capsys.readouterr()

    def said(*arguments: object) -> str:
        assert run("lab", *arguments) == 0
        return capsys.readouterr().out

    assert said("consent", "record", *who, *day).endswith(
        ", training, evaluation. Today it covers training, evaluation.\n"
    )
    narrowed = said("consent", "record", *who, "--day", "2024-02-01", "--scope", "evaluation")
    assert "Today it covers training, evaluation." in narrowed
    assert (
        "\ntraining: still holds by the consent of 2024-01-01; layermotion lab withdraw" in narrowed
    )
    said("withdraw", *who, "--day", "2024-03-01")
    known = said("consent", "record", *who, *day)
    assert known.startswith("Known already") and "Today it covers nothing." in known
    assert "because the withdrawal of 2024-03-01 stands" in known
    table.write_text("subject,scope,day,expiry\n4711,both,2024-01-01,\n4712,both,2024-01-01,\n")
    loaded = said("consent", "load", folder, table, "--site", "clinic-a", "--by", "nurse-2")
    assert "known before: 1." in loaded and loaded.count("does not hold") == 1
    assert re.search(r"\ns-\w+: training, evaluation: recorded, but does not hold, because", loaded)


def test_the_shipped_weights_are_listed_as_in_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = weights_names()[-1]
    assert run("models", "list", "--models", tmp_path) == 0
    assert f"{name}      in use" in capsys.readouterr().out
    assert run("models", "roll-back", "--models", tmp_path, "--by", "dev-1") == 2
    assert run("models", "promote", name, "--models", tmp_path, "--by", "dev-1") == 2
    assert run("models", "compare", name, name, "--models", tmp_path) == 2
    errors = capsys.readouterr().err
    assert "nothing to roll back" in errors and "in use already" in errors
    assert "was not judged against" in errors


@pytest.mark.parametrize("name", ["local-001", weights_names()[-1]])
def test_weights_that_are_not_local_are_not_calibrated(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("models", "calibrate", name, "--models", tmp_path) == 2
    assert capsys.readouterr().err == (
        f"layermotion: {tmp_path} holds no weights called {name}; list all with: layermotion "
        f"models list --models {tmp_path}\n"
    )
