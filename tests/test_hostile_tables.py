"""Damaged workbooks and results for the bench are refused in one sentence, in little time."""

import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import layermotion.agreement.cells
from layermotion.agreement.auto import read_auto
from layermotion.agreement.cells import read_cells
from layermotion.agreement.table import read_table
from layermotion.errors import InputError

SHEET = "xl/worksheets/sheet1.xml"


def workbook(path: Path, rows: int = 200) -> Path:
    book = openpyxl.Workbook()
    assert book.active is not None
    for number in range(rows):
        book.active.append([f"clip-{number * 7919 % 997}", number / 7, "mm"])
    book.save(path)
    return path


def with_part(path: Path, name: str, change: Callable[[str], str]) -> Path:
    with zipfile.ZipFile(path) as book:
        parts = {item: book.read(item) for item in book.namelist()}
    parts[name] = change(parts[name].decode()).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for item, content in parts.items():
            book.writestr(item, content)
    return path


def test_workbooks_with_damaged_bytes_are_refused(tmp_path: Path) -> None:
    content = workbook(tmp_path / "m.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "m.xlsx") as book:
        sheet = book.getinfo(SHEET)
    begin = sheet.header_offset + 30 + len(SHEET)
    for place in range(begin, begin + sheet.compress_size, max(1, sheet.compress_size // 40)):
        damaged = bytearray(content)
        damaged[place] ^= 0xFF
        (tmp_path / "m.xlsx").write_bytes(damaged)
        with pytest.raises(InputError, match="m.xlsx is not a readable XLSX file; save it again"):
            read_cells(tmp_path / "m.xlsx")


def test_a_workbook_of_a_stated_size_is_read_by_what_it_holds(tmp_path: Path) -> None:
    path = workbook(tmp_path / "m.xlsx", 3)
    before = read_cells(path)
    with_part(path, SHEET, lambda text: text.replace('ref="A1:C3"', 'ref="A1:XFD1048576"'))
    again = read_cells(path)
    assert again.titles == before.titles and again.body.equals(before.body)


def test_workbooks_too_large_for_a_table_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = workbook(tmp_path / "m.xlsx", 3)
    monkeypatch.setattr(layermotion.agreement.cells, "MOST_CELLS", 9)
    assert len(read_cells(path).body) == 2
    monkeypatch.setattr(layermotion.agreement.cells, "MOST_CELLS", 8)
    with pytest.raises(InputError, match=r"m\.xlsx has more than 8 cells; give the table alone"):
        read_cells(path)
    monkeypatch.setattr(layermotion.agreement.cells, "MOST_BYTES", 100)
    with pytest.raises(InputError, match=r"m\.xlsx holds more than .* MB; give the table alone"):
        read_cells(path)
    # One cell in the last column of each of many rows.
    monkeypatch.undo()
    wide = "".join(f'<row r="{r}"><c r="XFD{r}"><v>1</v></c></row>' for r in range(4, 2000))
    with_part(path, SHEET, lambda text: text.replace("</sheetData>", wide + "</sheetData>"))
    with pytest.raises(InputError, match=r"m\.xlsx has more than 5000000 cells"):
        read_cells(path)


def result(folder: Path, **changed: Any) -> Path:
    measure = {
        "name": "thickness_rest", "structure": "tra", "task": "rest", "repeat": "1", "value": 3.0,
        "unit": "mm", "low": 2.8, "high": 3.2, "status": "draft", "reason": "", "frames": "0-3",
        "method": "Median.",
    }  # fmt: skip
    series = changed.pop("series", "frame,quantity,structure,confidence\n0,thickness,tra,0.5\n")
    document = {"clip": "c1", "cautions": [], "measures": [{**measure, **changed}]}
    (folder / "measures.json").write_text(json.dumps(document))
    (folder / "series.csv").write_bytes(series.encode())
    return folder / "measures.json"


@pytest.mark.parametrize(
    "changed",
    [
        {"frames": 3},
        {"frames": "a-b"},
        {"value": float("nan")},
        {"value": "3.0"},
        {"value": 30.0},
        {"unit": ["mm"]},
        {"unit": "furlong"},
        {"status": "sure"},
        {"series": "frame,quantity\n0,thickness\n"},
        {"series": "frame,quantity,structure,confidence\n0,thickness,tra,\n"},
        {"series": 'frame,quantity,structure,confidence\n0,thickness,tra,"' + "9" * 200_000},
    ],
    ids=lambda changed: str(changed)[:40],
)
def test_results_with_impossible_values_are_refused(
    changed: dict[str, Any], tmp_path: Path
) -> None:
    assert read_auto([result(tmp_path)]).readings["quality"].tolist() == [0.5]
    path = result(tmp_path, **changed)
    with pytest.raises(InputError, match=r"measures\.json is not a result of layermotion measure"):
        read_auto([path])


def test_results_nested_without_end_are_refused(tmp_path: Path) -> None:
    path = result(tmp_path)
    path.write_text('{"clip": "c1", "measures": ' + "[" * 100_000)
    with pytest.raises(InputError, match=r"measures\.json is not a result of layermotion measure"):
        read_auto([path])


def test_frames_without_end_take_no_time(tmp_path: Path) -> None:
    assert read_auto([result(tmp_path, frames="0-999999999999")]).readings["quality"].tolist() == [
        0.5
    ]


def test_empty_cells_beyond_the_heading_are_none(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("clip,subject,structure,value,unit\nc1,S1,tra,3.0,mm,,,\n")
    assert read_table(path, "manual").readings["value"].tolist() == [3.0]


@pytest.mark.parametrize(
    ("heading", "row", "message"),
    [
        ("clip,subject,structure,value,unit,[[[", "c1,S1,tra,3,mm,x", "row 1 has a column name of"),
        ("clip,subject,structure,value,unit", "c1,S1,tra,3,[[[", "row 2 has more than 100 letters"),
    ],
)
def test_cells_without_end_are_refused_and_not_quoted(
    heading: str, row: str, message: str, tmp_path: Path
) -> None:
    path = tmp_path / "m.csv"
    path.write_text(f"{heading}\n{row}\n".replace("[[[", "[" * 2000))
    with pytest.raises(InputError, match=message) as caught:
        read_table(path, "manual")
    assert len(str(caught.value)) < 300
