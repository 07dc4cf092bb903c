"""Owns which clips a review holds: from a visit's table, from folders, or single files."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from layermotion.clip.kinds import RESULTS
from layermotion.clip.pair import Shows
from layermotion.clip.source import SourceOptions, parse_mm_per_pixel
from layermotion.errors import InputError
from layermotion.labels import Task
from layermotion.session.listing import find_recordings
from layermotion.session.plan import TABLE, Side, read_name, read_plan

OTHER = {Shows.REST: Shows.CONTRACTED, Shows.CONTRACTED: Shows.REST}
# Repeat of a clip of which none is stated, until it is counted.
NO_REPEAT = 0
ALONE = (
    "This still shows {shows}, and the one that shows {other} is not there; give both, or the clip."
)


@dataclass(frozen=True)
class Listed:
    """One clip to be reviewed, before it is opened.

    Parameters
    ----------
    side, task, repeat
        As stated; a clip of no stated side counts as seen from the middle until a side is chosen.
    options
        What was stated of this clip alone.
    site
        Where thickness is read.
    problem
        Why it cannot be reviewed, or empty.
    shows
        What a single image shows; None for a clip, and for a pair of stills.
    contracted
        The contracted still of a pair, of which ``path`` is the one at rest.
    is_side_known
        Whether its side was stated, or chosen since.
    """

    path: Path
    side: Side
    task: Task | None
    repeat: int
    options: SourceOptions
    site: str
    problem: str = ""
    shows: Shows | None = None
    contracted: Path | None = None
    is_side_known: bool = True

    @property
    def sources(self) -> tuple[Path, ...]:
        """Its files: one, or the still at rest and the contracted one."""
        return (self.path,) if self.contracted is None else (self.path, self.contracted)


def find_sources(
    paths: Sequence[Path], task: Task | None, site: str, side: Side | None = None
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
    return tuple(_counted(list(_paired(found))))


def _paired(found: Sequence[Listed]) -> Iterator[Listed]:
    """Put a still at rest and its contracted one together; say where one stands alone."""
    places = {(one.side, one.task, one.repeat, one.shows): one for one in found if one.shows}
    for one in found:
        if one.contracted is not None or one.shows not in OTHER:
            yield one
            continue
        partner = places.get((one.side, one.task, one.repeat, OTHER[one.shows]))
        if partner is not None and one.shows is Shows.REST:
            yield replace(one, shows=None, contracted=partner.path)
        elif partner is None:
            is_rest = one.task is Task.REST and one.shows is Shows.REST
            words = ALONE.format(shows=one.shows, other=OTHER[one.shows])
            yield one if is_rest else replace(one, problem=words)


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


def _of(path: Path, task: Task | None, site: str, side: Side | None) -> Iterator[Listed]:
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


def _named(path: Path, task: Task | None, site: str, side: Side | None) -> Listed:
    """Take side, task and repeat from the name, where it gives them."""
    named = read_name(path)
    if named is None:
        options = SourceOptions(task=task)
        known = side is not None
        side = side or Side.MIDLINE
        return Listed(path, side, task, NO_REPEAT, options, site, is_side_known=known)
    options = SourceOptions(task=named.task)
    repeat = int(named.repeat)
    return Listed(path, named.side, named.task, repeat, options, site, shows=named.shows)


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
            shows=item.shows,
            contracted=item.sources[1] if len(item.sources) > 1 else None,
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
