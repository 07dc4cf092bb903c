"""Owns the measuring command: sources in, one folder of results for each."""

import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from layermotion import __version__
from layermotion.analysis import Analysis, analyse
from layermotion.boundaries import Boundaries
from layermotion.clip import Clip, Frame
from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.cluster import spread_over
from layermotion.errors import InputError, LayermotionError, WeightsError
from layermotion.files import write_text
from layermotion.geometry import ImageArea
from layermotion.lab.registry import load_in_use
from layermotion.labels import Task, View
from layermotion.recording import Recording
from layermotion.report.export import Export, ExportRequest, check_exportable, write_exports
from layermotion.segment import Segmenter
from layermotion.site import Site, parse_site

if TYPE_CHECKING:
    from layermotion.report.arrows import Arrow
    from layermotion.report.content import KeyFrame

# Roles of the frames that the report shows, and the window state each is taken from.
KEY_STATES = ("rest", "contracted")
KEY_PICTURE = "key-frames.jpg"


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


@dataclass(frozen=True)
class Output:
    """What is written of one clip beside its tables and its page.

    Parameters
    ----------
    overlay
        Whether the overlay picture or video is written.
    picture
        Whether the key frames are written as a picture of their own, ``KEY_PICTURE``.
    request
        Further files to write, if any.
    facts
        Facts by name that stand in ``measures.json`` beside the provenance.
    """

    overlay: bool = True
    picture: bool = False
    request: ExportRequest | None = None
    facts: Mapping[str, str] = field(default_factory=dict)


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


def check_folder(out: Path) -> None:
    """Refuse an output folder that cannot be made or written, before any work and untouched."""
    nearest = next(path for path in (out, *out.absolute().parents) if os.path.exists(path))
    if not nearest.is_dir():
        raise InputError(f"{nearest} is a file; give --out a folder.")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(f"{nearest} cannot be written; choose a folder that you may write to.")


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


def record(
    folder: Path,
    clip: Clip,
    measure: Callable[[Recording], Analysis],
    segmenter: Segmenter,
    output: Output,
) -> Path:
    """Measure an opened clip into a folder; a full disk becomes one sentence."""
    try:
        with Recording() as recording:
            return write_results(folder, measure(recording), segmenter, recording, output)
    except OSError as error:
        raise InputError(
            f"The results of {clip.source_name} cannot be written ({error.strerror}); free some "
            f"space or choose another folder."
        ) from error


def write_results(
    folder: Path,
    analysis: Analysis,
    segmenter: Segmenter,
    recording: Recording,
    output: Output,
) -> Path:
    """Write all files of one clip; ``measures.json`` last, so that it marks a finished clip."""
    from layermotion.report.content import ReportContent
    from layermotion.report.overlay import write_jpeg
    from layermotion.report.page import build_page
    from layermotion.report.tables import write_measures, write_series

    clip = analysis.clip
    provenance = {
        "software": f"layermotion {__version__}",
        "weights": segmenter.name,
        "weights SHA-256": segmenter.sha256,
        "calibration": clip.spacing.source if clip.spacing else clip.spacing_reason,
        "view": f"{analysis.view} ({analysis.view_reason})",
        **clip.provenance,
    }
    write_series(folder / "series.csv", analysis.series)
    key_frames, overlay_name = _read_again(folder, analysis, recording, output.overlay)
    content = ReportContent(
        clip=clip,
        view=analysis.view,
        view_reason=analysis.view_reason,
        series=analysis.series,
        measures=analysis.measures,
        windows=analysis.windows,
        key_frames=key_frames,
        site_column_px=analysis.site_px,
        cautions=analysis.cautions,
        provenance=provenance,
        overlay_name=overlay_name,
        courses=analysis.courses,
    )
    report = folder / "report.html"
    write_text(report, build_page(content))
    if output.picture and key_frames:
        write_jpeg(folder / KEY_PICTURE, draw_key_frames(key_frames, analysis))
    if output.request is not None:
        write_exports(folder, content, output.request, recording)
    cautions = list(dict.fromkeys((*clip.cautions, *analysis.cautions)))
    header = {"clip": clip.clip_id, **output.facts, **provenance, "cautions": cautions}
    write_measures(folder, analysis.measures, header)
    return report


