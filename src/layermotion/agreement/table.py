"""Owns reading tables of measurements: long or wide, CSV or XLSX, every row accounted for."""

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from layermotion.agreement.cells import LONGEST, Cells, read_cells
from layermotion.agreement.readings import (
    CORRECTED,
    NEVER_NEGATIVE,
    UNITS,
    WITHHELD,
    Reading,
    Table,
    Unused,
    rows_have,
)
from layermotion.errors import InputError
from layermotion.labels import STRUCTURES, Task

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
# Columns of people's tables that take no part, and those of measures.csv.
NOTE_COLUMNS = ("notes", "note", "comment", "comments", "date")
IGNORED_COLUMNS = (*NOTE_COLUMNS, "low", "high", "status", "reason", "frames", "method", "caution")
SIDES = {
    "": "",
    "l": "left",
    "left": "left",
    "r": "right",
    "right": "right",
    "midline": "midline",
}
SAME_COLUMNS = {"name": "measure"}
# A wide column: RATER_mm, STRUCTURE_mm or RATER:STRUCTURE_mm, each with #2 for a second reading.
WIDE = re.compile(
    r"(?:(?P<rater>[^:#]+):)?(?P<name>[^:#]+?)(?:#(?P<reading>\d+))?_(?P<unit>mm|cm|percent|ratio)"
)
# Deeper than any layer or bladder base lies or moves: a code such as 999 (our choice).
LARGEST_MM = 300.0
# As numbers are written in tables: no 5_1, no nan, no digits of other scripts.
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
# Different problems told one by one; rows of further ones are named together (our choice).
MOST_PROBLEMS = 8
DECIMAL_COMMA = re.compile(r"^([+-]?\d+),(\d+)$")


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
    cells = read_cells(path)
    titles = cells.rows[0][1]
    heading = column_names(titles, path.name)
    wide = {
        place: match
        for place, (title, name) in enumerate(zip(titles, heading, strict=True))
        if name not in (*TEXT_COLUMNS, *NUMBER_COLUMNS) and (match := WIDE.fullmatch(title))
    }
    known = (*TEXT_COLUMNS, *NUMBER_COLUMNS, *IGNORED_COLUMNS, "")
    for place, (title, name) in enumerate(zip(titles, heading, strict=True)):
        if name not in known and place not in wide:
            raise InputError(
                f'{path.name} has a column "{title}" whose meaning is unknown; remove it, or name '
                f"it as one of {', '.join((*TEXT_COLUMNS, *NUMBER_COLUMNS, 'notes'))}, or RATER_mm "
                f"for a rater's values."
            )
    _check_form(path.name, titles, heading, wide)
    if len(cells.rows) == 1:
        raise InputError(f"{path.name} has a heading and no rows; add the measurements.")
    return _Reader(path.name, role, heading, wide, cells).read()


def column_names(titles: Sequence[str], table: str) -> list[str]:
    """Give the names that the titles of a heading stand for, and refuse doubled ones."""
    heading = [_column_name(title) for title in titles]
    doubled = sorted({name for name in heading if name and heading.count(name) > 1})
    if doubled:
        raise InputError(f"{table} has two columns {doubled[0]}; give each its own name.")
    return heading


def _check_form(
    table: str, titles: Sequence[str], heading: Sequence[str], wide: dict[int, re.Match[str]]
) -> None:
    """Refuse a heading that is neither long nor wide, or says one thing in two places."""
    if not wide:
        for name in ("value", "unit"):
            if name not in heading:
                raise InputError(
                    f"{table} has no column {name}; add it, or name the value columns RATER_mm."
                )
    for place, match in wide.items():
        column = _WideColumn.of(match)
        stated = (("structure", column.structure), ("rater", column.rater))
        doubled = ["value"] if "value" in heading else []
        doubled += [name for name, part in stated if part and name in heading]
        doubled += ["reading"] if match["reading"] and "reading" in heading else []
        if doubled:
            raise InputError(
                f"{table} has a column {doubled[0]} and also {titles[place]}, which states the "
                f"{doubled[0]} too; keep one of them."
            )


