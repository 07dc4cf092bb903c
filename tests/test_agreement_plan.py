"""Planning: sentences on the size of a study, and empty tables that the bench reads again."""

import csv
import re
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from layermotion.agreement.planning import icc_interval_width, subjects_for_icc, subjects_for_mean
from layermotion.cli import main


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def test_plan_says_what_the_functions_find(capsys: pytest.CaptureFixture[str]) -> None:
    options = ("--icc", 0.8, "--icc-width", 0.2, "--sd", 0.4, "--margin", 1.2, "--bias", 0.1)
    assert run("plan", *options, "--subjects", 30) == 0
    words = capsys.readouterr().out
    assert "Reliability: 55 subjects for an ICC of 0.8" in words
    assert f"{subjects_for_mean(0.1, 0.4, 1.2)} subjects for a margin of ±1.2" in words
    assert f"an interval of the ICC {icc_interval_width(30, 0.8, 2):.2f} wide" in words
    assert re.search(r"power \d+ % for single values, power 100 % for the mean", words)


@pytest.mark.parametrize("raters", [2, 3, 5])
def test_width_is_the_inverse_of_the_number_of_subjects(raters: int) -> None:
    subjects = subjects_for_icc(0.85, 0.15, raters)
    assert icc_interval_width(subjects, 0.85, raters) <= 0.15
    assert icc_interval_width(subjects - 1, 0.85, raters) > 0.15


def test_interval_of_a_simulated_study_is_as_wide_as_planned() -> None:
    from layermotion.agreement.icc import intraclass

    rng = np.random.default_rng(3)
    subjects = subjects_for_icc(0.8, 0.2, 3)
    widths = []
    for _ in range(100):
        true = rng.normal(0, 2, (subjects, 1))
        one = intraclass(true + rng.normal(0, 1, (subjects, 3)))[0].estimate
        widths.append(one.high - one.low)
    assert np.mean(widths) == pytest.approx(0.2, rel=0.1)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--margin", 1), "--margin needs the expected spread of the differences; give --sd."),
        (("--limits-within", 1), "--limits-within needs the spread of the differences"),
        (("--sd", 1, "--margin", 1, "--bias", -1), "--bias -1 is not within the margin of 1"),
        (("--template", "x.xlsx"), "--template needs the number of subjects; give --subjects."),
        (("--subjects", 5, "--template", "x.ods"), "--template x.ods ends in neither .xlsx nor"),
        (("--bias", "nan"), "--bias nan is not possible"),
        (("--subjects", 340, "--repeats", 50, "--template", "x.csv"), "The design has 102000"),
    ],
)
def test_impossible_plan_is_one_sentence(
    options: tuple[object, ...], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("plan", *options) == 2
    captured = capsys.readouterr()
    assert captured.err.startswith(f"layermotion: {sentence}")
    assert captured.err.count("\n") == 1 and captured.out == ""


@pytest.mark.parametrize("name", ["entry.xlsx", "entry.csv"])
def test_filled_in_template_is_read_by_reliability(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    design = ("--subjects", 5, "--sessions", 2, "--raters", 2, "--both-sides")
    assert run("plan", *design, "--structure", "tra", "--template", path) == 0
    assert f"{path}: 120 values to fill in." in capsys.readouterr().out
    assert run("reliability", path, "--out", tmp_path / "out") == 2
    assert f"{name} has no row with a value" in capsys.readouterr().err
    rng = np.random.default_rng(4)
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path)
        sheet = book["measurements"]
        place = [cell.value for cell in sheet[1]].index("value") + 1
        for row in range(2, sheet.max_row + 1):
            sheet.cell(row, place, rng.normal(4, 1))
        book.save(path)
    else:
        with path.open(newline="") as stream:
            rows = list(csv.DictReader(stream))
        with path.open("w", newline="") as stream:
            writer = csv.DictWriter(stream, rows[0].keys())
            writer.writeheader()
            writer.writerows({**row, "value": f"{rng.normal(4, 1):.3f}"} for row in rows)
    assert run("reliability", path, "--out", tmp_path / "out") == 0
    page = (tmp_path / "out" / "report.html").read_text()
    assert "5 subjects, 2 raters, 120 values" in page


def test_template_that_may_be_filled_in_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "entry.csv"
    path.write_text("mine")
    assert run("plan", "--subjects", 5, "--template", path) == 2
    assert "entry.csv exists and may be filled in" in capsys.readouterr().err
    assert path.read_text() == "mine"
