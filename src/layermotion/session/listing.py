"""Owns the table of what lies in a folder, to be filled in and then read as a plan."""

import csv
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from layermotion.clip.kinds import is_recording
from layermotion.clip.stills import natural_key
from layermotion.files import atomic_path
from layermotion.labels import View
from layermotion.session.plan import INFORMATIVE, NEEDED, OPTIONAL, Side, read_name

COLUMNS = (*NEEDED, *OPTIONAL, *INFORMATIVE)


@dataclass(frozen=True)
class Seen:
    """What could be read of one recording.

    Parameters
    ----------
    frames, seconds
        How many frames, and the time from the first to the last; None where not known.
    view, probability
        What the network takes it for, and how sure it is; None where it knows neither.
    note
        Why something is not known.
    """

    frames: int | None = None
    seconds: float | None = None
    view: str | None = None
    probability: float | None = None
    note: str = ""


def find_recordings(folder: Path) -> tuple[list[Path], list[str]]:
    """Find recordings in a folder and in those below it, and the names of what is none.

    A folder below that holds images is one recording. What is hidden is passed over.
    """
    found: list[Path] = []
    left_out: list[str] = []
    for path in sorted(folder.iterdir(), key=lambda path: natural_key(path.name)):
        if path.name.startswith("."):
            continue
        if is_recording(path):
            found.append(path)
        elif path.is_dir() and not path.is_symlink():
            below, others = find_recordings(path)
            found += below
            left_out += others
        else:
            left_out.append(path.name)
    return found, left_out


def write_listing(target: Path, listed: Sequence[tuple[Path, Seen]]) -> None:
    """Write the table; side, task and repeat are filled in where a name gives them.

    A bladder is seen from the middle, whatever the name of its file.

    Parameters
    ----------
    target
        CSV file; paths in it are relative to its folder, which lies above them.
    """
    with (
        atomic_path(target) as temporary,
        temporary.open("w", encoding="utf-8", newline="", errors="backslashreplace") as stream,
    ):
        writer = csv.DictWriter(stream, COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        for path, seen in listed:
            side = {"side": Side.MIDLINE} if seen.view == View.BLADDER else {}
            writer.writerow({**side, **_named(path, target.parent), **_read(seen)})


def _named(path: Path, folder: Path) -> dict[str, str]:
    """Say where a file is, and what its name says of it."""
    row = {"file": _relative(path, folder)}
    named = read_name(path)
    if named is not None:
        row |= {"task": named.task, "side": named.side, "repeat": named.repeat}
        row["shows"] = named.shows or ""
    return row


def _relative(path: Path, folder: Path) -> str:
    """Path as seen from a folder above it."""
    return Path(os.path.abspath(path)).relative_to(os.path.abspath(folder)).as_posix()


def _read(seen: Seen) -> dict[str, str]:
    return {
        "frames": "" if seen.frames is None else str(seen.frames),
        "seconds": "" if seen.seconds is None else f"{seen.seconds:.1f}",
        "view_recognised": seen.view or "",
        "probability": "" if seen.probability is None else f"{seen.probability:.2f}",
        "note": seen.note,
    }
