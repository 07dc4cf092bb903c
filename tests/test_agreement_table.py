"""Reading and joining tables: every form, every slip with a clear message, nothing lost."""

import json
import math
import zipfile
from datetime import date, datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from layermotion.agreement.account import flow_of
from layermotion.agreement.auto import read_auto
from layermotion.agreement.design import read_design
from layermotion.agreement.join import Joined, join
from layermotion.agreement.table import read_table
from layermotion.errors import InputError
from layermotion.session.index import Entry, add_to_index

HEADING = "clip,subject,measure,structure,task,repeat,rater,value,unit"


def write(tmp_path: Path, name: str, *lines: str) -> Path:
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def manual_rows(count: int = 6) -> list[str]:
    return [
        f"c{i},S{i},thickness_rest,tra,rest,1,{rater},{3 + i / 10 + shift:.2f},mm"
        for i in range(count)
        for rater, shift in (("A", 0.0), ("B", 0.1))
    ]


def auto_file(tmp_path: Path, count: int = 6, factor: float = 1.0) -> Path:
    lines = ["clip,measure,structure,task,repeat,value,unit"]
    lines += [f"c{i},thickness_rest,tra,rest,1,{factor * (3 + i / 9):.3f},mm" for i in range(count)]
    return write(tmp_path, "auto.csv", *lines)


def joined(tmp_path: Path, *lines: str, auto: Path | None = None) -> Joined:
    manual = read_table(write(tmp_path, "manual.csv", *lines), "manual")
    return join(manual, read_auto([auto or auto_file(tmp_path)]), "manual.csv")


def refusal(tmp_path: Path, *lines: str, auto: Path | None = None) -> str:
    with pytest.raises(InputError) as caught:
        joined(tmp_path, *lines, auto=auto)
    return str(caught.value)


def test_long_table_is_joined_with_raters_as_columns(tmp_path: Path) -> None:
    (pairs,) = joined(tmp_path, HEADING, *manual_rows()).sets
    assert (pairs.measure, pairs.structure, pairs.unit) == ("thickness_rest", "tra", "mm")
    assert pairs.raters == ("A", "B")
    assert pairs.manual.shape == (6, 2, 1)
    assert pairs.subjects == 6
    assert pairs.manual_mean()[2] == pytest.approx(3.25)
    assert pairs.auto[2] == pytest.approx(3.222)


def test_wide_forms_give_the_same_as_the_long_one(tmp_path: Path) -> None:
    rows = [f"c{i},S{i},{3 + i / 10:.2f},{3.1 + i / 10:.2f}" for i in range(6)]
    (long,) = joined(tmp_path, HEADING, *manual_rows()).sets
    for heading in ("clip,subject,A:tra_mm,B:tra_mm", "clip,subject,structure,A_mm,B_mm"):
        own = [row.replace(",", ",", 1) for row in rows]
        if "structure" in heading:
            own = [",".join([*row.split(",")[:2], "tra", *row.split(",")[2:]]) for row in rows]
        (wide,) = joined(tmp_path, heading, *own).sets
        np.testing.assert_allclose(wide.manual, long.manual)
        assert wide.raters == long.raters


def test_second_readings_are_kept_apart(tmp_path: Path) -> None:
    rows = [f"c{i},S{i},{3 + i / 10:.2f},{3.2 + i / 10:.2f}" for i in range(6)]
    (pairs,) = joined(tmp_path, "clip,subject,A:tra_mm,A:tra#2_mm", *rows).sets
    assert pairs.manual.shape == (6, 1, 2)
    assert pairs.by_rater()[0, 0] == pytest.approx(3.1)


