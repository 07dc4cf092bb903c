"""Owns reading tables of measurements: long or wide, CSV or XLSX, every row accounted for."""

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from layermotion.errors import InputError
from layermotion.labels import STRUCTURES, Task

# What a unit is written as, and the factor to the unit that is kept.
UNITS = {
    "mm": ("mm", 1.0),
    "cm": ("mm", 10.0),
    "%": ("%", 1.0),
    "percent": ("%", 1.0),
    "ratio": ("ratio", 1.0),
}
TEXT_COLUMNS = (
    "clip",
    "subject",
    "session",
    "side",
    "placement",
    "measure",
    "structure",
    "task",
    "repeat",
    "rater",
    "reading",
    "unit",
)
NUMBER_COLUMNS = ("value", "depth_mm", "quality")
# Columns of measures.csv that take no part here.
IGNORED_COLUMNS = ("low", "high", "status", "reason", "frames", "method")
SAME_COLUMNS = {"name": "measure"}
# A wide column: RATER_mm, STRUCTURE_mm or RATER:STRUCTURE_mm, each with #2 for a second reading.
WIDE = re.compile(
    r"(?:(?P<rater>[^:#]+):)?(?P<name>[^:#]+?)(?:#(?P<reading>\d+))?_(?P<unit>mm|cm|percent|ratio)"
)
# Measures that cannot be below zero.
NEVER_NEGATIVE = ("thickness_rest", "thickness_contracted", "contraction_ratio")
# Rows named in one sentence; the rest are counted (our choice).
MOST_NAMED = 5


@dataclass(frozen=True)
class Reading:
    """One measured value and everything that says what it is.

    Text fields are empty where the table has no such column; ``value`` is in ``unit`` (mm, % or
    ratio) and ``depth_mm`` and ``quality`` are NaN where unknown. ``row`` counts as a
    spreadsheet does: the heading is row 1.
    """

    row: int
    clip: str
    subject: str
    session: str
    side: str
    placement: str
    measure: str
    structure: str
    task: str
    repeat: str
    rater: str
    reading: str
    value: float
    unit: str
    depth_mm: float = math.nan
    quality: float = math.nan


@dataclass(frozen=True)
class Unused:
    """Something that was read and takes no part, with the reason.

    ``table`` is ``manual`` or ``auto``; ``what`` says which row or clip.
    """

    table: str
    what: str
    reason: str


@dataclass(frozen=True)
class Table:
    """A table as read.

    Parameters
    ----------
    columns
        Columns the table has, wide ones resolved; ``repeat`` in it means that it was stated.
    readings
        Every row with a value.
    unused
        Every row without one.
    notes
        What was changed on reading, such as cm turned into mm.
    """

    columns: frozenset[str]
    readings: tuple[Reading, ...]
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]


def read_table(path: Path, role: str) -> Table:
    """Read a CSV or XLSX table of measurements.

    Long tables have one value a row, in the columns ``value`` and ``unit``. Wide tables have
    value columns named ``RATER_mm``, ``STRUCTURE_mm`` or ``RATER:STRUCTURE_mm``; ``#2`` before
    the unit marks a second reading.

    Parameters
    ----------
    role
        ``manual`` or ``auto``; how messages in the report name the table.

    Raises
    ------
    InputError
        If the file cannot be read, a column is unknown or missing, or a cell is unusable; the
        message names the rows.
    """
    cells = _cells(path)
    if not cells:
        raise InputError(f"{path.name} is empty; give a table with a heading and rows.")
    heading = [_column_name(cell) for cell in cells[0]]
    doubled = sorted({name for name in heading if name and heading.count(name) > 1})
    if doubled:
        raise InputError(f"{path.name} has two columns {doubled[0]}; give each its own name.")
    wide = {
        place: match
        for place, cell in enumerate(cells[0])
        if heading[place] not in (*TEXT_COLUMNS, *NUMBER_COLUMNS)
        and (match := WIDE.fullmatch(cell.strip()))
    }
    known = (*TEXT_COLUMNS, *NUMBER_COLUMNS, *IGNORED_COLUMNS)
    unknown = [
        cell
        for place, cell in enumerate(cells[0])
        if heading[place] not in known and place not in wide
    ]
    if any(cell.strip() for cell in unknown):
        named = next(cell for cell in unknown if cell.strip())
        raise InputError(
            f'{path.name} has a column "{named}" whose meaning is unknown; name it as one of '
            f"{', '.join((*TEXT_COLUMNS, *NUMBER_COLUMNS))}, or RATER_mm for a rater's values."
        )
    if wide and "value" in heading:
        raise InputError(
            f"{path.name} has a column value and also {cells[0][min(wide)]}; keep one form."
        )
    if not wide and ("value" not in heading or "unit" not in heading):
        lacking = "value" if "value" not in heading else "unit"
        raise InputError(
            f"{path.name} has no column {lacking}; add it, or name the value columns RATER_mm."
        )
    if len(cells) == 1:
        raise InputError(f"{path.name} has a heading and no rows; add the measurements.")
    return _Reader(path.name, role, heading, wide).read(cells[1:])


