"""Owns the files of one measured clip."""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from layermotion import __version__
from layermotion.analysis.advice import advise
from layermotion.analysis.result import Analysis
from layermotion.caution import Signature
from layermotion.clip import Clip, Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.recording import Recording
from layermotion.errors import InputError
from layermotion.exchange.export import write_exports
from layermotion.exchange.request import FILES, ExportRequest
from layermotion.files import write_text
from layermotion.images import write_jpeg, write_png
from layermotion.labels import Structure
from layermotion.network.segmenter import Segmenter
from layermotion.report.alignment import align
from layermotion.report.arrows import Arrow, arrows_of
from layermotion.report.content import ReportContent
from layermotion.report.key_frames import KeyFrame, cut_out, draw_key_frames, key_indices

KEY_PICTURE = "key-frames.jpg"
# Files of an earlier run that go before anything is written: those that mark a finished clip, so
# that a run that stops on the way leaves no values of one run beside files of another, and those
# that are written only where they are asked for.
GO_FIRST = (
    "measures.json", "measures.csv", "report.html", "series.csv", "overlay.*", KEY_PICTURE,
    *FILES.values(),
)  # fmt: skip


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
    signature
        Of the clinician who confirmed the values; None of a draft.
    """

    overlay: bool = True
    picture: bool = False
    request: ExportRequest | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    signature: Signature | None = None


def check_folder(out: Path) -> None:
    """Refuse an output folder that cannot be made or written, before any work and untouched."""
    nearest = next(path for path in (out, *out.absolute().parents) if os.path.exists(path))
    if not nearest.is_dir():
        raise InputError(f"{nearest} is a file; give --out a folder.")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(f"{nearest} cannot be written; choose a folder that you may write to.")


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
            return write_results(folder, measure(recording), segmenter, output)
    except OSError as error:
        raise InputError(
            f"The results of {clip.source_name} cannot be written ({error.strerror}); free some "
            f"space or choose another folder."
        ) from error


def write_results(
    folder: Path,
    analysis: Analysis,
    segmenter: Segmenter,
    output: Output,
) -> Path:
    """Write all files of one clip; ``measures.json`` last, so that it marks a finished clip."""
    from layermotion.report.page import build_page
    from layermotion.report.tables import write_measures, write_series

    clip = analysis.clip
    for name in GO_FIRST:
        for path in folder.glob(name):
            path.unlink()
    provenance = {
        "software": f"layermotion {__version__}",
        "weights": segmenter.name,
        "weights SHA-256": segmenter.sha256,
        "calibration": clip.spacing.source if clip.spacing else clip.spacing_reason,
        "view": f"{analysis.view} ({analysis.footage.view_reason})",
        **clip.provenance,
    }
    write_series(folder / "series.csv", analysis.series)
    key_frames, overlay_name = _read_again(folder, analysis, output.overlay)
    advice = advise(analysis)
    content = ReportContent(
        analysis, key_frames, provenance, overlay_name, advice, output.signature
    )
    report = folder / "report.html"
    write_text(report, build_page(content))
    facts = {**output.facts, **provenance}
    if output.signature is not None:
        facts |= {"caution": output.signature.words, "status": "final"}
    if output.picture and key_frames:
        picture = draw_key_frames(key_frames, analysis, output.signature)
        write_jpeg(folder / KEY_PICTURE, picture)
        if clip.spacing:
            facts["picture_width_mm"] = f"{picture.shape[1] * clip.spacing.column_mm:.1f}"
    if output.request is not None:
        write_exports(folder, content, output.request)
    if analysis.series.get("slide", Structure.TRA) is not None:
        facts["lateral"] = "known" if analysis.is_lateral_known else "unknown"
    header = {
        "clip": clip.clip_id,
        **facts,
        "cautions": list(analysis.all_cautions),
        "advice": list(advice),
    }
    write_measures(folder, analysis.measures, header)
    return report


def _read_again(
    folder: Path, analysis: Analysis, overlay: bool
) -> tuple[tuple[KeyFrame, ...], str | None]:
    """Go through the clip once more for the key frames and, if wanted, the overlay."""
    from layermotion.report.overlay import OverlayWriter

    clip = analysis.clip
    column_px = None if analysis.site_px is None else analysis.site_px - clip.area.left
    wanted = key_indices(analysis)
    is_rest_known = any(window.state == "rest" for window in analysis.efforts.windows)
    rest = next((i for i, role in wanted.items() if role == "rest" and is_rest_known), None)
    found: dict[int, KeyFrame] = {}

    def keep(frame: Frame, edges: Boundaries) -> tuple[Arrow, ...]:
        """Keep a frame that is wanted, and return the arrows of any."""
        aligned = None
        if rest is not None:
            aligned = align(analysis.footage.motions, frame.index, rest, clip.area, clip.spacing)
        arrows = arrows_of(analysis, frame.index, rest, edges, aligned)
        if frame.index in wanted:
            role = wanted[frame.index]
            found[frame.index] = KeyFrame(role, frame, edges, arrows, aligned)
        return arrows

    if overlay and not clip.is_still:
        target = folder / "overlay.mp4"
        shape = (clip.area.height, clip.area.width)
        with OverlayWriter(target, shape, analysis.given, analysis.efforts.windows) as writer:
            for frame in clip.frames():
                edges = analysis.footage.edges[frame.index]
                arrows = keep(frame, edges)
                writer.write(
                    *cut_out(frame, edges, clip.area),
                    site_column_px=column_px,
                    arrows=[arrow.seen_from(clip.area) for arrow in arrows],
                )
    else:
        for frame in islice(clip.frames(), max(wanted, default=-1) + 1):
            keep(frame, analysis.footage.edges[frame.index])
        target = folder / "overlay.png"
    key_frames = tuple(found[index] for index in sorted(found))
    if overlay and clip.is_still and key_frames:
        write_png(target, draw_key_frames(key_frames, analysis))
    return key_frames, target.name if overlay else None
