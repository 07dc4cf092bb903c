"""Owns what a measured value is: its keys and unit, and the account of values left aside."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

# What tells one value from another, in an order that the user of the key decides.
Key = tuple[str, ...]

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
CORRECTED = "A clinician corrected the value, so it is no longer automatic."
# Rows, or rows in one run, named in one sentence; the rest are counted (our choice).
MOST_NAMED = 40


@dataclass(frozen=True)
class Reading:
    """One measured value and everything that says what it is.

    Text fields are empty where the table has no such column; ``value`` is in ``unit`` (mm, %,
    ratio or s) and ``depth_mm`` and ``quality`` are NaN where unknown. ``row`` counts as a
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

    ``table`` is ``manual`` or ``auto``; ``what`` says which row or clip; ``measure`` and
    ``structure`` are empty where unknown.
    """

    table: str
    what: str
    reason: str
    measure: str = ""
    structure: str = ""


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
    provenance
        What the values were made with, as name and text.
    """

    columns: frozenset[str]
    readings: tuple[Reading, ...]
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]
    provenance: tuple[tuple[str, str], ...] = ()


def rows_text(rows: Sequence[int]) -> str:
    """Name rows in a sentence, runs of three and more by their ends.

    Examples
    --------
    >>> rows_text([4, 9]), rows_text([2, 3, 4, 5, 8])
    ('rows 4 and 9', 'rows 2 to 5 and 8')
    """
    if len(rows) == 1:
        return f"row {rows[0]}"
    runs: list[list[int]] = []
    for row in sorted(set(rows)):
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
    return f"{rows_text(rows)} {'has' if len(rows) == 1 else 'have'}"
