"""Owns the way from a clip to its measures: one pass over the frames, nothing written."""

from dataclasses import dataclass

from layermotion.bladder_clip import measure_bladder_clip
from layermotion.clip import Clip
from layermotion.counting import Count
from layermotion.events import Course, Window
from layermotion.footage import watch
from layermotion.labels import View
from layermotion.measures import Measure
from layermotion.medial import MedialEdge
from layermotion.motion import TissueMotion
from layermotion.movement import measure_timing
from layermotion.recording import Recording
from layermotion.segment import ModelGrid, Segmenter
from layermotion.series import Series
from layermotion.site import Site
from layermotion.uncertainty import check_judged
from layermotion.wall_clip import measure_wall_clip

TIMING_METHOD = (
    "From the course of the structure's thickness, slide or displacement, whichever shows the "
    "efforts most clearly: each rise and return is fitted by half a cosine between straight lines "
    "for rest and hold, whose ends are the times."
)


@dataclass(frozen=True, eq=False)
class Analysis:
    """All that was found in one clip; its edges are in the recording.

    Parameters
    ----------
    view, view_reason
        What the probe looks at, and who says so.
    site_px
        Frame column of the site or of the bladder base; None where there is none.
    cautions
        Sentences for the report beyond those of the clip.
    count
        How many efforts there are, and whether that is sure.
    courses
        When each effort began, was full, was let go and was over.
    motions
        Of the tissue, one for each frame; empty for stills.
    medial_edge
        How the medial end of the TrA moves; None where no slide is measured.
    """

    clip: Clip
    view: View
    view_reason: str
    series: Series
    windows: tuple[Window, ...]
    measures: tuple[Measure, ...]
    site_px: float | None
    cautions: tuple[str, ...]
    count: Count = Count(0)
    courses: tuple[Course, ...] = ()
    motions: tuple[TissueMotion, ...] = ()
    medial_edge: MedialEdge | None = None


def analyse(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Analysis:
    """Measure one clip in a single pass; the edges of every frame end up in ``recording``.

    Raises
    ------
    MeasurementError
        If the clip has no frames, or shows neither view.
    """
    check_judged(segmenter)
    seen = watch(clip, segmenter, site, recording)
    measure = measure_wall_clip if seen.view is View.ABDOMINAL_WALL else measure_bladder_clip
    outcome = measure(seen, segmenter)
    efforts = outcome.efforts
    # Where only all layers together show the efforts, no muscle's times are known.
    times = (
        measure_timing(
            efforts.courses, efforts.windows, efforts.structure, seen.task, TIMING_METHOD
        )
        if efforts.structure
        else ()
    )
    return Analysis(
        clip=clip,
        view=seen.view,
        view_reason=seen.view_reason,
        series=outcome.series,
        windows=efforts.windows,
        measures=outcome.measures + times,
        site_px=outcome.site_px,
        cautions=(
            *outcome.cautions, *efforts.count.caution, *_range_cautions(segmenter, seen.grid),
        ),
        count=efforts.count,
        courses=efforts.courses,
        motions=seen.motions,
        medial_edge=outcome.medial_edge,
    )  # fmt: skip


def _range_cautions(segmenter: Segmenter, grid: ModelGrid) -> tuple[str, ...]:
    low, high = segmenter.spacing_range_mm
    if grid.mm_per_pixel is None or low <= grid.mm_per_pixel <= high:
        return ()
    return (
        f"The picture's scale ({grid.mm_per_pixel:.3f} mm per model pixel) lies outside what the "
        f"weights were trained on ({low:.3f} to {high:.3f}); errors may be larger than stated.",
    )