def test_xlsx_reads_like_csv(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.append(HEADING.split(","))
    for row in manual_rows():
        cells: list[object] = list(row.split(","))
        cells[7] = float(str(cells[7]))
        cells[5] = 1.0
        sheet.append(cells)
    path = tmp_path / "manual.xlsx"
    book.save(path)
    from_csv = read_table(write(tmp_path, "manual.csv", HEADING, *manual_rows()), "manual")
    pd.testing.assert_frame_equal(read_table(path, "manual").readings, from_csv.readings)


def test_decimal_commas_are_read_where_another_separator_is_used(tmp_path: Path) -> None:
    path = write(tmp_path, "m.csv", "clip;structure;value;unit", "c1;tra;3,25;mm")
    assert read_table(path, "manual").readings.value[0] == 3.25


def test_centimetres_become_millimetres_with_a_note(tmp_path: Path) -> None:
    rows = [row.replace(",mm", ",cm") for row in manual_rows()]
    rows = [
        ",".join([*row.split(",")[:7], f"{float(row.split(',')[7]) / 10:.3f}", "cm"])
        for row in rows
    ]
    result = joined(tmp_path, HEADING, *rows)
    assert result.sets[0].manual[0, 0, 0] == pytest.approx(3.0)
    assert "12 values of the manual table were given in cm and turned into mm." in result.notes


def test_missing_value_is_listed_and_the_rest_is_used(tmp_path: Path) -> None:
    rows = manual_rows()
    rows[3] = "c1,S1,thickness_rest,tra,rest,1,B,,mm"
    result = joined(tmp_path, HEADING, *rows)
    assert math.isnan(result.sets[0].manual[1, 1, 0])
    assert [(item.table, item.what, item.reason) for item in result.unused] == [
        ("manual", "row 5", "The row has no value.")
    ]


def test_what_has_no_partner_is_listed_on_both_sides(tmp_path: Path) -> None:
    rows = manual_rows(5) + ["c9,S9,thickness_rest,tra,rest,1,A,3.0,mm"]
    result = joined(tmp_path, HEADING, *rows)
    assert [(item.table, item.what) for item in result.unused] == [
        ("manual", "row 12"),
        ("auto", "clip c5, tra thickness_rest, repeat 1"),
    ]


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("c0,S0,thickness_rest,tra,rest,1,A,3.0,mm", "rows 2 and 14 give the same measurement"),
        ("c7,S7,thickness_rest,tra,rest,1,A,-3.0,mm", "row 14 has the negative value -3.0"),
        ("c7,S7,thickness_rest,tra,rest,1,A,thick,mm", 'row 14 has "thick" where a number'),
        ("c7,S7,thickness_rest,tra,rest,1,A,nan,mm", 'row 14 has "nan" where a number'),
        ("c7,S7,thickness_rest,tra,rest,1,A,3.0,inch", 'row 14 has the unit "inch"'),
        ("c7,S7,thickness_rest,tra,rest,1,A,3.0,", "row 14 has no unit"),
        ("c7,S7,thickness_rest,psoas,rest,1,A,3.0,mm", 'row 14 has the structure "psoas"'),
        ("c7,S7,thickness_rest,tra,juggle,1,A,3.0,mm", 'row 14 has the task "juggle"'),
        (",S7,thickness_rest,tra,rest,1,A,3.0,mm", "row 14 has no clip"),
        ("c7,,thickness_rest,tra,rest,1,A,3.0,mm", "row 14 has no subject"),
        ("c7,S7,thickness_rest,tra,rest,1,A,3.0,mm,9", "row 14 has more cells"),
        ("c7,S7,thickness_rest,tra,rest,1,A,0,mm", "row 14 has the value 0; a thickness is above"),
        ("c7,S7,thickness_rest,tra,rest,1,A,999,mm", "row 14 has the value 999, more than 300 mm"),
        ('c7,S7,thickness_rest,tra,rest,1,A,"3,1",mm', "row 14 has a decimal comma in"),
        ("c7,S7,thickness_rest,tra,rest,1,,3.0,mm", "row 14 has no rater, while other rows have"),
        ("c7,S7,thickness_rest,tra,rest,1,a,3.0,mm", 'rows 2 and 14 write the rater "A" and "a"'),
        ("c7,s5,thickness_rest,tra,rest,1,A,3.0,mm", 'rows 12 and 14 write the subject "S5" and'),
        ("c5,S4,thickness_rest,tra,rest,2,A,3.0,mm", "rows 12 and 14 give clip c5 to two subj"),
        ("c7,S7,thickness_rest,tra,rest,1,auto,3,mm", "has a rater called auto, which the res"),
        ("c5,S5,thickness_rest,tra,rest,1,C,0.35,mm", "are about 0.098 times the automatic ones"),
    ],
)
def test_unusable_row_is_named(row: str, message: str, tmp_path: Path) -> None:
    found = refusal(tmp_path, HEADING, *manual_rows(), row)
    assert message in found and "manual.csv" in found


def test_displacement_below_zero_is_a_value_like_any_other(tmp_path: Path) -> None:
    row = "c1,S1,base_displacement,bladder,cough,1,A,-4.2,mm"
    table = read_table(write(tmp_path, "m.csv", HEADING, row), "manual")
    assert table.readings.value[0] == -4.2


def test_units_that_do_not_fit_are_refused_with_their_rows(tmp_path: Path) -> None:
    rows = [row.replace(",mm", ",%") if ",B," in row else row for row in manual_rows()]
    message = refusal(tmp_path, HEADING, *rows)
    assert message == (
        "manual.csv rows 3, 5, 7, 9, 11 and 13 and the automatic values differ in unit "
        "(% and mm); give both in the same unit."
    )


def test_one_raters_values_in_another_unit_than_stated_are_refused(tmp_path: Path) -> None:
    rows = []
    for row in manual_rows():
        cells = row.split(",")
        if cells[6] == "B":
            cells[7] = f"{float(cells[7]) / 10:.3f}"
        rows.append(",".join(cells))
    message = refusal(tmp_path, HEADING, *rows)
    assert "values of rater B in manual.csv are about 0.1 times the automatic ones" in message


@pytest.mark.parametrize(("count", "people"), [(1, "one subject"), (2, "2 subjects")])
def test_too_few_subjects_are_refused(count: int, people: str, tmp_path: Path) -> None:
    message = refusal(tmp_path, HEADING, *manual_rows(count))
    assert message.startswith(f"manual.csv has {people} for tra thickness_rest")


