"""Owns tables of a study's design: which clip belongs to whom, and empty tables to fill in."""

import csv
import io
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from layermotion.agreement.cells import SHEET, read_cells
from layermotion.agreement.named import clips_of
from layermotion.agreement.readings import FileNames
from layermotion.agreement.table import NOTE_COLUMNS, SIDES, column_names, refuse_unlike
from layermotion.errors import InputError
from layermotion.files import atomic_path, write_text
from layermotion.labels import Structure, Task

DESIGN_COLUMNS = ("clip", "subject", "session", "rater", "placement", "side")
TEMPLATE_COLUMNS = (
    "subject",
    "session",
    "side",
    "rater",
    "placement",
    "clip",
    "measure",
    "structure",
    "task",
    "repeat",
    "value",
    "unit",
    "notes",
)
# What has neither sides nor a thickness, and the task that moves it.
NO_SIDE, LIFT = (Structure.BLADDER,), str(Task.PELVIC_FLOOR_LIFT)
# Spreadsheets hold 1,048,576 rows; nobody fills in so many (our choice).
MOST_ROWS = 100_000
HINTS = (
    "One value a row. Fill in value, and clip where the value is read from a recording: the name "
    "of its file, or its clip in the results of layermotion measure.",
    "Give subjects and raters a code, never a name. Leave a missing value empty, and say why in "
    "notes.",
    "Units: mm, cm, % or ratio. Rows may be added or removed; the headings stay.",
    "layermotion reliability reads this file as it is, layermotion compare where clip is filled "
    "in.",
)


@dataclass(frozen=True)
class Design:
    """How often each subject is measured; every combination is one row for each structure.

    A bladder is seen from the midline, and its base is displaced instead of thick.
    """

    subjects: int
    sessions: int
    raters: int
    placements: int
    repeats: int
    sides: tuple[str, ...]
    structures: tuple[str, ...]

    @property
    def values(self) -> int:
        """How many rows there are."""
        counts = self.subjects, self.sessions, self.raters, self.placements, self.repeats
        sides = len(self.sides) or 1
        return math.prod(counts) * sum(1 if k in NO_SIDE else sides for k in self.structures)

    def rows(self) -> list[tuple[str, ...]]:
        """One row for each value to fill in, in the order in which they are measured."""
        people = [f"S{number:02d}" for number in range(1, self.subjects + 1)]
        raters = [f"R{number}" for number in range(1, self.raters + 1)]
        counts = [
            [str(number) for number in range(1, count + 1)]
            for count in (self.sessions, self.placements, self.repeats)
        ]
        sessions, placements, repeats = counts
        sides = self.sides or ("",)
        midline = "midline" if self.sides else ""
        rows: list[tuple[str, ...]] = []
        for subject, session, side, rater, placement, repeat, structure in itertools.product(
            people, sessions, sides, raters, placements, repeats, self.structures
        ):
            if structure not in NO_SIDE:
                what = (side, rater, placement, "", "thickness_rest", structure, "rest")
            elif side == sides[0]:
                what = (midline, rater, placement, "", "base_displacement", structure, LIFT)
            else:
                continue
            rows.append((subject, session, *what, repeat, "", "mm", ""))
        return rows


def read_design(path: Path, files: FileNames) -> pd.DataFrame:
    """Read which subject, session, rater, placement and side each clip belongs to, and its row.

    Parameters
    ----------
    files
        Names of files by which the table may call clips.

    Raises
    ------
    InputError
        If the table cannot be read, has an unknown column, a clip twice or without subject, or
        names in two spellings or in some rows alone.
    """
    cells = read_cells(path)
    heading = column_names(cells.titles, path.name)
    for title, name in zip(cells.titles, heading, strict=True):
        if name not in (*DESIGN_COLUMNS, *NOTE_COLUMNS, ""):
            raise InputError(
                f'{path.name} has a column "{title}", which has no place beside automatic values; '
                f"keep {', '.join(DESIGN_COLUMNS)} and notes."
            )
    for name in ("clip", "subject"):
        if name not in heading:
            raise InputError(f"{path.name} has no column {name}; add it.")
    if not len(cells.body):
        raise InputError(f"{path.name} has a heading and no rows; add the clips.")
    design = cells.named(heading).reindex(columns=DESIGN_COLUMNS, fill_value="")
    design["clip"] = clips_of(design["clip"].str.removeprefix("clip-"), files, path.name)
    side = design["side"].str.lower()
    for is_wrong, what in (
        ((design[["clip", "subject"]] == "").any(axis=1),
         "lacks its clip or its subject; fill it in"),
        (design["clip"].duplicated(), "gives clip {clip} again; remove one row"),
        (~side.isin(list(SIDES)), 'has the side "{side}"; use left, right or midline'),
    ):  # fmt: skip
        for number, row in design[is_wrong].iterrows():
            raise InputError(f"{path.name} row {number} {what.format(**row)}.")
    design = design.assign(side=side.map(SIDES), row=design.index)
    refuse_unlike(design, path.name)
    return design.set_index("clip")


def write_template(target: Path, design: Design) -> int:
    """Write an empty table for a design, as XLSX or CSV by the name of the file.

    Returns
    -------
    int
        How many values there are to fill in.

    Raises
    ------
    InputError
        If the file exists, since it may be filled in already, or its name ends otherwise.
    """
    if target.exists():
        raise InputError(f"{target.name} exists and may be filled in; give --template a new name.")
    if design.values > MOST_ROWS:
        raise InputError(
            f"The design has {design.values} values, more than {MOST_ROWS}; plan a smaller one."
        )
    rows = design.rows()
    if target.suffix.lower() == ".xlsx":
        _write_xlsx(target, rows)
    elif target.suffix.lower() == ".csv":
        stream = io.StringIO(newline="")
        csv.writer(stream, lineterminator="\n").writerows([TEMPLATE_COLUMNS, *rows])
        write_text(target, stream.getvalue())
    else:
        raise InputError(f"--template {target.name} ends in neither .xlsx nor .csv; name it so.")
    return len(rows)


def _write_xlsx(target: Path, rows: Sequence[Sequence[str]]) -> None:
    import openpyxl
    from openpyxl.styles import Font, PatternFill

    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    sheet.title = SHEET
    for row in (TEMPLATE_COLUMNS, *rows):
        sheet.append([int(cell) if cell.isdecimal() else cell or None for cell in row])
    for place, name in enumerate(TEMPLATE_COLUMNS, start=1):
        cell = sheet.cell(1, place)
        cell.font = Font(bold=True)
        if name in ("value", "clip", "notes"):
            cell.fill = PatternFill("solid", fgColor="E9EEF1")
        sheet.column_dimensions[cell.column_letter].width = max(10, len(name) + 3)
    sheet.column_dimensions["G"].width = 18
    sheet.freeze_panes = "A2"
    hints = book.create_sheet("how to fill in")
    hints.column_dimensions["A"].width = 110
    for hint in HINTS:
        hints.append([hint])
    with atomic_path(target) as temporary:
        book.save(temporary)
