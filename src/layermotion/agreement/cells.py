"""Owns getting rows of text out of CSV and XLSX files; what the columns mean is decided elsewhere.

Rows keep the number that a spreadsheet shows: the first row of the file is row 1.
"""

import csv
import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zipfile import ZipFile

from layermotion.errors import InputError

# The sheet that is read where a workbook has several with content.
SHEET = "measurements"
# Cells and unpacked bytes of a workbook: 100,000 rows of every column there is take less than half
# of either (our choice).
MOST_CELLS, MOST_BYTES = 5_000_000, 2**27
# Letters of a name; notes may be longer (our choice).
LONGEST = 100

# Row number and cells of what holds anything.
Rows = tuple[tuple[int, tuple[str, ...]], ...]


@dataclass(frozen=True)
class Cells:
    """Rows of a file that hold anything, as text without spaces around.

    Parameters
    ----------
    rows
        Row number and cells; the heading first.
    has_decimal_comma
        Whether a comma inside a number is the decimal sign, as it is where another separator is
        used.
    notes
        What was left aside, in sentences.
    """

    rows: Rows
    has_decimal_comma: bool = False
    notes: tuple[str, ...] = ()


def read_cells(path: Path) -> Cells:
    """Read a CSV (UTF-8; comma, semicolon or tab) or XLSX file.

    Raises
    ------
    InputError
        If it cannot be read, holds nothing, or a cell stands below no heading.
    """
    try:
        cells = _xlsx_cells(path) if path.suffix.lower() == ".xlsx" else _csv_cells(path)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read ({error.strerror}); check the file."
        ) from error
    if not cells.rows:
        raise InputError(f"{path.name} is empty; give a table with a heading and rows.")
    _check_width(path.name, cells)
    width = len(cells.rows[0][1])
    return replace(cells, rows=tuple((number, row[:width]) for number, row in cells.rows))


def _check_width(name: str, cells: Cells) -> None:
    first, heading = cells.rows[0]
    if any(len(title) > LONGEST for title in heading):
        raise InputError(
            f"{name} row {first} has a column name of more than {LONGEST} letters; the first row "
            f"names the columns, so check the separators or shorten it."
        )
    for number, row in cells.rows[1:]:
        if any(row[len(heading) :]):
            raise InputError(
                f"{name} row {number} has more cells than the heading; check the separators."
            )
        if any(cell for cell, title in zip(row, heading, strict=False) if not title):
            raise InputError(
                f"{name} row {number} has a value in a column without a heading; name the column "
                f"or empty it."
            )


def _csv_cells(path: Path) -> Cells:
    try:
        text = path.read_text(encoding="utf-8-sig")
        first, _, rest = text.partition("\n")
        skipped = 0
        if first.strip().lower().startswith("sep="):
            # Some spreadsheets state the separator in a line of its own.
            separator, text, skipped = first.strip()[4:5] or ",", rest, 1
        else:
            titles = next((line for line in text.splitlines() if line.strip()), "")
            separator = max(",;\t", key=titles.count)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        rows = _numbered(list(reader), 1 + skipped)
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8 text; save it as CSV UTF-8 or XLSX.") from error
    except csv.Error as error:
        raise InputError(
            f"{path.name} is not a readable CSV file ({error}); save it as CSV UTF-8 or XLSX."
        ) from error
    return Cells(rows, has_decimal_comma=separator != ",")


def _xlsx_cells(path: Path) -> Cells:
    sheets = _sheets(path)
    filled = [title for title, rows in sheets.items() if rows]
    chosen = next((title for title in filled if title.strip().lower() == SHEET), None)
    if chosen is None and len(filled) > 1:
        raise InputError(
            f"{path.name} has {len(filled)} sheets with content ({', '.join(filled)}); name the "
            f"one to read {SHEET}, or give a file with one sheet."
        )
    chosen = chosen or next(iter(filled), None)
    if chosen is None:
        return Cells(())
    others = [title for title in filled if title != chosen]
    notes = [f"Of {path.name} the sheet {chosen} was read, and not {', '.join(others)}."]
    return Cells(sheets[chosen], notes=tuple(notes if others else ()))


def _sheets(path: Path) -> dict[str, Rows]:
    """Rows of every sheet of a workbook, by its title."""
    import openpyxl

    left = MOST_CELLS
    sheets: dict[str, Rows] = {}
    with path.open("rb") as file:
        try:
            with ZipFile(file) as packed:
                size = sum(part.file_size for part in packed.infolist())
            if size > MOST_BYTES:
                raise InputError(
                    f"{path.name} holds more than {MOST_BYTES / 1e6:.0f} MB; give the table alone, "
                    f"or save it as CSV."
                )
            for sheet in openpyxl.load_workbook(file, read_only=True, data_only=True).worksheets:
                sheet.reset_dimensions()  # what a file states of its size need not be true
                rows = []
                for row in sheet.iter_rows(values_only=True):
                    left -= len(row)
                    if left < 0:
                        raise InputError(
                            f"{path.name} has more than {MOST_CELLS} cells; give the table alone, "
                            f"without empty rows and columns."
                        )
                    rows.append([_xlsx_text(value) for value in row])
                sheets[sheet.title] = _numbered(rows, 1)
        except InputError:
            raise
        except Exception as error:  # the library lets through whatever a damaged file makes fail
            raise InputError(
                f"{path.name} is not a readable XLSX file; save it again or as CSV."
            ) from error
    return sheets


def _numbered(rows: Sequence[Sequence[str]], first: int) -> Rows:
    stripped = ((number, tuple(map(_plain, row))) for number, row in enumerate(rows, first))
    return tuple((number, row) for number, row in stripped if any(row))


def _plain(cell: str) -> str:
    """Take off spaces around, and write composed letters in one way (Unicode NFC)."""
    plain = cell.strip()
    return plain if plain.isascii() else unicodedata.normalize("NFC", plain)


def _xlsx_text(value: object) -> str:
    if value is None:
        return ""
    # A spreadsheet keeps 1 as 1.0; as a name of a repeat or a subject it is 1.
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
