"""Owns the measuring command: sources in, one folder of results for each."""

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.commands.results import Output, check_folder, record
from layermotion.commands.spread import spread_over
from layermotion.edges.recording import Recording
from layermotion.edges.site import Site, parse_site
from layermotion.errors import InputError, LayermotionError, WeightsError
from layermotion.exchange.export import check_exportable
from layermotion.exchange.request import Export, ExportRequest
from layermotion.labels import Task, View
from layermotion.models.registry import load_in_use
from layermotion.network.segmenter import Segmenter

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class MeasureOptions:
    """What the user states.

    Parameters
    ----------
    mm_per_pixel
        As typed: one value or ``ROW,COLUMN``; None where not given.
    site
        ``muscle-centre``, ``image-centre`` or ``junction:MM``.
    overlay
        Whether the overlay picture or video is written.
    keep_identifiers
        Whether the source's name, and in exports the patient's, may stand in the results.
    exports
        Further files to write of each clip.
    """

    mm_per_pixel: str | None = None
    depth_mm: float | None = None
    frame_rate_hz: float | None = None
    task: Task | None = None
    view: View | None = None
    site: str = "muscle-centre"
    overlay: bool = True
    keep_identifiers: bool = False
    exports: tuple[Export, ...] = ()

    def of_source(self) -> SourceOptions:
        """Return what concerns the reading of a source; InputError if it is unusable."""
        spacing = parse_mm_per_pixel(self.mm_per_pixel) if self.mm_per_pixel is not None else None
        return SourceOptions(spacing, self.depth_mm, self.frame_rate_hz, self.view, self.task)


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
    segmenter = load_in_use()
    if cluster is None:
        return _tell(sources, map(partial(attempt, segmenter, out, options), sources))
    with spread_over(cluster, len(sources)) as spread:
        there = partial(attempt_there, segmenter.sha256, out.absolute(), options)
        return _tell(sources, spread(there, [source.absolute() for source in sources]))


def attempt(
    segmenter: Segmenter, out: Path, options: MeasureOptions, source: Path
) -> Path | LayermotionError:
    """Measure one source; give the path of its report, or the reason why there is none."""
    try:
        where = options.of_source(), parse_site(options.site)
        return measure_source(source, out, *where, segmenter, options)
    except LayermotionError as error:
        return error


def attempt_there(
    sha256: str, out: Path, options: MeasureOptions, source: Path
) -> Path | LayermotionError:
    """Do the same as ``attempt`` on a worker, if the weights in use there are those of here."""
    segmenter = _weights_of_worker()
    if segmenter.sha256 != sha256:
        return WeightsError(
            f"{source.name} was not measured: {segmenter.name} is in use on the worker, other "
            f"weights than here; promote the same ones there."
        )
    return attempt(segmenter, out, options, source)


@cache
def _weights_of_worker() -> Segmenter:
    """Weights in use, loaded once in the life of a worker."""
    return load_in_use()


def _tell(sources: Sequence[Path], results: Iterable[Path | LayermotionError]) -> int:
    """Print each result as it comes, and return the exit code."""
    failures: list[LayermotionError] = []
    for result in results:
        if isinstance(result, Path):
            print(result)
        else:
            failures.append(result)
            if len(sources) > 1:
                print(f"layermotion: {result}", file=sys.stderr)
    if len(failures) == len(sources) == 1:
        raise failures[0]
    if len(failures) == len(sources):
        raise InputError(f"None of the {len(sources)} sources could be measured; see above.")
    return 1 if failures else 0


def measure_source(
    source: Path,
    out: Path,
    source_options: SourceOptions,
    site: Site,
    segmenter: Segmenter,
    options: MeasureOptions,
) -> Path:
    """Measure one source, write its results, and return the path of its report."""
    check_exportable((source,), options.exports)
    clip = open_clip(source, source_options)
    name = f"clip-{clip.clip_id}"
    folder = out / (f"{source.stem}-{name}" if options.keep_identifiers else name)
    request = ExportRequest(options.exports, (source,), None, options.keep_identifiers)
    output = Output(overlay=options.overlay, request=request)

    def measure(recording: Recording) -> Analysis:
        return analyse(clip, segmenter, site, recording)

    return record(folder, clip, measure, segmenter, output)
