"""Owns getting rows of text out of CSV and XLSX files; what the columns mean is decided elsewhere.

Rows keep the number that a spreadsheet shows: the first row of the file is row 1.
"""

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from itertools import zip_longest
from pathlib import Path
from typing import Any, NamedTuple
from zipfile import ZipFile

import pandas as pd

from layermotion.agreement.readings import rows_have
from layermotion.errors import InputError
from layermotion.rows import csv_rows, separator_of

# The sheet that is read where a workbook has several with content.
SHEET = "measurements"
# Cells and unpacked bytes of a workbook: 100,000 rows of every column there is take less than half
# of either (our choice).
MOST_CELLS, MOST_BYTES = 5_000_000, 2**27
# Where a workbook keeps its sheets, and how a formula begins there (ECMA-376, 18.3.1.40).
SHEET_PARTS, FORMULA = "xl/worksheets/", b"<f"
# Letters of a name; notes may be longer (our choice).
LONGEST = 100

# Cells of each row that holds anything, by its number.
Rows = dict[int, list[str]]


@dataclass(frozen=True, eq=False)
class Cells:
    """Rows of a file that hold anything, as text without spaces around.

    Parameters
    ----------
    titles
        The heading.
    body
        The other rows by their number, one column a title, empty where a row is shorter.
    has_decimal_comma
        Whether a comma inside a number is the decimal sign, as it is where another separator is
        used.
    notes
        What was left aside, in sentences.
    """

    titles: tuple[str, ...]
    body: pd.DataFrame
    has_decimal_comma: bool
    notes: tuple[str, ...]

    def named(self, names: Sequence[str]) -> pd.DataFrame:
        """Columns under the names that their titles stand for, without those of no title."""
        kept = [bool(name) for name in names]
        return self.body.loc[:, kept].set_axis(list(filter(None, names)), axis=1)


def read_cells(path: Path) -> Cells:
    """Read a CSV (UTF-8; comma, semicolon or tab) or XLSX file.

    Raises
    ------
    InputError
        If it cannot be read, holds nothing, or a cell stands below no heading.
    """
    notes: list[str] = []
    has_decimal_comma = False
    try:
        if path.suffix.lower() == ".xlsx":
            rows, notes = _xlsx_rows(path)
        else:
            rows, has_decimal_comma = _csv_rows(path)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read ({error.strerror}); check the file."
        ) from error
    if not rows:
        raise InputError(f"{path.name} is empty; give a table with a heading and rows.")
    titles, *below = rows.values()
    if any(len(title) > LONGEST for title in titles):
        raise InputError(
            f"{path.name} row {next(iter(rows))} has a column name of more than {LONGEST} letters; "
            f"the first row names the columns, so check the separators or shorten it."
        )
    columns = dict(enumerate(zip_longest(*below, fillvalue="")))
    body = pd.DataFrame(columns, index=list(rows)[1:])
    _check_width(path.name, titles, body)
    body = body.reindex(columns=range(len(titles)), fill_value="")
    return Cells(tuple(titles), body, has_decimal_comma, tuple(notes))


def _check_width(name: str, titles: Sequence[str], body: pd.DataFrame) -> None:
    is_beyond = [place >= len(titles) for place in body.columns]
    is_untitled = [place < len(titles) and not titles[place] for place in body.columns]
    for is_wrong, what in (
        (is_beyond, "more cells than the heading; check the separators"),
        (is_untitled, "a value in a column without a heading; name the column or empty it"),
    ):
        rows = body.index[(body.loc[:, is_wrong] != "").any(axis=1)].tolist()
        if rows:
            raise InputError(
                f"{name} {rows_have(rows)} {what}, and take out any title above the heading."
            )


def _csv_rows(path: Path) -> tuple[Rows, bool]:
    try:
        text = unicodedata.normalize("NFC", path.read_text(encoding="utf-8-sig"))
        first, _, rest = text.partition("\n")
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8 text; save it as CSV UTF-8 or XLSX.") from error
    separator = separator_of(text)
    if first.strip().lower().startswith("sep="):
        # Some spreadsheets state the separator in a line of its own.
        separator, text = first.strip()[4:5] or ",", f"\n{rest}"
    return dict(csv_rows(text, separator, path.name)), separator != ","