def test_nothing_in_common_is_refused(tmp_path: Path) -> None:
    rows = [row.replace("c", "d", 1) for row in manual_rows()]
    assert refusal(tmp_path, HEADING, *rows).startswith("No row of manual.csv matches")


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["clip,structure,value"], "m.csv has no column unit"),
        (["clip,structure,unit"], "m.csv has no column value"),
        (["clip,structure,value,value,unit"], "m.csv has two columns value"),
        (["clip,mood,value,unit"], 'm.csv has a column "mood" whose meaning is unknown'),
        (["clip,structure,value,unit"], "m.csv has a heading and no rows"),
        (["clip,anna:psoas_mm", "c1,3"], 'm.csv has a column "anna:psoas_mm", and psoas is no'),
        (["clip,tra_mm,value", "c1,3,3"], "m.csv has a column value and also tra_mm"),
        (["clip,structure,IO_mm", "c1,tra,3"], "m.csv has a column structure and also IO_mm"),
        (["clip,structure,rater,B_mm", "c,tra,A,3"], "m.csv has a column rater and also B_mm"),
        (["clip,structure,value,unit,", "c,tra,3,mm,4"], "m.csv row 2 has a value in a column w"),
        (["clip,structure,side,value,unit", "c,tra,up,3,mm"], 'm.csv row 2 has the side "up"'),
    ],
)
def test_unusable_heading_is_named(lines: list[str], message: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_table(write(tmp_path, "m.csv", *lines), "manual")
    assert str(caught.value).startswith(message)


def test_empty_and_broken_files_are_refused(tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.touch()
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK no workbook")
    latin = tmp_path / "latin.csv"
    latin.write_bytes("clip,ä".encode("latin-1"))
    for path, words in ((empty, "is empty"), (broken, "not a readable XLSX"), (latin, "UTF-8")):
        with pytest.raises(InputError, match=words):
            read_table(path, "manual")


def test_sides_notes_and_spelling_of_measures_are_understood(tmp_path: Path) -> None:
    lines = ["Clip,Structure,Side,Measure,Value,Unit,Notes", "c1,TrA,L,Thickness rest,3,mm,hard"]
    table = read_table(write(tmp_path, "m.csv", *lines), "manual")
    (reading,) = table.readings.itertuples()
    assert (reading.structure, reading.side, reading.measure) == ("tra", "left", "thickness_rest")
    assert table.notes == ("Not used of the manual table: notes.",)


def test_value_column_with_a_unit_is_no_rater(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "m.csv", "clip,structure,value_cm", "c1,tra,0.3"), "manual")
    (reading,) = table.readings.itertuples()
    assert (reading.rater, reading.value, reading.unit) == ("", 3.0, "mm")


def test_empty_cell_of_a_wide_table_is_listed_with_its_column(tmp_path: Path) -> None:
    table = read_table(
        write(tmp_path, "m.csv", "clip,structure,A_mm,B_mm", "c1,tra,3.0,"), "manual"
    )
    assert [item.what for item in table.unused] == ["row 2, B_mm"]


def test_decimal_comma_changes_numbers_only(tmp_path: Path) -> None:
    path = write(
        tmp_path, "m.csv", "sep=;", "clip;subject;structure;value;unit", "1,2;3,4;io;3,5;cm"
    )
    (reading,) = read_table(path, "manual").readings.itertuples()
    assert (reading.row, reading.clip, reading.subject, reading.value) == (3, "1,2", "3,4", 35.0)


def test_rows_are_counted_as_a_spreadsheet_does(tmp_path: Path) -> None:
    lines = [
        "",
        "clip,structure,value,unit,notes",
        "",
        'c1,tra,3,mm,"two',
        'lines"',
        "c2,tra,x,mm,",
    ]
    with pytest.raises(InputError, match='^m.csv row 5 has "x"'):
        read_table(write(tmp_path, "m.csv", *lines), "manual")


def workbook(path: Path, **sheets: list[list[object]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_of_several_sheets_the_one_named_measurements_is_read(tmp_path: Path) -> None:
    rows: list[list[object]] = [["clip", "structure", "value", "unit"], ["c1", "tra", 3.1, "mm"]]
    named = workbook(tmp_path / "a.xlsx", first=[["x"]], Measurements=rows)
    table = read_table(named, "manual")
    assert table.readings.value[0] == 3.1
    assert table.notes == ("Of a.xlsx the sheet Measurements was read, and not first.",)
    spare = workbook(tmp_path / "b.xlsx", empty=[], data=rows)
    assert len(read_table(spare, "manual").readings) == 1
    several = workbook(tmp_path / "c.xlsx", mon=rows, tue=rows)
    with pytest.raises(InputError, match=r"c.xlsx has 2 sheets with content \(mon, tue\)"):
        read_table(several, "manual")
    blank = workbook(tmp_path / "d.xlsx", empty=[])
    with pytest.raises(InputError, match="d.xlsx is empty"):
        read_table(blank, "manual")


def test_broken_xml_and_endless_cells_are_refused(tmp_path: Path) -> None:
    good = workbook(tmp_path / "a.xlsx", data=[["clip"]])
    broken = tmp_path / "broken.xlsx"
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(broken, "w") as new:
        for name in old.namelist():
            new.writestr(name, b"<a" if "sheet1" in name else old.read(name))
    endless = write(tmp_path, "endless.csv", 'clip,value\nc1,"' + "x" * 200_000)
    for path, words in ((broken, "not a readable XLSX"), (endless, "no row of a CSV table")):
        with pytest.raises(InputError, match=words):
            read_table(path, "manual")


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_single_values_in_another_unit_are_refused_with_their_rows(
    factor: float, tmp_path: Path
) -> None:
    rows = manual_rows()
    for place in (1, 6):
        cells = rows[place].split(",")
        cells[7] = f"{float(cells[7]) * factor:.3f}"
        rows[place] = ",".join(cells)
    assert refusal(tmp_path, HEADING, *rows).startswith(
        "manual.csv rows 3 and 8: about 10 times the automatic value, or a 10th of it, as if cm"
    )


def test_tool_that_is_wrong_by_far_is_compared_all_the_same(tmp_path: Path) -> None:
    auto = auto_file(tmp_path)
    auto.write_text(auto.read_text().replace("3.111", "0.311"))
    (pairs,) = joined(tmp_path, HEADING, *manual_rows(), auto=auto).sets
    assert pairs.auto[1] == 0.311


def test_shares_beside_per_cent_are_refused(tmp_path: Path) -> None:
    lines = ["clip,measure,structure,task,repeat,value,unit"]
    lines += [f"c{i},thickness_change,tra,rest,1,{20 + 5 * i},%" for i in range(6)]
    rows = [f"c{i},S{i},thickness_change,tra,rest,1,A,{0.2 + 0.05 * i:.2f},%" for i in range(6)]
    message = refusal(tmp_path, HEADING, *rows, auto=write(tmp_path, "a.csv", *lines))
    assert "about 0.01 times the automatic ones, as if shares and per cent were mixed" in message


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("c5,", "c9,", "the tool gives no such clip."),
        (
            "c5,S5,thickness_rest,tra",
            "c5,S5,thickness_rest,io",
            "the tool gives no structure io",
        ),
        (
            "c5,S5,thickness_rest",
            "c5,S5,thickness_change",
            "the tool gives no measure thickness",
        ),
        ("tra,rest,1,A,3.5", "tra,cough,1,A,3.5", "the tool gives no task cough for it."),
        ("tra,rest,1,A,3.5", "tra,rest,3,A,3.5", "the tool gives no repeat 3 for it."),
        ("tra,rest,1,A,3.5", "tra,rest,,A,3.5", "the row states no repeat."),
    ],
)
def test_reason_names_what_the_tool_lacks(old: str, new: str, reason: str, tmp_path: Path) -> None:
    rows = manual_rows()
    rows = [*rows[:10], rows[10].replace(old, new), *rows[11:]]
    result = joined(tmp_path, HEADING, *rows)
    (own,) = [item for item in result.unused if item.table == "manual"]
    assert own.what == "row 12"
    assert own.reason.startswith(f"No automatic value: {reason}")


def test_table_of_the_tool_without_clips_is_refused(tmp_path: Path) -> None:
    auto = write(tmp_path, "measures.csv", "name,structure,value,unit", "thickness_rest,tra,3,mm")
    with pytest.raises(InputError, match="measures.csv has no column clip; give the folder"):
        read_auto([auto])


def test_table_of_the_tool_keeps_account_of_status_and_reason(tmp_path: Path) -> None:
    lines = [
        "clip,name,structure,value,unit,status,reason",
        "c1,thickness_rest,tra,3.0,mm,corrected,",
        "c2,thickness_rest,tra,,mm,needs_manual,Not seen.",
        "c3,thickness_rest,tra,3.1,mm,draft,",
    ]
    table = read_auto([write(tmp_path, "measures.csv", *lines)])
    assert list(table.readings["clip"]) == ["c3"]
    assert [item.reason for item in table.unused] == [
        "A clinician corrected the value, so it is no longer automatic.",
        "The tool withheld the value: Not seen.",
    ]


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["clip,subject,value", "c1,S1,3"], 'has a column "value", which has no place beside'),
        (["clip,session", "c1,1"], "has no column subject"),
        (["clip,subject", "c1,S1", "c1,S1"], "row 3 gives clip c1 again"),
        (["clip,subject", "c1,"], "row 2 lacks its clip or its subject"),
        (["clip,subject,side", "c1,S1,top"], 'row 2 has the side "top"'),
        (["clip,subject"], "has a heading and no rows"),
        (["clip,subject", "c1,S1", "c2,s1"], 'rows 2 and 3 write the subject "S1" and "s1"'),
        (["clip,subject,rater", "c1,S1,KL", "c2,S1,kl"], 'rows 2 and 3 write the rater "KL" and'),
        (["clip,subject,rater", "c1,S1,KL", "c2,S1,"], "row 3 has no rater, while other rows"),
        (["clip,subject,session", "c1,S1,1", "c2,S1,", "c3,S2,"], "rows 3 and 4 have no session"),
    ],
)
def test_unusable_table_of_clips_is_named(lines: list[str], message: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_design(write(tmp_path, "d.csv", *lines), {})
    assert str(caught.value).startswith(f"d.csv {message}")


@pytest.mark.parametrize(
    ("column", "one", "other"),
    [
        ("subject", "S1", "s1"),
        ("subject", "01", "1"),
        ("subject", "P007-A", "p7-a"),
        ("session", "Pre", "pre"),
        ("placement", "1", "01"),
    ],
)
def test_one_name_in_two_spellings_is_refused(
    column: str, one: str, other: str, tmp_path: Path
) -> None:
    lines = [f"clip,structure,value,unit,{column}", f"c1,tra,3,mm,{one}", f"c2,tra,3,mm,{other}"]
    with pytest.raises(InputError, match=f'write the {column} "{one}" and "{other}"'):
        read_table(write(tmp_path, "m.csv", *lines), "manual")
    # Zeros within a number make it another one.
    lines[1:] = [f"c1,tra,3,mm,{name}" for name in ("S1", "S10", "S100", "S101")]
    assert read_table(write(tmp_path, "m.csv", *lines), "manual").readings[column].nunique() == 4


def test_cells_that_were_merged_are_refused(tmp_path: Path) -> None:
    lines = ["subject,measure,structure,session,value,unit", "S1,thickness_rest,tra,pre,3,mm"]
    lines += ["S1,thickness_rest,tra,,3.1,mm", "S2,thickness_rest,tra,,3.2,mm"]
    with pytest.raises(InputError, match=r"^m.csv rows 3 and 4 have no session, while other rows"):
        read_table(write(tmp_path, "m.csv", *lines), "manual")
    # A bladder has no side, whatever the muscles beside it have.
    sided = ["subject,measure,structure,side,value,unit", "S1,thickness_rest,tra,left,3,mm"]
    sided += ["S1,base_displacement,bladder,,3,mm"]
    assert len(read_table(write(tmp_path, "m.csv", *sided), "manual").readings) == 2


@pytest.mark.parametrize("title", ["mean_mm", "Mittelwert_mm", "SD_mm"])
def test_what_is_computed_from_raters_is_no_rater(title: str, tmp_path: Path) -> None:
    lines = [f"clip,structure,KL_mm,MR_mm,{title}", "c1,tra,3,3.2,3.1"]
    name = title.removesuffix("_mm")
    with pytest.raises(InputError, match=f'^m.csv has "{name}" among its raters'):
        read_table(write(tmp_path, "m.csv", *lines), "manual")
    # Where there is nothing else it may be all that is known of them.
    alone = read_table(write(tmp_path, "m.csv", "clip,structure,mean_mm", "c1,tra,3.1"), "manual")
    assert alone.readings["rater"].tolist() == ["mean"]


def test_per_cent_of_a_workbook_are_what_it_shows(tmp_path: Path) -> None:
    path = workbook(
        tmp_path / "m.xlsx",
        data=[
            ["clip", "measure", "structure", "value", "unit"],
            ["c1", "thickness_change", "tra", 0.455, "%"],
            ["c2", "thickness_change", "tra", 45.5, "%"],
        ],
    )
    book = openpyxl.load_workbook(path)
    book["data"]["D2"].number_format = "0.0%"
    book.save(path)
    assert read_table(path, "manual").readings["value"].tolist() == [45.5, 45.5]


def test_formulas_without_a_result_are_refused(tmp_path: Path) -> None:
    """A program that computes nothing stores none, and the cell would count as empty."""
    heading = ["clip", "structure", "value", "unit"]
    rows: list[list[object]] = [["c1", "tra", "=1+2", "mm"], ["c2", "tra", 3.1, "mm"]]
    path = workbook(tmp_path / "m.xlsx", other=[["=1+1"]], Measurements=[heading, *rows])
    said = (
        r"m.xlsx has a formula without a result in cell C2; open it in a spreadsheet program and "
        r"save it, or write the value."
    )
    with pytest.raises(InputError, match=said):
        read_table(path, "manual")
    many = workbook(tmp_path / "n.xlsx", data=[heading, *[rows[0]] * 12])
    with pytest.raises(InputError, match="in 12 cells, the first of them C2; open it"):
        read_table(many, "manual")
    # Of another sheet nothing is read, and an empty text is a result.
    spare = workbook(tmp_path / "o.xlsx", other=[["=1+1"]], Measurements=[heading, rows[1]])
    assert read_table(spare, "manual").readings["value"].tolist() == [3.1]
    blank = workbook(tmp_path / "p.xlsx", data=[heading, *rows])
    with zipfile.ZipFile(blank) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b'<c r="C2">', b'<c r="C2" t="str">')
    with zipfile.ZipFile(blank, "w") as book:
        for name, content in parts.items():
            book.writestr(name, content)
    assert read_table(blank, "manual").readings["value"].tolist() == [3.1]


