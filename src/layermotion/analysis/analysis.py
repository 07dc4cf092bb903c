"""Owns the way from a clip to its measures: one pass over the frames, nothing written."""

from dataclasses import replace

from layermotion.analysis.bladder import measure_bladder_clip
from layermotion.analysis.footage import Footage, watch
from layermotion.analysis.pair import measure_pair
from layermotion.analysis.result import Analysis
from layermotion.analysis.wall import measure_wall_clip
from layermotion.clip import Clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import Site
from layermotion.efforts.efforts import Efforts
from layermotion.labels import View
from layermotion.measures.error import check_judged
from layermotion.measures.timing import gaps_in, measure_timing
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter

TIMING_METHOD = (
    "From the course of the structure's thickness, slide or displacement, whichever shows the "
    "efforts most clearly: each rise and return is fitted by half a cosine between straight lines "
    "for rest and hold, whose ends are the times."
)


def analyse(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Analysis:
    """Measure one clip in a single pass; the edges of every frame end up in ``recording``.

    Raises
    ------
    MeasurementError
        If the clip has no frames, its times do not increase, or it shows neither view.
    """
    check_judged(segmenter)
    return measure_footage(watch(clip, segmenter, site, recording), segmenter)


def measure_footage(
    seen: Footage, segmenter: Segmenter, settled: Efforts | None = None
) -> Analysis:
    """Measure a clip that was seen; one of which a person left out every effort has no measures.

    Parameters
    ----------
    settled
        When the efforts were, where a person says so; None tells it from the clip.
    """
    found = _measured(seen, segmenter, settled)
    return replace(found, measures=()) if found.efforts.left_out else found


def _measured(seen: Footage, segmenter: Segmenter, settled: Efforts | None) -> Analysis:
    if seen.clip.is_pair:
        return measure_pair(seen, segmenter, settled)
    measure = measure_wall_clip if seen.view is View.ABDOMINAL_WALL else measure_bladder_clip
    found = measure(seen, segmenter, settled)
    efforts, gaps = found.efforts, gaps_in(seen.time_s)
    # Where only all layers together show the efforts, no muscle's times are known.
    times = (
        measure_timing(
            efforts.courses, efforts.windows, efforts.structure, seen.task, TIMING_METHOD, gaps
        )
        if efforts.structure
        else ()
    )
    said = (gap.caution for gap in gaps)
    more = (*efforts.cautions, *said, *_range_cautions(segmenter, seen.grid))
    return replace(found, measures=found.measures + times, cautions=(*found.cautions, *more))


def _range_cautions(segmenter: Segmenter, grid: ModelGrid) -> tuple[str, ...]:
    low, high = segmenter.spacing_range_mm
    if grid.mm_per_pixel is None or low <= grid.mm_per_pixel <= high:
        return ()
    return (
        f"The picture's scale ({grid.mm_per_pixel:.3f} mm per model pixel) lies outside what the "
        f"weights were trained on ({low:.3f} to {high:.3f}); errors may be larger than stated.",
    )