def _xlsx_rows(path: Path) -> tuple[Rows, list[str]]:
    sheets = _sheets(path)
    filled = [title for title, sheet in sheets.items() if sheet.rows]
    chosen = next((title for title in filled if title.strip().lower() == SHEET), None)
    if chosen is None and len(filled) > 1:
        raise InputError(
            f"{path.name} has {len(filled)} sheets with content ({', '.join(filled)}); name the "
            f"one to read {SHEET}, or give a file with one sheet."
        )
    chosen = chosen or next(iter(filled), None)
    if chosen is None:
        return {}, []
    others = [title for title in filled if title != chosen]
    notes = [f"Of {path.name} the sheet {chosen} was read, and not {', '.join(others)}."]
    if lacking := sheets[chosen].uncomputed:
        place = f"in {len(lacking)} cells, the first of them {lacking[0]}"
        place = f"in cell {lacking[0]}" if len(lacking) == 1 else place
        raise InputError(
            f"{path.name} has a formula without a result {place}; open it in a spreadsheet program "
            f"and save it, or write the value."
        )
    return sheets[chosen].rows, notes if others else []


class _Sheet(NamedTuple):
    """Rows of a sheet, and its cells with a formula whose result was never stored."""

    rows: Rows
    uncomputed: list[str]


def _sheets(path: Path) -> dict[str, _Sheet]:
    """Read every sheet of a workbook, by its title."""
    import openpyxl

    left = MOST_CELLS
    sheets: dict[str, _Sheet] = {}
    with path.open("rb") as file:
        try:
            with ZipFile(file) as packed:
                if sum(part.file_size for part in packed.infolist()) > MOST_BYTES:
                    raise InputError(
                        f"{path.name} holds more than {MOST_BYTES / 1e6:.0f} MB; give the table "
                        f"alone, or save it as CSV."
                    )
                has_formulas = any(
                    FORMULA in packed.read(part)
                    for part in packed.namelist()
                    if part.startswith(SHEET_PARTS)
                )
            formulas = openpyxl.load_workbook(file, read_only=True) if has_formulas else None
            for sheet in openpyxl.load_workbook(file, read_only=True, data_only=True).worksheets:
                sheet.reset_dimensions()  # what a file states of its size need not be true
                rows = []
                for row in sheet.iter_rows():
                    left -= len(row)
                    if left < 0:
                        raise InputError(
                            f"{path.name} has more than {MOST_CELLS} cells; give the table alone, "
                            f"without empty rows and columns."
                        )
                    rows.append([_xlsx_text(cell) for cell in row])
                uncomputed = _uncomputed(sheet, formulas[sheet.title]) if formulas else []
                sheets[sheet.title] = _Sheet(_numbered(rows, 1), uncomputed)
        except InputError:
            raise
        except Exception as error:  # the library lets through whatever a damaged file makes fail
            raise InputError(
                f"{path.name} is not a readable XLSX file; save it again or as CSV."
            ) from error
    return sheets


def _uncomputed(shown: Any, written: Any) -> list[str]:
    """Name cells with a formula and no result; an empty text is one, and has a type of its own."""
    return [
        formula.coordinate
        for row, formulas in zip(shown.iter_rows(), written.iter_rows(), strict=False)
        for cell, formula in zip(row, formulas, strict=False)
        if formula.data_type == "f" and cell.value is None and cell.data_type == "n"
    ]


def _numbered(rows: Iterable[Iterable[str]], first: int) -> Rows:
    """Rows that hold anything by their number, without spaces around the cells."""
    stripped = ((number, [cell.strip() for cell in row]) for number, row in enumerate(rows, first))
    return {number: row for number, row in stripped if any(row)}


def _xlsx_text(cell: Any) -> str:
    """Text of a cell, with the number that it shows."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, int | float) and "%" in cell.number_format:
        # Shown in per cent, kept as a share. Twelve digits leave out what the factor brought in.
        value = float(f"{100 * value:.12g}")
    if isinstance(value, datetime) and value.time() == time():
        value = value.date()  # a spreadsheet keeps a day as its first moment
    # A spreadsheet keeps 1 as 1.0; as a name of a repeat or a subject it is 1.
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return unicodedata.normalize("NFC", str(value))
