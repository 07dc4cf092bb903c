"""Owns the plan of a visit: which file shows which side, task and repeat; no picture is read."""

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path, PurePath
from typing import TypeVar

from layermotion.clip.kinds import is_recording
from layermotion.clip.pair import Shows
from layermotion.clip.source import parse_mm_per_pixel
from layermotion.clip.stills import natural_key
from layermotion.edges.site import parse_site
from layermotion.errors import InputError
from layermotion.labels import Task, View
from layermotion.rows import named_rows


class Side(StrEnum):
    """Side of the body; the bladder is seen from the middle."""

    LEFT = "left"
    RIGHT = "right"
    MIDLINE = "midline"


NEEDED, OPTIONAL = (
    ("file", "task", "side", "repeat"),
    ("shows", "view", "mm_per_pixel", "depth_mm", "fps", "site"),
)
# Columns of the table that --plan writes: what could be read of a file; they take no part.
INFORMATIVE = ("frames", "seconds", "view_recognised", "probability", "note")
# Table that says what lies in its folder.
TABLE = "plan.csv"
PATTERN = "SIDE_TASK_REPEAT, such as left_draw_in_1.dcm"
FILE_NAME = re.compile(
    rf"({'|'.join(Side)})_({'|'.join(Task)})_([1-9][0-9]*)"
    rf"(?:_({'|'.join(re.escape(shows) for shows in Shows)}))?",
    re.IGNORECASE,
)
HIGHEST_REPEAT = 999
# Letters of a cell; the longest is a path (our choice).
LONGEST_CELL = 400
# Suffixes of notes that lie beside recordings and may bear their names.
NOTE_SUFFIXES = frozenset(
    {".txt", ".md", ".rtf", ".pdf", ".doc", ".docx", ".odt", ".csv", ".xls", ".xlsx", ".ods"}
    | {".json", ".xml", ".html", ".htm", ".log", ".ini", ".db", ".zip"}
)

Word = TypeVar("Word", bound=StrEnum)


@dataclass(frozen=True)
class Settings:
    """What is stated about one source; None where it is left to the whole visit."""

    view: View | None = None
    mm_per_pixel: str | None = None
    depth_mm: float | None = None
    frame_rate_hz: float | None = None
    site: str | None = None


@dataclass(frozen=True)
class Item:
    """One recording of a visit: a clip, a still, or a rest and a contracted still.

    Parameters
    ----------
    repeat
        Number of the recording of this task on this side, from 1.
    sources
        One path, or the one at rest and the one contracted.
    shows
        What a single image shows; None for a clip and for two images.
    """

    side: Side
    task: Task
    repeat: int
    sources: tuple[Path, ...]
    shows: Shows | None
    settings: Settings

    @property
    def name(self) -> str:
        """Name without identity, of its folder as well."""
        return f"{self.side}-{self.task}-{self.repeat}"


@dataclass(frozen=True)
class Plan:
    """What a visit holds.

    Parameters
    ----------
    items
        As they are listed.
    left_out
        Names of what lies beside them and is no recording.
    """

    items: tuple[Item, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Named:
    """What the name of a file says: side, task, repeat, and what a single image shows."""

    side: Side
    task: Task
    repeat: str
    shows: Shows | None


@dataclass(frozen=True)
class _Line:
    """One file of a plan, before rest and contracted stills are put together."""

    where: str
    path: Path
    side: Side
    task: Task
    repeat: int
    shows: Shows | None
    settings: Settings


def read_plan(source: Path, out: Path) -> Plan:
    """Read what a visit holds, from a table or from the names of the files in a folder.

    Parameters
    ----------
    source
        A CSV table, or a folder: a table ``plan.csv`` in it says what it holds, else the names of
        its files.
    out
        Where results go; left out where it lies in the folder.

    Raises
    ------
    InputError
        If the name of a recording or a row does not fit, a file is missing, or two stand for the
        same recording.
    """
    if (source / TABLE).is_file():
        source /= TABLE
    if source.is_dir():
        lines, left_out = _folder_lines(source, out)
    else:
        lines, left_out = list(_table_lines(source)), ()
    if not lines:
        remedy = (
            f"name the files {PATTERN}, or list them in a table {TABLE} in it"
            if source.is_dir()
            else "write a line for each"
        )
        raise InputError(f"{source.name} holds no recordings; {remedy}.")
    return Plan(tuple(_items(lines)), left_out)


def read_name(path: Path) -> Named | None:
    """Read what the name of a file or folder says; None where it does not fit the pattern."""
    match = FILE_NAME.fullmatch(path.name if path.is_dir() else path.stem)
    if match is None:
        return None
    side, task, repeat, shows = match.groups()
    return Named(
        Side(side.lower()), Task(task.lower()), repeat, Shows(shows.lower()) if shows else None
    )


def _folder_lines(folder: Path, out: Path) -> tuple[list[_Line], tuple[str, ...]]:
    """Read the recordings of a folder, and the names of what is none."""
    lines, left_out = [], []
    for path in sorted(folder.iterdir(), key=lambda path: natural_key(path.name)):
        if os.path.realpath(path) == os.path.realpath(out):
            continue
        named = read_name(path)
        is_note = path.suffix.lower() in NOTE_SUFFIXES
        # A file of an unknown kind that bears the name of a recording counts as one: it fails with
        # a reason, where leaving it out might lose what it holds.
        if path.name.startswith(".") or is_note or not (named or is_recording(path)):
            left_out.append(path.name)
            continue
        if named is None:
            raise InputError(
                f"{path.name} does not say what it shows; name each file {PATTERN} (sides "
                f"{_choices(Side)}; tasks {_choices(Task)}), or give a table of the files: "
                f"layermotion session {folder.name} --plan plan.csv writes one to fill in."
            )
        lines.append(
            _Line(
                where=path.name,
                path=path,
                side=named.side,
                task=named.task,
                repeat=_repeat(named.repeat, path.name),
                shows=named.shows,
                settings=Settings(),
            )
        )
    return lines, tuple(left_out)


def _table_lines(table: Path) -> Iterator[_Line]:
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"{table.name} cannot be read as a table; save it as CSV in UTF-8."
        ) from error
    names, rows = named_rows(text, table.name)
    missing = [name for name in NEEDED if name not in names]
    unknown = [name for name in names if name not in NEEDED + OPTIONAL + INFORMATIVE]
    if missing or unknown:
        what = f"lacks {', '.join(missing)}" if missing else f"has the column '{unknown[0]}'"
        raise InputError(
            f"{table.name} {what}; its columns are {', '.join(NEEDED)}, and where needed "
            f"{', '.join(OPTIONAL)}."
        )
    for number, row in rows:
        where = f"{table.name}, row {number}"
        if any(len(value) > LONGEST_CELL for value in row.values()):
            raise InputError(f"{where} has a cell of over {LONGEST_CELL} letters; shorten it.")
        yield _table_line(row, table.parent, where)