def _read_again(
    folder: Path, analysis: Analysis, recording: Recording, overlay: bool
) -> tuple[tuple["KeyFrame", ...], str | None]:
    """Go through the clip once more for the key frames and, if wanted, the overlay."""
    from layermotion.report.alignment import align
    from layermotion.report.arrows import arrows_of
    from layermotion.report.content import KeyFrame
    from layermotion.report.overlay import OverlayWriter, write_png

    clip = analysis.clip
    column_px = None if analysis.site_px is None else analysis.site_px - clip.area.left
    wanted = key_indices(analysis)
    is_rest_known = any(window.state == "rest" for window in analysis.windows)
    rest = next((i for i, role in wanted.items() if role == "rest" and is_rest_known), None)
    found: dict[int, KeyFrame] = {}

    def keep(frame: Frame, edges: Boundaries) -> tuple["Arrow", ...]:
        """Keep a frame that is wanted, and return the arrows of any."""
        aligned = None
        if rest is not None:
            aligned = align(analysis.motions, frame.index, rest, clip.area, clip.spacing)
        arrows = arrows_of(analysis, frame.index, rest, edges, aligned)
        if frame.index in wanted:
            role = wanted[frame.index]
            found[frame.index] = KeyFrame(role, frame, edges, arrows, aligned)
        return arrows

    if overlay and not clip.is_still:
        target = folder / "overlay.mp4"
        shape = (clip.area.height, clip.area.width)
        with OverlayWriter(target, shape, analysis.series, analysis.windows) as writer:
            for frame in clip.frames():
                edges = recording[frame.index]
                arrows = keep(frame, edges)
                writer.write(
                    *cut_out(frame, edges, clip.area),
                    site_column_px=column_px,
                    arrows=[arrow.seen_from(clip.area) for arrow in arrows],
                )
    else:
        for frame in islice(clip.frames(), max(wanted, default=-1) + 1):
            keep(frame, recording[frame.index])
        target = folder / "overlay.png"
    key_frames = tuple(found[index] for index in sorted(found))
    if overlay and clip.is_still and key_frames:
        write_png(target, draw_key_frames(key_frames, analysis))
    return key_frames, target.name if overlay else None


def draw_key_frames(key_frames: Sequence["KeyFrame"], analysis: Analysis) -> NDArray[np.uint8]:
    """Draw the key frames side by side, each with its edges and its values beneath."""
    from layermotion.report.overlay import draw_overlay
    from layermotion.report.strip import caption_of

    area, site_px = analysis.clip.area, analysis.site_px
    images = []
    for shown in key_frames:
        frame, boundaries = cut_out(shown.frame, shown.boundaries, area)
        caption = caption_of(analysis.series, analysis.windows, frame.index)
        if analysis.clip.is_still:
            caption = replace(caption, time_s=None)
        column_px = None if site_px is None else site_px - area.left
        arrows = [arrow.seen_from(area) for arrow in shown.arrows]
        images.append(
            draw_overlay(frame.pixels, boundaries, caption, site_column_px=column_px, arrows=arrows)
        )
    return np.hstack(images)


def cut_out(frame: Frame, boundaries: Boundaries, area: ImageArea) -> tuple[Frame, Boundaries]:
    """Cut a frame and its edges to the ultrasound image: what lies around it may name a person."""
    return (
        Frame(frame.index, frame.time_s, frame.pixels[area.slices]),
        Boundaries(
            boundaries.column_px - area.left,
            boundaries.superficial_px - area.top,
            boundaries.deep_px - area.top,
            boundaries.confidence.copy(),
        ),
    )


def key_indices(analysis: Analysis) -> dict[int, str]:
    """Frames to show: the middle of the first rest and of the first contraction."""
    chosen: dict[int, str] = {}
    for state in KEY_STATES:
        for window in analysis.windows:
            if window.state == state:
                chosen.setdefault((window.first + window.last) // 2, state)
                break
    return chosen or {0: "rest"}
