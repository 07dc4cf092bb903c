"""Owns which clips a review holds: from a visit's table, from folders, or single files."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from layermotion.clip.kinds import RESULTS
from layermotion.clip.source import SourceOptions, parse_mm_per_pixel
from layermotion.errors import InputError
from layermotion.labels import Task
from layermotion.session.listing import find_recordings
from layermotion.session.plan import Side, read_name, read_plan

# Table that says what lies in a folder, as layermotion session writes and reads it.
TABLE = "plan.csv"
# Repeat of a clip of which none is stated, until it is counted.
NO_REPEAT = 0
STILLS = "Single images are not reviewed here; measure them with layermotion session."


@dataclass(frozen=True)
class Listed:
    """One clip to be reviewed, before it is opened.

    Parameters
    ----------
    side, task, repeat
        As stated; a clip of no stated side counts as seen from the middle.
    options
        What was stated of this clip alone.
    site
        Where thickness is read.
    problem
        Why it cannot be reviewed, or empty.
    """

    path: Path
    side: Side
    task: Task | None
    repeat: int
    options: SourceOptions
    site: str
    problem: str = ""


def find_sources(
    paths: Sequence[Path], task: Task | None, site: str, side: Side = Side.MIDLINE
) -> tuple[Listed, ...]:
    """List the clips of files and folders in their order.

    A folder with a table of a visit, ``plan.csv``, holds what that names; any other one the
    recordings in it and below, without results of this tool.

    Parameters
    ----------
    task, site, side
        For clips of which neither table nor name states one; such clips of one task are counted.

    Raises
    ------
    InputError
        If a path does not exist, there is no clip, or two are named alike.
    """
    found: list[Listed] = []
    for path in paths:
        if not path.exists():
            raise InputError(f"{path} does not exist; check the path.")
        found += _of(path, task, site, side)
    if not found:
        raise InputError(f"{paths[0].name} holds no recordings; give clips, or a folder of clips.")
    return tuple(_counted(found))


def _counted(found: Sequence[Listed]) -> Iterator[Listed]:
    """Count clips without a number after those that have one; refuse two of one number."""
    taken: dict[tuple[Side, Task | None, int], Path] = {}
    for one in sorted(found, key=lambda one: one.repeat == NO_REPEAT):
        repeat = one.repeat or 1
        while (one.side, one.task, repeat) in taken and one.repeat == NO_REPEAT:
            repeat += 1
        other = taken.setdefault((one.side, one.task, repeat), one.path)
        if other is not one.path:
            raise InputError(
                f"{other.name} and {one.path.name} both stand for repeat {repeat} of {one.task}, "
                f"{one.side}; count the repeats up."
            )
        yield replace(one, repeat=repeat)


def _of(path: Path, task: Task | None, site: str, side: Side) -> Iterator[Listed]:
    if not path.is_dir():
        yield _named(path, task, site, side)
        return
    if (path / TABLE).is_file():
        yield from _planned(path / TABLE, site)
        return
    recordings, _ = find_recordings(path)
    for recording in recordings:
        if not (recording.parent / RESULTS).exists():
            yield _named(recording, task, site, side)


def _named(path: Path, task: Task | None, site: str, side: Side) -> Listed:
    """Take side, task and repeat from the name, where it gives them."""
    named = read_name(path)
    if named is None:
        options = SourceOptions(task=task)
        return Listed(path, side, task, NO_REPEAT, options, site)
    options = SourceOptions(task=named.task)
    problem = STILLS if named.shows else ""
    return Listed(path, named.side, named.task, int(named.repeat), options, site, problem)


def _planned(table: Path, site: str) -> Iterator[Listed]:
    for item in read_plan(table, table.parent).items:
        own = item.settings
        mm_per_pixel = parse_mm_per_pixel(own.mm_per_pixel) if own.mm_per_pixel else None
        yield Listed(
            path=item.sources[0],
            side=item.side,
            task=item.task,
            repeat=item.repeat,
            options=SourceOptions(
                mm_per_pixel, own.depth_mm, own.frame_rate_hz, own.view, item.task
            ),
            site=own.site or site,
            problem=STILLS if item.shows or len(item.sources) > 1 else "",
        )


def with_scale(listed: Listed, stated: SourceOptions) -> Listed:
    """Give a clip the scale, frame rate and view that were stated for all, where it has none."""
    own = listed.options
    has_scale = own.mm_per_pixel is not None or own.depth_mm is not None
    options = replace(
        own,
        mm_per_pixel=own.mm_per_pixel if has_scale else stated.mm_per_pixel,
        depth_mm=own.depth_mm if has_scale else stated.depth_mm,
        frame_rate_hz=own.frame_rate_hz or stated.frame_rate_hz,
        view=own.view or stated.view,
    )
    return replace(listed, options=options)
