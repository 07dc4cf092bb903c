"""Planning: sentences on the size of a study, and empty tables that the bench reads again."""

import csv
import math
import re
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from scipy import stats
from test_agreement_command import unprinted

from layermotion.agreement.icc import intraclass
from layermotion.agreement.limits import limits_of_agreement
from layermotion.agreement.planning import (
    repeated_interval_width,
    subjects_for_limits,
    subjects_for_mean,
)
from layermotion.agreement.planning_icc import (
    crossed_width,
    exceeding_power,
    icc_interval_width,
    subjects_for_crossed,
    subjects_for_icc,
    subjects_to_exceed,
)
from layermotion.cli import main

__all__ = ["unprinted"]


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def test_plan_says_what_the_functions_find(capsys: pytest.CaptureFixture[str]) -> None:
    options = ("--icc", 0.8, "--icc-width", 0.2, "--sd", 0.4, "--margin", 1.2, "--bias", 0.1)
    assert run("plan", *options, "--subjects", 30) == 0
    words = capsys.readouterr().out
    assert "Reliability: no number of subjects is enough with 2 raters for an ICC(2,1)" in words
    assert f"{subjects_for_mean(0.1, 0.4, 1.2)} subjects for a margin of ±1.2" in words
    assert f"an interval of the ICC {crossed_width(30, 0.8, 2, 0.2):.2f} wide" in words
    assert re.search(r"power \d+ % for single values, power 100 % for the mean", words)


@pytest.mark.parametrize("raters", [2, 3, 5])
def test_width_is_the_inverse_of_the_number_of_subjects(raters: int) -> None:
    subjects = subjects_for_icc(0.85, 0.15, raters)
    assert icc_interval_width(subjects, 0.85, raters) <= 0.15
    assert icc_interval_width(subjects - 1, 0.85, raters) > 0.15


def test_repeats_of_one_rater_are_planned_by_bonett(capsys: pytest.CaptureFixture[str]) -> None:
    options = ("--icc", 0.8, "--icc-width", 0.2, "--raters", 1, "--repeats", 2)
    assert run("plan", *options) == 0
    words = capsys.readouterr().out
    assert "Reliability: 55 subjects for an ICC of 0.8" in words and "by one rater" in words


def test_interval_of_a_simulated_study_is_as_wide_as_planned() -> None:
    # Offsets of raters are a third of the error: planned without them it was twice as wide.
    rng = np.random.default_rng(3)
    raters, icc, share = 6, 0.8, 1 / 3
    subjects = subjects_for_crossed(icc, 0.3, raters, share)
    assert subjects is not None
    widths = []
    for _ in range(100):
        table = rng.normal(0, icc**0.5, (subjects, 1))
        table = table + rng.normal(0, (0.2 * share) ** 0.5, (1, raters))
        table = table + rng.normal(0, (0.2 * (1 - share)) ** 0.5, (subjects, raters))
        one = intraclass(table)[1].estimate
        widths.append(one.high - one.low)
    assert np.mean(widths) == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize(("least", "icc", "measurements"), [(0.6, 0.8, 2), (0.4, 0.6, 3)])
def test_subjects_to_exceed_an_icc_are_those_of_the_approximation(
    least: float, icc: float, measurements: int
) -> None:
    # Formula of Walter, Eliasziw & Donner 1998, quoted from memory; it approximates the F test.
    ratio = (1 + measurements * least / (1 - least)) / (1 + measurements * icc / (1 - icc))
    z = stats.norm.ppf(0.95) + stats.norm.ppf(0.8)
    expected = 1 + 2 * z**2 * measurements / (math.log(ratio) ** 2 * (measurements - 1))
    found = subjects_to_exceed(least, icc, measurements, 0.8)
    assert found == pytest.approx(expected, abs=1)
    assert exceeding_power(found, least, icc, measurements) >= 0.8
    assert exceeding_power(found - 1, least, icc, measurements) < 0.8


def test_limits_of_repeats_are_known_as_planned(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(5)
    within = 0.8**0.5
    subjects = subjects_for_limits(0.7, 3, within**2)
    assert subjects < subjects_for_limits(0.7)
    subject = np.repeat(np.arange(subjects), 3)
    widths = []
    for _ in range(100):
        own = rng.normal(0, 0.2**0.5, subjects)[subject]
        upper = limits_of_agreement(own + rng.normal(0, within, subject.size), subject).upper
        widths.append(upper.high - upper.low)
    assert np.mean(widths) == pytest.approx(0.7, rel=0.1)
    options = ("--sd", 1, "--within-sd", within, "--limits-within", 0.35, "--subjects", 30)
    assert run("plan", *options) == 0
    words = capsys.readouterr().out
    assert f"Limits of agreement: {subjects} subjects" in words and "3 repeats each" in words
    assert f"limits known within ±{repeated_interval_width(30, 3, 0.8) / 2:.2g}" in words


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--margin", 1), "--margin needs the expected spread of the differences; give --sd."),
        (("--limits-within", 1), "--limits-within needs the spread of the differences"),
        (("--sd", 1, "--margin", 1, "--bias", -1), "--bias -1 is not within the margin of 1"),
        (("--within-sd", 1), "--within-sd is a part of --sd; give --sd, and no more than that."),
        (("--icc", 0.8, "--least-icc", 0.9), "--least-icc 0.9 is not below the expected ICC of"),
        (("--template", "x.xlsx"), "--template needs the number of subjects; give --subjects."),
        (("--subjects", 5, "--template", "x.ods"), "--template x.ods ends in neither .xlsx nor"),
        (("--bias", "nan"), "--bias nan is not possible"),
        (("--subjects", 340, "--repeats", 50, "--template", "x.csv"), "The design has 102000"),
        # Counted, not listed: as many rows would fill any memory.
        (
            ("--subjects", 10000, "--sessions", 50, "--placements", 50, "--repeats", 50)
            + ("--raters", 50, "--both-sides", "--template", "x.csv"),
            "The design has 375000000000 values, more than 100000; plan a smaller one.",
        ),
        (("--icc", 1), "--icc 1 is not possible; give a number from 0 to 0.999.\n"),
    ],
)
def test_impossible_plan_is_one_sentence(
    options: tuple[object, ...], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("plan", *options) == 2
    captured = capsys.readouterr()
    assert captured.err.startswith(f"layermotion: {sentence}")
    assert captured.err.count("\n") == 1 and captured.out == ""


@pytest.mark.usefixtures("unprinted")
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


def test_a_bladder_has_a_displacement_from_the_midline(tmp_path: Path) -> None:
    path = tmp_path / "entry.csv"
    design = ("--subjects", 3, "--repeats", 1, "--both-sides")
    both = ("--structure", "tra", "--structure", "bladder")
    assert run("plan", *design, *both, "--raters", 1, "--template", path) == 0
    rows = list(csv.DictReader(path.read_text().splitlines()))
    own = [(r["side"], r["structure"], r["measure"], r["task"]) for r in rows]
    assert own[:3] == [
        ("left", "tra", "thickness_rest", "rest"),
        ("midline", "bladder", "base_displacement", "pelvic_floor_lift"),
        ("right", "tra", "thickness_rest", "rest"),
    ]
    assert len(own) == 9


def test_template_that_may_be_filled_in_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "entry.csv"
    path.write_text("mine")
    assert run("plan", "--subjects", 5, "--template", path) == 2
    assert "entry.csv exists and may be filled in" in capsys.readouterr().err
    assert path.read_text() == "mine"