def test_dates_of_a_workbook_are_days(tmp_path: Path) -> None:
    rows: list[list[object]] = [["clip", "structure", "value", "unit"]]
    rows += [[day, "tra", 3.1, "mm"] for day in (date(2026, 3, 1), datetime(2026, 3, 2, 9, 30))]
    readings = read_table(workbook(tmp_path / "m.xlsx", data=rows), "manual").readings
    assert readings["clip"].tolist() == ["2026-03-01", "2026-03-02 09:30:00"]


def test_a_printed_minus_is_a_minus(tmp_path: Path) -> None:
    lines = ["clip,structure,measure,value,unit", "c1,bladder,base_displacement,\u22123.5,mm"]
    path = tmp_path / "m.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    assert read_table(path, "manual").readings["value"].tolist() == [-3.5]


def test_decimal_commas_are_one_problem(tmp_path: Path) -> None:
    rows: list[list[object]] = [["clip", "structure", "value", "unit"]]
    rows += [[f"c{number}", "tra", f"3,{number}", "mm"] for number in range(9)]
    path = workbook(tmp_path / "m.xlsx", data=rows)
    with pytest.raises(InputError) as said:
        read_table(path, "manual")
    assert str(said.value) == (
        "m.xlsx rows 2 to 10 have a decimal comma in column value; write decimals with a point."
    )


