"""What people write into tables: letters, formulas, blanks, slips; results of an earlier run."""

import csv
import unicodedata
from pathlib import Path

import pandas as pd
import pytest
from test_agreement_command import repeats_table, run, unprinted
from test_agreement_paper import HEADING, page_of, study, write

from layermotion.agreement.drawing import Drawing, finish
from layermotion.agreement.table import read_table
from layermotion.errors import InputError

__all__ = ["unprinted"]


def changed(path: Path, old: str, new: str) -> None:
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")


@pytest.mark.usefixtures("unprinted")
def test_text_that_a_spreadsheet_would_run_is_written_as_text(tmp_path: Path) -> None:
    paths = study(tmp_path)
    changed(paths[0], ",A,", ",=1+2,")
    changed(paths[0], ",B,", ",@SUM(A1),")
    for path in paths:
        changed(path, "c3-0", "-c3")
    out = tmp_path / "out"
    assert run("compare", *paths, "--out", out) == 0
    for name in ("pairs.csv", "figures.csv", "unmatched.csv", "flow.csv", "outliers.csv"):
        with (out / name).open(newline="", encoding="utf-8") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    is_number = cell.lstrip("-").replace(".", "").replace("e", "").isdigit()
                    assert cell[:1] not in "=+-@" or not cell or is_number or "e-" in cell, cell
    assert "'=1+2" in (out / "pairs.csv").read_text()


def test_all_bad_rows_are_named(tmp_path: Path) -> None:
    rows = [f"c{i},S{i},thickness_rest,tra,rest,1,A,3.{i},mm" for i in range(30)]
    for place in (3, 4, 5, 20):
        rows[place] = rows[place].replace(",mm", ",inch")
    rows[8] = rows[8].replace("3.8", "thick")
    with pytest.raises(InputError) as caught:
        read_table(write(tmp_path / "m.csv", HEADING, rows), "manual")
    assert str(caught.value) == (
        'm.csv rows 5 to 7 and 22 have the unit "inch"; use mm, cm, % or ratio. Also row 10 has '
        '"thick" where a number is needed; correct it or leave it empty.'
    )


@pytest.mark.parametrize("text", ["5_1", "１２", "0x10", "1e", "inf"])
def test_what_is_no_number_in_a_table_is_refused(text: str, tmp_path: Path) -> None:
    row = f"c1,S1,thickness_rest,tra,rest,1,A,{text},mm"
    with pytest.raises(InputError, match="where a number is needed"):
        read_table(write(tmp_path / "m.csv", HEADING, [row]), "manual")


def test_letters_composed_in_two_ways_are_one_name(tmp_path: Path) -> None:
    rows = [
        f"c{i},{unicodedata.normalize(form, 'Zoë')},thickness_rest,tra,rest,1,A,3.{i},mm"
        for i, form in enumerate(("NFC", "NFD"))
    ]
    table = read_table(write(tmp_path / "m.csv", HEADING, rows), "manual")
    assert table.readings.subject.nunique() == 1


def test_blank_raters_are_refused_in_a_reliability_study(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = repeats_table(tmp_path / "repeats.csv")
    lines = table.read_text().splitlines()
    table.write_text("\n".join([*lines[:5], lines[5].replace(",A,", ",,"), *lines[6:]]) + "\n")
    assert run("reliability", table, "--out", tmp_path / "out") == 2
    assert "repeats.csv row 6 has no rater, while other rows have one" in capsys.readouterr().err


@pytest.mark.usefixtures("unprinted")
def test_means_beside_their_repeats_do_not_count_in_a_reliability_study(tmp_path: Path) -> None:
    table = repeats_table(tmp_path / "repeats.csv")
    assert run("reliability", table, "--out", tmp_path / "one") == 0
    with table.open(newline="") as stream:
        rows = pd.DataFrame(csv.DictReader(stream))
    rows["value"] = rows["value"].astype(float)
    names = [name for name in rows if name not in ("value", "repeat")]
    means = rows.groupby(names, as_index=False)["value"].mean().assign(repeat="Mean")
    pd.concat([rows, means]).to_csv(table, index=False)
    assert run("reliability", table, "--out", tmp_path / "two") == 0
    one, two = ((tmp_path / name / "figures.csv").read_text() for name in ("one", "two"))
    assert one == two
    left_out = (tmp_path / "two" / "unmatched.csv").read_text()
    assert left_out.count("The repeats that it is the mean of were taken instead.") == len(means)


@pytest.mark.usefixtures("unprinted")
def test_hardly_possible_values_are_pointed_out_with_their_row(tmp_path: Path) -> None:
    manual, auto = study(tmp_path)
    lines = manual.read_text().splitlines()
    cells = lines[4].split(",")
    cells[7] = "250"
    manual.write_text("\n".join([*lines[:4], ",".join(cells), *lines[5:]]) + "\n")
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0
    words = "Hardly possible for TrA thickness, rest in manual.csv, row 5: 250 mm"
    assert words in page_of(tmp_path / "out")


@pytest.mark.usefixtures("unprinted")
def test_rerun_into_a_folder_leaves_no_figure_of_before(tmp_path: Path) -> None:
    paths = study(tmp_path)
    out = tmp_path / "out"
    assert run("compare", *paths, "--out", out) == 0
    own = out / "figures" / "my-drawing.svg"
    own.write_text("<svg/>")
    for path in paths:
        changed(path, ",tra,", ",io,")
    assert run("compare", *paths, "--out", out) == 0
    names = {path.name for path in (out / "figures").iterdir()}
    assert not any(name.startswith("tra-") for name in names)
    assert "io-thickness-rest-mm-difference.svg" in names and own.name in names


def test_raters_of_any_name_and_number_stand_in_the_legend(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Only the figure that names raters is printed.
    monkeypatch.setattr(
        "layermotion.agreement.plots.finish",
        lambda figure, name, words: (
            finish(figure, name, words)
            if name.endswith("subjects")
            else Drawing(name, "<svg></svg>", b"%PDF", words)
        ),
    )
    names = ("_anna", "山田", "Zoë", "D", "E", "F", "G", "H", "I")
    paths = study(tmp_path, names, 8)
    out = tmp_path / "out"
    assert run("compare", *paths, "--out", out) == 0
    svg = (out / "figures" / "tra-thickness-rest-mm-subjects.svg").read_text(encoding="utf-8")
    page = page_of(out)
    for name in ("_anna", "Zoë", "rater 2", "D", "I"):
        assert f">{name}<" in svg, name
    assert "rater 2: 山田" in page
