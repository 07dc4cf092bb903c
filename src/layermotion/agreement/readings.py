"""Owns what a measured value is: its keys and unit, and the account of values left aside."""

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

# What a unit is written as, and the factor to the unit that is kept.
UNITS = {
    "mm": ("mm", 1.0),
    "cm": ("mm", 10.0),
    "%": ("%", 1.0),
    "percent": ("%", 1.0),
    "ratio": ("ratio", 1.0),
    "ms": ("s", 0.001),
    "s": ("s", 1.0),
}
# Measures that cannot be below zero.
NEVER_NEGATIVE = ("thickness_rest", "thickness_contracted", "contraction_ratio")
WITHHELD = "The tool withheld the value: "
LEFT_OUT = "Its measure was left out; see the notes."
CORRECTED = "A clinician corrected the value, so it is no longer automatic."
# Clips that the name of a file stands for; more than one where several files have it.
FileNames = Mapping[str, frozenset[str]]
# Rows, or rows in one run, named in one sentence; the rest are counted (our choice).
MOST_NAMED = 40


# What says what a value is; empty where a table has no such column.
TEXT_COLUMNS = (
    "clip", "subject", "session", "side", "placement", "measure", "structure", "task", "repeat",
    "rater", "reading", "unit",
)  # fmt: skip
# The value in its unit (mm, %, ratio or s), and what may explain an error, NaN where unknown.
NUMBER_COLUMNS = ("value", "depth_mm", "quality")


def readings_of(rows: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """Give values as a frame: ``row`` (0 without one), text columns, number columns."""
    kinds = {"row": int} | dict.fromkeys(TEXT_COLUMNS, str) | dict.fromkeys(NUMBER_COLUMNS, float)
    unknown = {"row": 0} | dict.fromkeys(TEXT_COLUMNS, "") | dict.fromkeys(NUMBER_COLUMNS, math.nan)
    return pd.DataFrame([unknown | dict(row) for row in rows], columns=list(kinds)).astype(kinds)


def keys_of(readings: pd.DataFrame, names: Sequence[str]) -> pd.MultiIndex:
    """Give what each value is looked up by."""
    return pd.MultiIndex.from_frame(readings[list(names)])


def doubled(keys: pd.MultiIndex) -> NDArray[np.intp]:
    """Give the places of the first key that is there again; none where all differ."""
    codes = keys.factorize()[0]
    again = codes[keys.duplicated()]
    return np.flatnonzero(codes == again[0]) if again.size else again


@dataclass(frozen=True)
class Unused:
    """Something that was read and takes no part, with the reason.

    ``table`` is ``manual`` or ``auto``; ``what`` says which row or clip; ``measure``,
    ``structure`` and ``unit`` are empty where unknown.
    """

    table: str
    what: str
    reason: str
    measure: str = ""
    structure: str = ""
    unit: str = ""


def target_words(reading: Mapping[Hashable, Any]) -> str:
    """Name an automatic value."""
    return auto_words(reading["clip"], reading["structure"], reading["measure"], reading["repeat"])


def auto_words(clip: str, structure: str, measure: str, repeat: str) -> str:
    """Name an automatic value by its clip, and by its repeat where it has one."""
    words = f"clip {clip}, {structure} {measure}"
    return f"{words}, repeat {repeat}" if repeat else words


def unused_auto(readings: pd.DataFrame, reason: str) -> list[Unused]:
    """Account for automatic values that take no part, by their clips."""
    return [
        Unused(
            "auto",
            target_words(reading),
            reason,
            reading["measure"],
            reading["structure"],
            reading["unit"],
        )
        for reading in readings.to_dict("records")
    ]


def unused_rows(readings: pd.DataFrame, reason: str) -> list[Unused]:
    """Account for values of a person's table that take no part, by their rows."""
    return [Unused("manual", f"row {row}", reason) for row in readings["row"]]


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read.

    Parameters
    ----------
    columns
        Columns the table has, wide ones resolved; ``repeat`` in it means that it was stated.
    readings
        Every value, as ``readings_of`` gives them. ``row`` counts as a spreadsheet does: the
        heading is row 1.
    unused
        Every row without one.
    notes
        What was changed on reading, such as cm turned into mm.
    provenance
        What the values were made with, as name and text.
    files
        Names of the files that automatic values are of.
    """

    columns: frozenset[str]
    readings: pd.DataFrame
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]
    provenance: tuple[tuple[str, str], ...] = ()
    files: FileNames = field(default_factory=dict)


def rows_text(rows: Sequence[int]) -> str:
    """Name rows in a sentence, runs of three and more by their ends.

    Examples
    --------
    >>> rows_text([4, 9]), rows_text([2, 3, 4, 5, 8])
    ('rows 4 and 9', 'rows 2 to 5 and 8')
    """
    rows = sorted(set(rows))
    if len(rows) == 1:
        return f"row {rows[0]}"
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    pieces = []
    for run in runs:
        pieces += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else list(map(str, run))
    if len(pieces) > MOST_NAMED:
        named = ", ".join(pieces[:MOST_NAMED])
        return f"rows {named} and {len(pieces) - MOST_NAMED} more"
    return f"rows {' and '.join(filter(None, [', '.join(pieces[:-1]), pieces[-1]]))}"


def rows_have(rows: Sequence[int]) -> str:
    """Name rows as the subject of a sentence.

    Examples
    --------
    >>> rows_have([4]), rows_have([4, 9])
    ('row 4 has', 'rows 4 and 9 have')
    """
    return f"{rows_text(rows)} {'has' if len(set(rows)) == 1 else 'have'}"