def _table_line(row: Mapping[str, str], folder: Path, where: str) -> _Line:
    stated, path = PurePath(row["file"]), folder / row["file"]
    if stated.is_absolute() or ".." in stated.parts:
        raise InputError(
            f"{where} names '{row['file']}', which lies outside the folder of the table; put the "
            f"table beside or above the recordings, and name them from there."
        )
    if not row["file"] or not _exists(path):
        raise InputError(f"{where} names the file '{row['file']}', which does not exist.")
    for name in ("task", "side", "repeat"):
        if not row[name]:
            raise InputError(f"{where} has no {name}; fill it in, or delete the row.")
    mm_per_pixel = row.get("mm_per_pixel") or None
    site = row.get("site") or None
    try:
        if mm_per_pixel:
            parse_mm_per_pixel(mm_per_pixel)
        if site:
            parse_site(site)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error
    return _Line(
        where=where,
        path=path,
        side=_choice(Side, row["side"], "side", where),
        task=_choice(Task, row["task"], "task", where),
        repeat=_repeat(row["repeat"], where),
        shows=_choice(Shows, row["shows"], "shows", where) if row.get("shows") else None,
        settings=Settings(
            view=_choice(View, row["view"], "view", where) if row.get("view") else None,
            mm_per_pixel=mm_per_pixel,
            depth_mm=_number(row.get("depth_mm"), "depth_mm", where),
            frame_rate_hz=_number(row.get("fps"), "fps", where),
            site=site,
        ),
    )


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # no file can have such a name
        return False


def _items(lines: list[_Line]) -> Iterator[Item]:
    """Put a rest and a contracted still of one recording together; refuse what is there twice."""
    groups: dict[tuple[Side, Task, int], list[_Line]] = {}
    for line in lines:
        groups.setdefault((line.side, line.task, line.repeat), []).append(line)
    for (side, task, repeat), group in groups.items():
        states = [line.shows for line in group]
        first = group[0]
        if len(group) == 1:
            alone = first.shows in (Shows.REST, Shows.CONTRACTED)
            if alone and (task, first.shows) != (Task.REST, Shows.REST):
                other = Shows.CONTRACTED if first.shows is Shows.REST else Shows.REST
                raise InputError(
                    f"{first.where} shows {first.shows} without its still that shows {other}; "
                    f"give both."
                )
            yield Item(side, task, repeat, (first.path,), first.shows, first.settings)
        elif sorted(str(state) for state in states) == [Shows.CONTRACTED, Shows.REST]:
            at_rest, full = sorted(group, key=lambda line: line.shows is not Shows.REST)
            if at_rest.settings != full.settings:
                raise InputError(
                    f"{at_rest.where} and {full.where} are one pair of stills with different "
                    f"settings; state the same for both."
                )
            yield Item(side, task, repeat, (at_rest.path, full.path), None, first.settings)
        else:
            raise InputError(
                f"{group[0].where} and {group[1].where} both stand for repeat {repeat} of "
                f"{task}, {side}; count the repeats up."
            )


def _repeat(text: str, where: str) -> int:
    if not re.fullmatch(r"[1-9][0-9]*", text) or int(text) > HIGHEST_REPEAT:
        raise InputError(
            f"{where} has the repeat '{text}'; count the repeats from 1 to {HIGHEST_REPEAT}."
        )
    return int(text)


def _number(text: str | None, name: str, where: str) -> float | None:
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        raise InputError(f"{where} has '{text}' as {name}; give a number.") from error


def _choice(kind: type[Word], text: str, name: str, where: str) -> Word:
    try:
        return kind(re.sub(r"[ -]", "_", text.lower()))
    except ValueError as error:
        raise InputError(f"{where} has '{text}' as {name}; choose {_choices(kind)}.") from error


def _choices(kind: type[StrEnum]) -> str:
    return ", ".join(kind)
