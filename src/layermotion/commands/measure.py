"""Owns the measuring command: sources in, one folder of results for each."""

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip
from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.commands.progress import telling
from layermotion.commands.results import Output, check_folder, record
from layermotion.commands.spread import spread_over
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError, LayermotionError, WeightsError, failure_of
from layermotion.exchange.export import check_exportable
from layermotion.exchange.request import Export, ExportRequest
from layermotion.labels import Task, View
from layermotion.models.registry import load_in_use
from layermotion.network.segmenter import Segmenter
from layermotion.session.index import Entry, add_to_index, read_index


@dataclass(frozen=True)
class MeasureOptions:
    """What the user states.

    Parameters
    ----------
    mm_per_pixel
        As typed: one value or ``ROW,COLUMN``; None where not given.
    site
        ``most-even``, ``muscle-centre``, ``image-centre`` or ``junction:MM``.
    overlay
        Whether the overlay picture or video is written.
    keep_identifiers
        Whether the source's name, and in exports the patient's, may stand in the results.
    exports
        Further files to write of each clip.
    index
        Whether the local index of file names is written.
    """

    mm_per_pixel: str | None = None
    depth_mm: float | None = None
    frame_rate_hz: float | None = None
    task: Task | None = None
    view: View | None = None
    site: str = "most-even"
    overlay: bool = True
    keep_identifiers: bool = False
    exports: tuple[Export, ...] = ()
    index: bool = True

    def of_source(self) -> SourceOptions:
        """Return what concerns the reading of a source; InputError if it is unusable."""
        spacing = parse_mm_per_pixel(self.mm_per_pixel) if self.mm_per_pixel is not None else None
        return SourceOptions(spacing, self.depth_mm, self.frame_rate_hz, self.view, self.task)


@dataclass(frozen=True)
class Outcome:
    """What came of one source.

    Parameters
    ----------
    clip
        Short hash of its content; empty where it could not be opened.
    result
        Path of its report, or the reason why there is none.
    seconds
        How long it took.
    """

    clip: str
    result: Path | LayermotionError
    seconds: float


def measure_sources(
    sources: Sequence[Path], out: Path, options: MeasureOptions, cluster: str | None = None
) -> int:
    """Measure each source into a folder of its own below ``out`` and print its report's path.

    Parameters
    ----------
    cluster
        Address of a Dask scheduler whose workers measure; None for this computer.

    Returns
    -------
    int
        0 if all were measured, 1 if some failed (the others are written).

    Raises
    ------
    LayermotionError
        If the arguments are unusable, or nothing could be measured.
    """
    options.of_source(), parse_site(options.site)
    check_folder(out)
    if options.index:
        read_index(out)
    segmenter = load_in_use()
    if cluster is None:
        outcomes: Iterable[Outcome] = map(partial(attempt, segmenter, out, options), sources)
        return _tell(sources, outcomes, out, options)
    with spread_over(cluster, len(sources)) as spread:
        there = partial(attempt_there, segmenter.sha256, out.absolute(), options)
        outcomes = spread(there, [source.absolute() for source in sources])
        return _tell(sources, outcomes, out, options)


def attempt(segmenter: Segmenter, out: Path, options: MeasureOptions, source: Path) -> Outcome:
    """Measure one source."""
    started_s, clip_id = time.monotonic(), ""
    result: Path | LayermotionError
    try:
        check_exportable((source,), options.exports)
        clip = open_clip(source, options.of_source())
        clip_id = clip.clip_id
        result = measure_clip(clip, source, out, segmenter, options)
    except Exception as error:
        result = failure_of(source.name, error)
    return Outcome(clip_id, result, time.monotonic() - started_s)


def attempt_there(sha256: str, out: Path, options: MeasureOptions, source: Path) -> Outcome:
    """Do the same as ``attempt`` on a worker, if the weights in use there are those of here."""
    segmenter = _weights_of_worker()
    if segmenter.sha256 != sha256:
        error = WeightsError(
            f"{source.name} was not measured: {segmenter.name} is in use on the worker, other "
            f"weights than here; promote the same ones there."
        )
        return Outcome("", error, 0.0)
    return attempt(segmenter, out, options, source)


@cache
def _weights_of_worker() -> Segmenter:
    """Weights in use, loaded once in the life of a worker."""
    return load_in_use()


def _tell(
    sources: Sequence[Path], outcomes: Iterable[Outcome], out: Path, options: MeasureOptions
) -> int:
    """Print each result as it comes, note in the index what it is of, and return the exit code."""
    failures: list[LayermotionError] = []
    with telling(len(sources), "measuring") as tell:
        for source, outcome in zip(sources, outcomes, strict=True):
            result = outcome.result
            name = f"clip-{outcome.clip}" if outcome.clip else "a source"
            if isinstance(result, Path):
                if options.index:
                    add_to_index(out, [Entry(outcome.clip, result.parent.name, source.name)])
                tell.result(result)
                tell.finish(name, outcome.seconds)
            else:
                failures.append(result)
                if len(sources) > 1:
                    tell.warn(str(result))
                tell.finish(name, outcome.seconds, "failed")
    if len(failures) == len(sources) == 1:
        raise failures[0]
    if len(failures) == len(sources):
        raise InputError(f"None of the {len(sources)} sources could be measured; see above.")
    return 1 if failures else 0


def measure_clip(
    clip: Clip, source: Path, out: Path, segmenter: Segmenter, options: MeasureOptions
) -> Path:
    """Measure an opened clip, write its results, and return the path of its report."""
    name, site = f"clip-{clip.clip_id}", parse_site(options.site)
    folder = out / (f"{source.stem}-{name}" if options.keep_identifiers else name)
    request = ExportRequest(options.exports, (source,), None, options.keep_identifiers)
    facts = {"site": options.site}
    output = Output(overlay=options.overlay, request=request, facts=facts)

    def measure(recording: Recording) -> Analysis:
        return analyse(clip, segmenter, site, recording)

    return record(folder, clip, measure, segmenter, output)
