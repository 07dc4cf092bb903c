"""Owns cutting the text of a CSV table into rows; what the columns mean is decided elsewhere."""

import csv
import io
from collections.abc import Iterator, Sequence

from layermotion.errors import InputError


def separator_of(text: str) -> str:
    r"""Tell the separator of a table by its heading, the first line that holds anything.

    Examples
    --------
    >>> separator_of("subject;value_mm\nS1;3,4\n")
    ';'
    """
    heading = next((line for line in text.splitlines() if line.strip()), "")
    return max(",;\t", key=heading.count)


def csv_rows(text: str, separator: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Cut a text into rows with their numbers from 1, without spaces around the cells.

    Rows that hold nothing are passed over.

    Parameters
    ----------
    name
        Of the file, for messages.

    Raises
    ------
    InputError
        If quotation marks do not match, or a cell has a further line with separators, which may be
        a row that an open quotation mark has taken in.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = 0
    while True:
        number += 1
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(
                f"{name} row {number} is no row of a CSV table ({error}); close or remove its "
                f"quotation marks."
            ) from error
        if any(separator in line for cell in cells for line in cell.splitlines()[1:]):
            raise InputError(
                f"{name} row {number} has a cell of several lines that may hold the rows below it; "
                f"close or remove its quotation marks, or put its text on one line."
            )
        if any(cells):
            yield number, cells


def named_rows(text: str, name: str) -> tuple[list[str], list[tuple[int, dict[str, str]]]]:
    """Give the names of the columns in small letters, and each row with its number by them.

    Raises
    ------
    InputError
        If rows cannot be told apart, a column is there twice, or a row is longer than the heading.
    """
    rows = csv_rows(text, separator_of(text), name)
    _, titles = next(rows, (1, []))
    names = [title.lower() for title in titles]
    doubled = next((each for each in names if each and names.count(each) > 1), None)
    if doubled:
        raise InputError(f"{name} has two columns {doubled}; give each its own name.")
    return names, [(number, _by_name(names, cells, name, number)) for number, cells in rows]


def _by_name(names: Sequence[str], cells: list[str], name: str, number: int) -> dict[str, str]:
    if len(cells) > len(names):
        raise InputError(f"{name}, row {number} has more values than the table has columns.")
    return dict(zip(names, cells + [""] * (len(names) - len(cells)), strict=True))
