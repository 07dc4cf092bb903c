"""Owns reading tables of measurements: long or wide, CSV or XLSX, every row accounted for."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from layermotion.agreement.cells import LONGEST, Cells, read_cells
from layermotion.agreement.readings import (
    CORRECTED,
    NEVER_NEGATIVE,
    NUMBER_COLUMNS,
    TEXT_COLUMNS,
    UNITS,
    WITHHELD,
    Table,
    Unused,
    rows_have,
)
from layermotion.errors import InputError
from layermotion.labels import STRUCTURES, Task
from layermotion.measures.measure import MEAN

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
# What is written in one way throughout; all but subjects may be missing, but in every row.
NAMED = ("subject", "rater", "session", "placement")
LEADING_ZEROS = re.compile(r"(?<!\d)0+(?=\d)")
# Columns of raters that are none (our choice).
SUMMARIES = frozenset(
    {"mean", "average", "avg", "median", "mittel", "mittelwert", "sd", "std", "sum", "min", "max"}
    | {"diff", "difference", "differenz"}
)
USE_UNITS = "use mm, cm, % or ratio"
USE_STRUCTURES = f"use one of {', '.join(STRUCTURES)}"
IF_NO_NUMBER = "correct it or leave it empty"
NO_SIZE = (
    "a thickness is above zero, a missing one stays empty, and a displacement or change needs its "
    "name in the column measure"
)
# Deeper than any layer or bladder base lies or moves: a code such as 999 (our choice).
LARGEST_MM = 300.0
# As numbers are written in tables: no 5_1, no nan, no digits of other scripts.
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
# As word processors print it: U+2212.
PRINTED_MINUS = "\N{MINUS SIGN}"
# Different problems told one by one; rows of further ones are named together (our choice).
MOST_PROBLEMS = 8
DECIMAL_COMMA = re.compile(r"^([+-]?\d+),(\d+)$")
# Which cells are wrong, what they have, and the remedy.
Problem = tuple[pd.Series, str, str]


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
    titles = cells.titles
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
    if not len(cells.body):
        raise InputError(f"{path.name} has a heading and no rows; add the measurements.")
    texts = _texts(cells, heading, wide)
    is_aside, unused = _unused(texts, role)
    readings, notes = _checked(texts[~is_aside], cells.has_decimal_comma, path.name, role)
    refuse_unlike(readings, path.name)
    _refuse_summaries(readings, path.name)
    columns = set(heading) & {*TEXT_COLUMNS, *NUMBER_COLUMNS} | {"value", "unit"}
    columns |= {name for name in ("structure", "rater", "reading") if readings[name].any()}
    aside = [name for name in heading if name in NOTE_COLUMNS]
    if aside:
        notes.append(f"Not used of the {role} table: {', '.join(aside)}.")
    return Table(frozenset(columns), readings, tuple(unused), (*cells.notes, *notes))


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
        if match["rater"] and not column.structure:
            raise InputError(
                f'{table} has a column "{match[0]}", and {match["name"]} is no structure; use one '
                f"of {', '.join(STRUCTURES)}."
            )
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


def _texts(cells: Cells, heading: Sequence[str], wide: Mapping[int, re.Match[str]]) -> pd.DataFrame:
    """Give one row for each cell that may hold a value, as text in every column.

    ``row`` is its number, and ``column`` the title of a wide column.
    """
    names = ["row", "column", *TEXT_COLUMNS, *NUMBER_COLUMNS, "status", "reason"]
    rows = cells.named(heading).assign(row=cells.body.index, column="")
    rows = rows.reindex(columns=names, fill_value="")
    if not wide:
        return rows.reset_index(drop=True)
    parts = []
    for place, match in wide.items():
        column = _WideColumn.of(match)
        stated = {"structure": column.structure, "rater": column.rater, "reading": match["reading"]}
        stated |= {"column": match[0], "unit": match["unit"]}
        own = {name: text for name, text in stated.items() if text}
        parts.append(rows.assign(value=cells.body[place], **own))
    return pd.concat(parts).sort_values("row", kind="stable", ignore_index=True)


def _unused(texts: pd.DataFrame, role: str) -> tuple[pd.Series, list[Unused]]:
    """Say which cells take no part, and why: what was corrected, and what is empty."""
    is_tool = role == "auto"
    is_corrected = (texts["status"] == "corrected") & is_tool
    is_aside = is_corrected | (texts["value"] == "")
    unused = []
    for own in texts[is_aside].itertuples():
        what = f"row {own.row}, {own.column}" if own.column else f"row {own.row}"
        why = WITHHELD + own.reason if own.reason and is_tool else "The row has no value."
        why = CORRECTED if is_corrected[own.Index] else why
        measure = own.measure.lower().replace(" ", "_")
        unit, _ = UNITS.get(own.unit.lower(), ("", 1.0))
        unused.append(Unused(role, what, why, measure, own.structure.lower(), unit))
    return is_aside, unused


def _checked(
    texts: pd.DataFrame, has_decimal_comma: bool, table: str, role: str
) -> tuple[pd.DataFrame, list[str]]:
    """Turn texts into readings, with notes on converted units; refuse all unusable cells."""
    unit = texts["unit"].str.lower()
    factor = unit.map({name: factor for name, (_, factor) in UNITS.items()}).astype(float)
    numbers = {name: _numbers(texts[name], has_decimal_comma) for name in NUMBER_COLUMNS}
    value = numbers["value"] * factor
    own = texts.assign(
        clip=texts["clip"].str.removeprefix("clip-"),
        measure=texts["measure"].str.lower().str.replace(" ", "_"),
        structure=texts["structure"].str.lower(),
        task=texts["task"].str.lower().str.replace(" ", "_"),
        side=texts["side"].str.lower(),
        repeat=texts["repeat"].where(texts["repeat"].str.casefold() != MEAN, MEAN),
        unit=unit.map({name: kept for name, (kept, _) in UNITS.items()}),
    )
    is_mm = own["unit"] == "mm"
    is_size = own["measure"].isin(NEVER_NEGATIVE) | ((own["measure"] == "") & is_mm)
    # Cells, what they have, and the remedy; of a row the first problem is told.
    problems = (
        *((texts[name].str.len() > LONGEST, f"more than {LONGEST} letters in column {name}",
           "shorten it") for name in (*TEXT_COLUMNS, *NUMBER_COLUMNS)),
        *((texts[name].str.fullmatch(DECIMAL_COMMA) & numbers[name].isna(),
           f"a decimal comma in column {name}", "write decimals with a point")
          for name in NUMBER_COLUMNS),
        (numbers["value"].isna(), '"{value}" where a number is needed', IF_NO_NUMBER),
        (unit == "", "no unit", USE_UNITS),
        (factor.isna(), 'the unit "{unit}"', USE_UNITS),
        (own["structure"] == "", "no structure", USE_STRUCTURES),
        (~own["structure"].isin(STRUCTURES), 'the structure "{structure}"', USE_STRUCTURES),
        (~own["task"].isin(["", *Task, "unstated"]), 'the task "{task}"',
         f"use one of {', '.join(Task)}"),
        (~own["side"].isin(list(SIDES)), 'the side "{side}"', "use left, right or midline"),
        (is_size & (value < 0), "the negative value {value}", NO_SIZE),
        (is_size & (value == 0), "the value {value}", NO_SIZE),
        (is_mm & (value.abs() > LARGEST_MM),
         f"the value {{value}}, more than {LARGEST_MM:g} mm",
         "correct it, or leave it empty if it is missing"),
        *(
            ((texts[name] != "") & numbers[name].isna(), f'"{{{name}}}" where a number is needed',
             IF_NO_NUMBER)
            for name in ("depth_mm", "quality")
        ),
    )  # fmt: skip
    _refuse(texts.assign(structure=own["structure"], task=own["task"], side=own["side"]),
            problems, table)  # fmt: skip
    own = own.assign(**numbers | {"value": value}, side=own["side"].map(SIDES))
    notes = [
        f"{count} values of the {role} table were given in {given} and turned into {kept}."
        for given, (kept, scale) in UNITS.items()
        if scale != 1 and (count := int((unit == given).sum()))
    ]
    return own[["row", *TEXT_COLUMNS, *NUMBER_COLUMNS]].reset_index(drop=True), notes


def _numbers(texts: pd.Series, has_decimal_comma: bool) -> pd.Series:
    """Give the numbers that texts hold; NaN where a text is none."""
    texts = texts.str.replace(PRINTED_MINUS, "-")
    if has_decimal_comma:
        texts = texts.str.replace(DECIMAL_COMMA, r"\1.\2", regex=True)
    found = texts.where(texts.str.fullmatch(NUMBER), "nan").map(float).astype(float)
    return found.where(np.isfinite(found))


def _refuse(texts: pd.DataFrame, problems: Sequence[Problem], table: str) -> None:
    """Refuse the table with every bad row, rows of one problem together."""
    found: dict[int, tuple[str, str]] = {}
    for is_wrong, what, remedy in problems:
        for place, row in texts[is_wrong].iterrows():
            found.setdefault(place, (what.format(**row), remedy))
    if not found:
        return
    rows: dict[tuple[str, str], list[int]] = {}
    for place in sorted(found):
        rows.setdefault(found[place], []).append(int(texts["row"][place]))
    told = list(rows.items())
    sentences = [
        f"{rows_have(own)} {what}; {remedy}" for (what, remedy), own in told[:MOST_PROBLEMS]
    ]
    others = [row for _, own in told[MOST_PROBLEMS:] for row in own]
    if others:
        sentences.append(f"{rows_have(others)} other unusable cells; correct them likewise")
    raise InputError(f"{table} {'. Also '.join(sentences)}.")


def refuse_unlike(readings: pd.DataFrame, table: str) -> None:
    """Refuse one name in two spellings, which would count as two, and names that some rows lack.

    Parameters
    ----------
    readings
        With a column ``row``, and those of ``NAMED`` that the table has.
    """
    for name in NAMED:
        spelt = readings.drop_duplicates(name)
        folded = spelt[name].str.casefold().str.replace(LEADING_ZEROS, "", regex=True)
        for place in spelt.index[folded.duplicated()]:
            first = spelt[folded == folded[place]].iloc[0]
            raise InputError(
                f"{table} rows {first['row']} and {spelt['row'][place]} write the {name} "
                f'"{first[name]}" and "{spelt[name][place]}"; write it in one way.'
            )
    for name in (*NAMED[1:], "side"):
        # A bladder has no side, and what was measured in one session need not say which.
        is_blank = readings[name] == ""
        measures = [readings[key] for key in ("measure", "structure") if key in readings]
        share = is_blank.groupby(measures).transform("mean") if measures else is_blank.mean()
        rows = readings["row"][is_blank & (share < 1)].tolist()
        if rows:
            raise InputError(
                f"{table} {rows_have(rows)} no {name}, while other rows have one; fill it in, also "
                f"where cells were merged."
            )


def _refuse_summaries(readings: pd.DataFrame, table: str) -> None:
    """Refuse what was computed from the raters' values, in the place of a rater."""
    raters = readings["rater"].unique()
    found = next((rater for rater in raters if rater.casefold() in SUMMARIES), None)
    if found is not None and len(raters) > 1:
        raise InputError(
            f'{table} has "{found}" among its raters, which is no person but computed from others; '
            f"remove these values."
        )


def _column_name(cell: str) -> str:
    name = cell.lower().replace(" ", "_")
    return SAME_COLUMNS.get(name, name)
