"""Owns index.csv: which file each result is of, for the eyes of this clinic alone."""

import csv
import io
from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from layermotion.errors import InputError
from layermotion.files import atomic_path, locked

INDEX = "index.csv"


@dataclass(frozen=True)
class Entry:
    """One source of one result.

    Parameters
    ----------
    clip
        Short hash of the clip, as the results have it.
    folder
        Folder of its results, beside the index.
    file
        Name of the source, without its path.
    """

    clip: str
    folder: str
    file: str


COLUMNS = tuple(field.name for field in fields(Entry))


def read_index(out: Path) -> tuple[Entry, ...]:
    """Read the index of a folder of results; empty where there is none.

    Raises
    ------
    InputError
        If a file of that name is something else.
    """
    path = out / INDEX
    if not path.exists():
        return ()
    try:
        text = path.read_text(encoding="utf-8-sig")
        # Spreadsheets of some languages save with semicolons.
        delimiter = max(",;\t", key=text.partition("\n")[0].count)
        heading, *rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        if tuple(heading) != COLUMNS:
            raise ValueError(heading)
        return tuple(Entry(*row) for row in rows if row)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"{path} is no index of results; move it away, or leave the index out with --no-index."
        ) from error


def add_to_index(out: Path, entries: Sequence[Entry]) -> None:
    """Add sources to the index of a folder; what a folder held before of another clip goes.

    Raises
    ------
    InputError
        If the index cannot be read or written.
    """
    with locked(out):
        _merge(out, entries)


def _merge(out: Path, entries: Sequence[Entry]) -> None:
    now = {entry.folder: entry.clip for entry in entries}
    kept = [entry for entry in read_index(out) if now.get(entry.folder, entry.clip) == entry.clip]
    merged = list(dict.fromkeys((*kept, *entries)))
    with (
        atomic_path(out / INDEX) as temporary,
        temporary.open("w", encoding="utf-8", newline="", errors="backslashreplace") as stream,
    ):
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(astuple(entry) for entry in merged)