@pytest.mark.parametrize("title", ["A study", "A study,,,"])
def test_a_title_above_the_heading_is_named(title: str, tmp_path: Path) -> None:
    lines = [title, "clip,structure,value,unit", "c1,tra,3.1,mm"]
    path = tmp_path / "m.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(InputError, match="m.csv rows 2 and 3 .*take out any title above"):
        read_table(path, "manual")


def test_missing_key_column_is_taken_only_where_there_is_no_choice(tmp_path: Path) -> None:
    lines = ["clip,subject,structure,value,unit"]
    lines += [f"c{i},S{i},tra,{3 + i / 10},mm" for i in range(6)]
    result = joined(tmp_path, *lines)
    assert "The manual table has no column measure: thickness rest was taken." in result.notes
    both = ["clip,measure,structure,task,repeat,value,unit"]
    for measure in ("thickness_rest", "thickness_contracted"):
        both += [f"c{i},{measure},tra,draw_in,1,{3 + i / 9:.3f},mm" for i in range(6)]
    message = refusal(tmp_path, *lines, auto=write(tmp_path, "both.csv", *both))
    assert message == (
        "manual.csv has no column measure, while the automatic values hold thickness_contracted "
        "and thickness_rest; add the column."
    )


def result_folder(
    tmp_path: Path, clip: str, measures: list[dict[str, object]], **facts: str
) -> Path:
    folder = tmp_path / "results" / f"clip-{clip}"
    folder.mkdir(parents=True)
    document = {"clip": clip, **facts, "cautions": [], "measures": measures}
    (folder / "measures.json").write_text(json.dumps(document))
    (folder / "series.csv").write_text(
        "clip,frame,time_s,quantity,structure,value,unit,confidence\n"
        + "".join(f"{clip},{i},{i / 10},thickness,tra,3.0,mm,{i / 10}\n" for i in range(10))
    )
    return folder