class _Reader:
    """Turns rows into readings and keeps account of what was not used."""

    def __init__(
        self, name: str, role: str, heading: Sequence[str], wide: dict[int, re.Match[str]]
    ) -> None:
        self._name, self._role, self._heading, self._wide = name, role, heading, wide
        self._unused: list[Unused] = []
        self._converted = 0

    def read(self, rows: Sequence[Sequence[str]]) -> Table:
        readings: list[Reading] = []
        for number, cells in enumerate(rows, start=2):
            if not any(cell.strip() for cell in cells):
                continue
            padded = [*cells, *[""] * (len(self._heading) - len(cells))]
            if any(cell.strip() for cell in padded[len(self._heading) :]):
                raise self._wrong(number, "has more cells than the heading", "check the separators")
            row = {
                name: cell.strip()
                for name, cell in zip(self._heading, padded, strict=False)
                if name in (*TEXT_COLUMNS, *NUMBER_COLUMNS)
            }
            if self._wide:
                for place, match in self._wide.items():
                    readings += self._wide_reading(number, row, match, padded[place].strip())
            else:
                readings += self._reading(number, row, row["value"], row["unit"])
        columns = {name for name in self._heading if name in (*TEXT_COLUMNS, *NUMBER_COLUMNS)}
        if self._wide:
            columns |= {"value", "unit"}
        for name in ("structure", "rater", "reading"):
            if any(getattr(reading, name) for reading in readings):
                columns.add(name)
        notes = []
        if self._converted:
            notes.append(
                f"{self._converted} values of the {self._role} table were given in cm and turned "
                f"into mm."
            )
        return Table(frozenset(columns), tuple(readings), tuple(self._unused), tuple(notes))

    def _wide_reading(
        self, number: int, row: dict[str, str], match: re.Match[str], value: str
    ) -> Iterator[Reading]:
        name, rater = match["name"].strip(), (match["rater"] or "").strip()
        structure = name.lower() if name.lower() in STRUCTURES else ""
        if rater and not structure:
            raise InputError(
                f'{self._name} has a column "{match[0]}", and {name} is no structure; '
                f"use one of {', '.join(STRUCTURES)}."
            )
        own = dict(row)
        own["structure"] = structure or own.get("structure", "")
        own["rater"] = (rater if structure else name) or own.get("rater", "")
        own["reading"] = match["reading"] or own.get("reading", "")
        return self._reading(number, own, value, match["unit"])

    def _reading(
        self, number: int, row: dict[str, str], text: str, unit_text: str
    ) -> Iterator[Reading]:
        if not text:
            self._unused.append(Unused(self._role, f"row {number}", "The row has no value."))
            return
        value = self._number(number, text)
        if unit_text.lower() not in UNITS:
            given = f'has the unit "{unit_text}"' if unit_text else "has no unit"
            raise self._wrong(number, given, "use mm, cm, % or ratio")
        unit, factor = UNITS[unit_text.lower()]
        self._converted += factor != 1
        structure = row.get("structure", "").lower()
        if structure not in STRUCTURES:
            given = f'has the structure "{structure}"' if structure else "has no structure"
            raise self._wrong(number, given, f"use one of {', '.join(STRUCTURES)}")
        task = row.get("task", "").lower().replace(" ", "_")
        if task and task not in (*Task, "unstated"):
            raise self._wrong(number, f'has the task "{task}"', f"use one of {', '.join(Task)}")
        measure = row.get("measure", "")
        if value < 0 and (measure in NEVER_NEGATIVE or (not measure and unit == "mm")):
            raise self._wrong(
                number,
                f"has the negative value {text}",
                "a thickness is above zero; a displacement or change needs its name in the "
                "column measure",
            )
        yield Reading(
            row=number,
            clip=row.get("clip", "").removeprefix("clip-"),
            subject=row.get("subject", ""),
            session=row.get("session", ""),
            side=row.get("side", "").lower(),
            placement=row.get("placement", ""),
            measure=measure,
            structure=structure,
            task=task,
            repeat=row.get("repeat", ""),
            rater=row.get("rater", ""),
            reading=row.get("reading", ""),
            value=value * factor,
            unit=unit,
            depth_mm=self._number(number, row.get("depth_mm", "")),
            quality=self._number(number, row.get("quality", "")),
        )

    def _number(self, number: int, text: str) -> float:
        if not text:
            return math.nan
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self._wrong(
                number, f'has "{text}" where a number is needed', "correct it or leave it empty"
            )
        return value

    def _wrong(self, number: int, what: str, remedy: str) -> InputError:
        return InputError(f"{self._name} row {number} {what}; {remedy}.")


def rows_text(rows: Sequence[int]) -> str:
    """Name rows in a sentence, the first few of many.

    Examples
    --------
    >>> rows_text([4, 9])
    'rows 4 and 9'
    """
    if len(rows) == 1:
        return f"row {rows[0]}"
    if len(rows) > MOST_NAMED:
        named = ", ".join(map(str, rows[:MOST_NAMED]))
        return f"rows {named} and {len(rows) - MOST_NAMED} more"
    return f"rows {', '.join(map(str, rows[:-1]))} and {rows[-1]}"


def _column_name(cell: str) -> str:
    name = cell.strip().lower().replace(" ", "_")
    return SAME_COLUMNS.get(name, name)


def _cells(path: Path) -> list[list[str]]:
    try:
        if path.suffix.lower() == ".xlsx":
            return _xlsx_cells(path)
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8 text; save it as CSV UTF-8 or XLSX.") from error
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read ({error.strerror}); check the file."
        ) from error
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    if separator == ",":
        return rows
    # With another separator, a comma between digits is a decimal comma.
    return [[re.sub(r"^([+-]?\d+),(\d+)$", r"\1.\2", cell.strip()) for cell in row] for row in rows]


def _xlsx_cells(path: Path) -> list[list[str]]:
    from zipfile import BadZipFile

    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except (BadZipFile, KeyError, ValueError) as error:
        raise InputError(
            f"{path.name} is not a readable XLSX file; save it again or as CSV."
        ) from error
    sheet = book.worksheets[0]
    return [[_xlsx_text(value) for value in row] for row in sheet.iter_rows(values_only=True)]


def _xlsx_text(value: object) -> str:
    if value is None:
        return ""
    # A spreadsheet keeps 1 as 1.0; as a name of a repeat or a subject it is 1.
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