@dataclass(frozen=True)
class _WideColumn:
    """What the title of a wide column states; empty where it does not."""

    rater: str
    structure: str

    @staticmethod
    def of(match: re.Match[str]) -> "_WideColumn":
        rater, name = (match["rater"] or "").strip(), match["name"].strip()
        if name.lower() in STRUCTURES:
            return _WideColumn(rater, name.lower())
        # value_mm is the value of a table without raters, not a rater of that name.
        return _WideColumn(rater or ("" if name.lower() == "value" else name), "")


class _BadRowError(Exception):
    """One row that cannot be used: its number, what it has, and the remedy."""

    def __init__(self, row: int, what: str, remedy: str) -> None:
        super().__init__(what)
        self.row, self.what, self.remedy = row, what, remedy


class _Reader:
    """Turns rows into readings and keeps account of what was not used."""

    def __init__(
        self,
        name: str,
        role: str,
        heading: Sequence[str],
        wide: dict[int, re.Match[str]],
        cells: Cells,
    ) -> None:
        self._name, self._role, self._heading, self._wide = name, role, heading, wide
        self._cells = cells
        self._unused: list[Unused] = []
        self._bad: list[_BadRowError] = []
        self._converted = 0

    def read(self) -> Table:
        readings: list[Reading] = []
        for number, cells in self._cells.rows[1:]:
            padded = [*cells, *[""] * (len(self._heading) - len(cells))]
            row = dict(zip(self._heading, padded, strict=True))
            long = [n for n, c in row.items() if len(c) > LONGEST and n not in IGNORED_COLUMNS]
            if long:
                what = f"more than {LONGEST} letters in column {long[0]}"
                self._bad.append(_BadRowError(number, what, "shorten it"))
            elif self._role == "auto" and row.get("status", "") == "corrected":
                self._unused.append(Unused(self._role, f"row {number}", CORRECTED))
            elif self._wide:
                for place, match in self._wide.items():
                    readings += self._wide_reading(number, row, match, padded[place])
            else:
                readings += self._reading(number, row, row["value"], row["unit"])
        self._refuse_bad()
        columns = {name for name in self._heading if name in (*TEXT_COLUMNS, *NUMBER_COLUMNS)}
        if self._wide:
            columns |= {"value", "unit"}
        for name in ("structure", "rater", "reading"):
            if any(getattr(reading, name) for reading in readings):
                columns.add(name)
        self._refuse_two_spellings(readings)
        notes = list(self._cells.notes)
        if self._converted:
            notes.append(
                f"{self._converted} values of the {self._role} table were given in cm and turned "
                f"into mm."
            )
        aside = [name for name in self._heading if name in NOTE_COLUMNS]
        if aside:
            notes.append(f"Not used of the {self._role} table: {', '.join(aside)}.")
        return Table(frozenset(columns), tuple(readings), tuple(self._unused), tuple(notes))

    def _refuse_bad(self) -> None:
        """Refuse the table with every bad row, rows of one problem together."""
        problems: dict[tuple[str, str], list[int]] = {}
        for bad in self._bad:
            problems.setdefault((bad.what, bad.remedy), []).append(bad.row)
        if not problems:
            return
        told = list(problems.items())[:MOST_PROBLEMS]
        sentences = [f"{rows_have(rows)} {what}; {remedy}" for (what, remedy), rows in told]
        others = sorted(row for rows in list(problems.values())[MOST_PROBLEMS:] for row in rows)
        if others:
            sentences.append(f"{rows_have(others)} other unusable cells; correct them likewise")
        raise InputError(f"{self._name} {'. Also '.join(sentences)}.")

    def _refuse_two_spellings(self, readings: Sequence[Reading]) -> None:
        """Refuse one person under two spellings, who would count as two."""
        for name in ("subject", "rater"):
            seen: dict[str, tuple[str, int]] = {}
            for reading in readings:
                own = str(getattr(reading, name))
                other, row = seen.setdefault(own.casefold(), (own, reading.row))
                if other != own:
                    raise InputError(
                        f'{self._name} rows {row} and {reading.row} write the {name} "{other}" and '
                        f'"{own}"; write it in one way.'
                    )

    def _wide_reading(
        self, number: int, row: dict[str, str], match: re.Match[str], value: str
    ) -> Iterator[Reading]:
        column = _WideColumn.of(match)
        if match["rater"] and not column.structure:
            raise InputError(
                f'{self._name} has a column "{match[0]}", and {match["name"]} is no structure; '
                f"use one of {', '.join(STRUCTURES)}."
            )
        own = dict(row)
        own["structure"] = column.structure or own.get("structure", "")
        own["rater"] = column.rater or own.get("rater", "")
        own["reading"] = match["reading"] or own.get("reading", "")
        return self._reading(number, own, value, match["unit"], match[0])

    def _reading(
        self, number: int, row: dict[str, str], text: str, unit_text: str, column: str = ""
    ) -> Iterator[Reading]:
        if not text:
            what = f"row {number}, {column}" if column else f"row {number}"
            reason = row.get("reason", "") if self._role == "auto" else ""
            why = WITHHELD + reason if reason else "The row has no value."
            name = row.get("measure", "").lower().replace(" ", "_")
            own = (name, row.get("structure", "").lower())
            self._unused.append(Unused(self._role, what, why, *own))
            return
        try:
            yield self._checked(number, row, text, unit_text)
        except _BadRowError as bad:
            self._bad.append(bad)

    def _checked(self, number: int, row: dict[str, str], text: str, unit_text: str) -> Reading:
        """Make one reading; raise if a cell is unusable."""
        value = self._number(number, text)
        if unit_text.lower() not in UNITS:
            given = f'the unit "{unit_text}"' if unit_text else "no unit"
            raise self._wrong(number, given, "use mm, cm, % or ratio")
        unit, factor = UNITS[unit_text.lower()]
        self._converted += factor != 1
        structure = row.get("structure", "").lower()
        if structure not in STRUCTURES:
            given = f'the structure "{structure}"' if structure else "no structure"
            raise self._wrong(number, given, f"use one of {', '.join(STRUCTURES)}")
        task = row.get("task", "").lower().replace(" ", "_")
        if task and task not in (*Task, "unstated"):
            raise self._wrong(number, f'the task "{task}"', f"use one of {', '.join(Task)}")
        side = row.get("side", "").lower()
        if side not in SIDES:
            raise self._wrong(number, f'the side "{side}"', "use left, right or midline")
        measure = row.get("measure", "").lower().replace(" ", "_")
        self._check_size(number, measure, value * factor, unit, text)
        return Reading(
            row=number,
            clip=row.get("clip", "").removeprefix("clip-"),
            subject=row.get("subject", ""),
            session=row.get("session", ""),
            side=SIDES[side],
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

    def _check_size(self, number: int, measure: str, value: float, unit: str, text: str) -> None:
        """Refuse what no layer can measure, such as codes for missing values."""
        is_thickness = measure in NEVER_NEGATIVE or (not measure and unit == "mm")
        if is_thickness and value <= 0:
            what = "the negative value" if value < 0 else "the value"
            raise self._wrong(
                number,
                f"{what} {text}",
                "a thickness is above zero, a missing one stays empty, and a displacement or "
                "change needs its name in the column measure",
            )
        if unit == "mm" and abs(value) > LARGEST_MM:
            raise self._wrong(
                number,
                f"the value {text}, more than {LARGEST_MM:g} mm",
                "correct it, or leave it empty if it is missing",
            )

    def _number(self, number: int, text: str) -> float:
        if not text:
            return math.nan
        plain = DECIMAL_COMMA.sub(r"\1.\2", text) if self._cells.has_decimal_comma else text
        value = float(plain) if NUMBER.fullmatch(plain) else math.nan
        if not math.isfinite(value):
            remedy = "write decimals with a point" if "," in text else "leave it empty"
            raise self._wrong(
                number, f'"{text}" where a number is needed', f"correct it or {remedy}"
            )
        return value

    def _wrong(self, number: int, what: str, remedy: str) -> _BadRowError:
        return _BadRowError(number, what, remedy)


def _column_name(cell: str) -> str:
    name = cell.lower().replace(" ", "_")
    return SAME_COLUMNS.get(name, name)