def measure(
    structure: str, value: float | None, repeat: str = "1", status: str = "draft"
) -> dict[str, object]:
    return {
        "name": "thickness_rest",
        "structure": structure,
        "task": "unstated",
        "repeat": repeat,
        "value": value,
        "unit": "mm",
        "low": None,
        "high": None,
        "status": status,
        "reason": "" if value is not None else "Not seen.",
        "frames": "2-4",
        "method": "Median.",
    }


def test_tool_outputs_give_depth_confidence_and_what_was_withheld(tmp_path: Path) -> None:
    result_folder(
        tmp_path,
        "ab12",
        [measure("fat", 9.0), measure("eo", 6.0), measure("io", 8.0), measure("tra", 3.5)],
    )
    result_folder(tmp_path, "cd34", [measure("tra", None), measure("eo", 5.0, status="corrected")])
    table = read_auto([tmp_path / "results"])
    (tra,) = table.readings[table.readings.structure == "tra"].itertuples()
    assert (tra.clip, tra.value, tra.depth_mm) == ("ab12", 3.5, 23.0)
    assert tra.quality == pytest.approx(0.3)
    assert [item.reason for item in table.unused] == [
        "The tool withheld the value: Not seen.",
        "A clinician corrected the value, so it is no longer automatic.",
    ]


def test_mean_beside_its_repeats_does_not_count_twice(tmp_path: Path) -> None:
    rows, auto = [], ["clip,measure,structure,task,repeat,value,unit"]
    for i in range(4):
        for repeat in ("1", "2", "mean"):
            rows.append(f"c{i},S{i},thickness_rest,tra,rest,{repeat},A,{3 + i / 3:.2f},mm")
            auto.append(f"c{i},thickness_rest,tra,rest,{repeat},{3.1 + i / 3:.2f},mm")
    result = joined(tmp_path, HEADING, *rows, auto=write(tmp_path, "auto.csv", *auto))
    assert set(result.sets[0].repeat) == {"1", "2"}
    reasons = [item.reason for item in result.unused if item.table == "manual"]
    assert reasons == ["The repeats that it is the mean of were taken instead."] * 4


def test_side_of_a_visit_is_joined_with_that_of_the_table(tmp_path: Path) -> None:
    for i in range(4):
        result_folder(tmp_path, f"c{i}", [measure("tra", 3.0 + i / 2)], side="left")
    lines = ["clip,subject,side,structure,value,unit"]
    lines += [f"c{i},S{i},{'R' if i == 3 else 'L'},tra,{3.1 + i / 2},mm" for i in range(4)]
    result = joined(tmp_path, *lines, auto=tmp_path / "results")
    assert result.sets[0].side == ("left",) * 3
    reasons = [item.reason for item in result.unused if item.table == "manual"]
    assert reasons == ["No automatic value: the tool gives no side right for it."]


