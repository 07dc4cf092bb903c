"""Rows of CSV tables: none hides behind a quotation mark, whoever reads the table."""

from collections.abc import Callable
from pathlib import Path

import pytest

from layermotion.agreement.cells import read_cells
from layermotion.errors import InputError
from layermotion.lab.persons import read_consents
from layermotion.rows import csv_rows, named_rows
from layermotion.session.plan import read_plan

CELLS = ("clip,value,notes", "c1,3.1,{note}", "c2,3.2,{end}", "c3,3.3,")
PLAN = ("file,task,side,repeat,note", "a.png,rest,left,1,{note}", "b.png,rest,left,2,{end}")
CONSENTS = (
    "subject,scope,day,expiry",
    "S1,training,2024-03-01,{note}",
    "S2,evaluation,2024-03-01,{end}",
)
READERS = [
    (read_cells, CELLS),
    (lambda path: read_plan(path, path.parent), PLAN),
    (lambda path: read_consents(path, "clinic-a"), CONSENTS),
]


@pytest.mark.parametrize(("read", "lines"), READERS, ids=["measurements", "visit", "consents"])
@pytest.mark.parametrize(
    ("note", "end", "words"),
    [
        ('"slipped', "", "close or remove its quotation marks"),
        ('"slipped', '"', "of several lines"),
    ],
)
def test_no_row_is_taken_in_by_a_quotation_mark(
    read: Callable[[Path], object], lines: tuple[str, ...], note: str, end: str, words: str,
    tmp_path: Path,
) -> None:  # fmt: skip
    path = tmp_path / "table.csv"
    path.write_text("\n".join(lines).format(note=note, end=end) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=f"^table.csv row 2 .*{words}"):
        read(path)


def test_a_note_of_two_lines_takes_in_no_row() -> None:
    text = 'clip,notes\nc1,"thick fat\npoor contact"\n\nc2,"a ""good"" one"\n'
    assert list(csv_rows(text, ",", "t.csv")) == [
        (1, ["clip", "notes"]),
        (2, ["c1", "thick fat\npoor contact"]),
        (4, ["c2", 'a "good" one']),
    ]


@pytest.mark.parametrize("note", ['"slipped', '"thick" fat'])
def test_quotation_marks_match_in_the_last_row_too(note: str) -> None:
    with pytest.raises(InputError, match=r"^t.csv row 2 is no row of a CSV table"):
        list(csv_rows(f"clip,notes\nc1,{note}\n", ",", "t.csv"))


def test_rows_go_by_the_names_of_their_columns() -> None:
    names, rows = named_rows("Clip; Side \nc1\nc2;left\n", "t.csv")
    assert names == ["clip", "side"]
    assert rows == [(2, {"clip": "c1", "side": ""}), (3, {"clip": "c2", "side": "left"})]
    with pytest.raises(InputError, match=r"^t.csv, row 2 has more values than the table"):
        named_rows("clip\nc1,left\n", "t.csv")
    with pytest.raises(InputError, match=r"^t.csv has two columns side"):
        named_rows("clip,side,Side\nc1,left,right\n", "t.csv")


@pytest.mark.parametrize("column", ["side", "task", "repeat"])
def test_a_table_of_a_visit_states_what_each_file_is(column: str, tmp_path: Path) -> None:
    row = {"file": "a.png", "task": "rest", "side": "left", "repeat": "1"} | {column: ""}
    (tmp_path / "a.png").write_bytes(b"")
    path = tmp_path / "plan.csv"
    path.write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=f"^plan.csv, row 2 has no {column}; fill it in"):
        read_plan(path, tmp_path)