def test_without_repeats_the_mean_is_taken(tmp_path: Path) -> None:
    for i in range(3):
        result_folder(
            tmp_path,
            f"c{i}",
            [measure("tra", 3.0, "1"), measure("tra", 3.4, "2"), measure("tra", 3.2 + i, "mean")],
        )
    lines = [
        "clip,subject,structure,value,unit",
        *(f"c{i},S{i},tra,{3.1 + i},mm" for i in range(3)),
    ]
    result = joined(tmp_path, *lines, auto=tmp_path / "results")
    assert result.sets[0].auto.tolist() == [3.2, 4.2, 5.2]
    assert len(result.unused) == 6


def test_several_repeats_without_a_mean_stop_nothing_else(tmp_path: Path) -> None:
    """Times have no mean, nor has a thickness whose repeats lie too far apart."""
    times = [{**measure("tra", 1.2, repeat), "name": "onset_time"} for repeat in "12"]
    for i in range(4):
        own = [measure("tra", 3.0 + i, repeat) for repeat in ("1", "2", *(["mean"] if i else []))]
        result_folder(tmp_path, f"c{i}", [*own, *times])
    lines = ["clip,subject,measure,structure,value,unit"]
    lines += [f"c{i},S{i},thickness_rest,tra,{3.1 + i},mm" for i in range(4)]
    result = joined(tmp_path, *lines, auto=tmp_path / "results")
    (pairs,) = result.sets
    assert pairs.clip == ("c1", "c2", "c3")
    (own,) = [item for item in result.unused if item.table == "manual"]
    assert (own.what, own.reason) == (
        "row 2",
        "No automatic value: the tool gives several repeats and no mean; add the column repeat.",
    )
    no_mean = [item for item in result.unused if "several repeats and no mean" in item.reason]
    assert [item.measure for item in no_mean if item.table == "auto"].count("onset_time") == 8
    twice = ["clip,measure,structure,task,repeat,value,unit,subject"]
    twice += ["c1,thickness_rest,tra,rest,1,3,mm,Invented Patient"] * 2
    message = refusal(tmp_path, *lines, auto=write(tmp_path, "twice.csv", *twice))
    assert message.startswith(
        "The automatic values give clip c1, tra thickness_rest, repeat 1 2 times;"
    )


def test_what_a_clinician_corrected_is_missed_aloud(tmp_path: Path) -> None:
    for i in range(6):
        status = "corrected" if i < 2 else "draft"
        result_folder(tmp_path, f"c{i}", [measure("tra", 3.0 + i if i != 2 else None, "1", status)])
    lines = ["clip,subject,structure,repeat,value,unit"]
    lines += [f"c{i},S{i},tra,1,{3.1 + i},mm" for i in range(6)]
    result = joined(tmp_path, *lines, auto=tmp_path / "results")
    assert [item.reason for item in result.unused if item.table == "manual"] == [
        *["No automatic value: a clinician corrected it."] * 2,
        "No automatic value: the tool withheld it.",
    ]
    (caution,) = result.cautions
    assert caution.startswith("A clinician corrected 2 automatic values, which take no part.")
    assert "so the tool looks better than it is" in caution
    (row,) = flow_of(read_auto([tmp_path / "results"]), result.unused, result.sets)
    counts = (row.attempted, row.withheld, row.corrected, row.unpaired, row.analysed)
    assert counts == (6, 1, 2, 0, 3)


def test_clips_that_the_tool_lacks_are_not_called_by_their_files(tmp_path: Path) -> None:
    lines = manual_rows()
    lines[0] = lines[0].replace("c0,", "Invented_Patient_1950.dcm,").replace("S0", "S9")
    result = joined(tmp_path, HEADING, *lines)
    (own,) = [item for item in result.unused if item.table == "manual"]
    assert (own.what, own.reason) == ("row 2", "No automatic value: the tool gives no such clip.")


@pytest.mark.parametrize("opposite", [0, 3, 5])
def test_signs_that_are_turned_round_are_pointed_out(opposite: int, tmp_path: Path) -> None:
    rows, auto = [], ["clip,measure,structure,task,repeat,value,unit"]
    for i in range(5):
        sign = "-" if i < opposite else ""
        rows.append(f"c{i},S{i},base_displacement,bladder,cough,1,A,{sign}{3.1 + i},mm")
        auto.append(f"c{i},base_displacement,bladder,cough,1,{3 + i},mm")
    result = joined(tmp_path, HEADING, *rows, auto=write(tmp_path, "auto.csv", *auto))
    said = [words for words in result.cautions if "have the opposite sign of the tool's" in words]
    assert len(said) == (opposite == 5)
    if said:
        assert said[0].startswith("Of 5 values of bladder base displacement in manual.csv by A, 5")
        assert "(positive is a lift)" in said[0] or "lift" in said[0]


def test_shares_among_per_cent_are_refused_with_their_rows(tmp_path: Path) -> None:
    rows, auto = [], ["clip,measure,structure,task,repeat,value,unit"]
    for i in range(6):
        value = 0.21 + i / 100 if i == 4 else 21 + i
        rows.append(f"c{i},S{i},thickness_change,tra,rest,1,A,{value},%")
        auto.append(f"c{i},thickness_change,tra,rest,1,{20 + i},%")
    message = refusal(tmp_path, HEADING, *rows, auto=write(tmp_path, "auto.csv", *auto))
    assert message.startswith("manual.csv row 6: about 100 times the automatic value")
    assert "as if shares and per cent were mixed up" in message


def test_values_at_different_sites_are_said_to_be(tmp_path: Path) -> None:
    for i in range(4):
        result_folder(tmp_path, f"c{i}", [measure("tra", 3.0 + i)], site="most-even")
    assert not read_auto([tmp_path / "results"]).notes
    result_folder(tmp_path, "c4", [measure("tra", 3.0)], site="muscle-centre")
    result_folder(tmp_path, "c5", [measure("tra", 3.0)])
    (note,) = read_auto([tmp_path / "results"]).notes
    assert note.startswith(
        "The clips were measured at different sites: most-even (4), muscle-centre (1), a site not "
        "stated (1)."
    )


def test_same_clip_in_two_folders_is_refused(tmp_path: Path) -> None:
    one = result_folder(tmp_path / "a", "c1", [measure("tra", 3.0)])
    other = result_folder(tmp_path / "b", "c1", [measure("tra", 3.0)])
    with pytest.raises(InputError, match="Clip c1 is in .* and in .*; give one of them"):
        read_auto([one, other])


def test_folder_without_results_and_foreign_json_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="holds no measures.json"):
        read_auto([tmp_path])
    foreign = tmp_path / "measures.json"
    foreign.write_text('{"clip": 1}')
    with pytest.raises(InputError, match="is not a result of layermotion measure"):
        read_auto([foreign])


def indexed_results(tmp_path: Path, files: list[str]) -> Path:
    """Results of some files, TrA 3, 3.5, ... mm, with their index."""
    for i, file in enumerate(files):
        result_folder(tmp_path, f"c{i}", [measure("tra", 3.0 + i / 2)])
        add_to_index(tmp_path / "results", [Entry(f"c{i}", f"clip-c{i}", file)])
    return tmp_path / "results"


@pytest.mark.parametrize("ending", [".mp4", ""])
def test_a_clip_may_be_called_by_its_file(ending: str, tmp_path: Path) -> None:
    auto = indexed_results(tmp_path, [f"clip-S{i}.mp4" for i in range(3)])
    lines = [f"clip-S{i}{ending},S{i},tra,{3.1 + i / 2},mm" for i in range(3)]
    result = joined(tmp_path, "clip,subject,structure,value,unit", *lines, auto=auto)
    assert result.sets[0].clip == ("c0", "c1", "c2")
    assert result.sets[0].auto.tolist() == [3.0, 3.5, 4.0]
    assert "Clips of the manual table were found by their files, by index.csv." in result.notes
    lines = [f"clip-S{i}{ending},S{i}" for i in range(3)]
    table = write(tmp_path, "d.csv", "clip,subject", *lines)
    assert read_design(table, read_auto([auto]).files).index.tolist() == ["c0", "c1", "c2"]


def test_a_clip_of_its_own_name_is_no_file(tmp_path: Path) -> None:
    auto = indexed_results(tmp_path, ["c1.mp4", "c2.mp4", "c0.mp4"])
    lines = [f"c{i},S{i},tra,{3.1 + i / 2},mm" for i in range(3)]
    result = joined(tmp_path, "clip,subject,structure,value,unit", *lines, auto=auto)
    assert result.sets[0].auto.tolist() == [3.0, 3.5, 4.0]


def test_a_name_of_several_files_is_refused(tmp_path: Path) -> None:
    auto = indexed_results(tmp_path, ["left.mp4", "left.mp4", "right.mp4"])
    lines = ["clip,subject,structure,value,unit", "right,S0,tra,3,mm", "left,S1,tra,3,mm"]
    assert refusal(tmp_path, *lines, auto=auto) == (
        "manual.csv row 3 has the clip left, and 2 measured files have that name; write the clip "
        "that index.csv gives."
    )


def test_a_clip_called_by_its_name_and_by_its_file_is_one(tmp_path: Path) -> None:
    auto = indexed_results(tmp_path, ["a.mp4", "b.mp4", "d.mp4"])
    lines = ["clip,subject,structure,value,unit", "c0,S0,tra,3,mm", "a,S0,tra,3,mm"]
    assert "rows 2 and 3 give the same measurement twice" in refusal(tmp_path, *lines, auto=auto)
    table = write(tmp_path, "d.csv", "clip,subject", "c0,S0", "a,S0")
    with pytest.raises(InputError, match="row 3 gives clip c0 again"):
        read_design(table, read_auto([auto]).files)


def test_a_slide_of_unknown_way_is_not_compared(tmp_path: Path) -> None:
    slide = measure("tra", 5.0) | {"name": "slide"}
    result_folder(tmp_path, "c0", [slide, measure("tra", 3.0)], lateral="unknown")
    result_folder(tmp_path, "c1", [slide, measure("tra", 3.0)], lateral="known")
    table = read_auto([tmp_path / "results"])
    slides = table.readings[table.readings.measure == "slide"]
    assert slides["clip"].tolist() == ["c1"]
    (aside,) = table.unused
    assert aside.what == "clip c0, tra slide, repeat 1"
    assert "lateral is unknown" in aside.reason
