"""Owns how rest against contraction in still images is measured."""

from layermotion.analysis.footage import Footage, watch_stills
from layermotion.analysis.result import Analysis
from layermotion.analysis.wall import WALL_METHOD
from layermotion.clip import Clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import Site
from layermotion.efforts.count import Count
from layermotion.efforts.efforts import Efforts
from layermotion.efforts.windows import Window
from layermotion.labels import Structure, View
from layermotion.measures.bladder import measure_bladder
from layermotion.measures.error import check_judged, uncertainty
from layermotion.measures.thickness import measure_wall
from layermotion.measures.unseen import Unseen
from layermotion.network.segmenter import Segmenter
from layermotion.series.base import base_series
from layermotion.series.by_hand import settled
from layermotion.series.causes import Causes, causes_of
from layermotion.series.disputed import agreed_thickness
from layermotion.series.series import Quantity, Series

# Rest is the first frame of a pair, the contraction the second.
WINDOWS = (Window("rest", 0, 0, 1), Window("contracted", 1, 1, 1))
STILL_METHOD = "Rest and contraction are one still image each, chosen by the person who froze them."
BASE_METHOD = (
    "Depth of the bladder's deep wall where it moves most, relative to the still at rest. "
    f"{STILL_METHOD} Positive is a lift towards the probe."
)
PROBE_UNKNOWN = (
    "Between two still images the movement of the probe is unknown, so it is part of the "
    "displacement of the bladder base; compare the skin in both by eye, or record a clip."
)


def analyse_pair(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Analysis:
    """Measure a pair of stills; both at the same column of the picture.

    Raises
    ------
    MeasurementError
        If the pictures show neither view.
    """
    check_judged(segmenter)
    return measure_pair(watch_stills(clip, segmenter, site, recording), segmenter)


def measure_pair(seen: Footage, segmenter: Segmenter, efforts: Efforts | None = None) -> Analysis:
    """Measure a pair of stills that was seen.

    Parameters
    ----------
    efforts
        What a person left of them; None for rest against contraction.
    """
    clip = seen.clip
    structure = Structure.TRA if seen.view is View.ABDOMINAL_WALL else Structure.BLADDER
    efforts = efforts or Efforts(structure, Count(1), WINDOWS, (), ())
    windows = efforts.windows
    cautions: tuple[str, ...] = ()
    if seen.view is View.ABDOMINAL_WALL:
        site_px = seen.site_px
        agreed, cautions = _thickness(seen)
        thickness = settled(agreed, agreed, seen.by_hand)
        series = Series(clip.clip_id, seen.time_s, thickness)
        method = f"{WALL_METHOD} {STILL_METHOD} {seen.site_said}".strip()
        causes: Causes = {}
        if site_px is not None:
            causes = causes_of(seen.edges, site_px, seen.scale, agreed, thickness)
        unseen = Unseen(causes, True, "" if site_px is not None else seen.site_words)
        found = _thickness(seen.as_found)[0] if seen.as_found else agreed
        placed = settled(agreed, agreed, seen.by_hand.edges_alone)
        error = uncertainty(segmenter, seen.grid, seen.scale, found, seen.by_hand, placed)
        measures = measure_wall(series, windows, seen.task, error, method, unseen)
    else:
        base, site_px = base_series(seen.edges, seen.scale, seen.time_s)
        series = Series(clip.clip_id, seen.time_s, (base,))
        found_base = (
            base_series(seen.as_found.edges, seen.scale, seen.time_s)[0] if seen.as_found else base
        )
        error = uncertainty(segmenter, seen.grid, seen.scale, (found_base,), seen.by_hand, (base,))
        measures = measure_bladder(series, windows, seen.task, error, BASE_METHOD, is_still=True)
        cautions = (PROBE_UNKNOWN,)
    return Analysis(seen, series, efforts, measures, site_px, cautions)


def _thickness(seen: Footage) -> tuple[tuple[Quantity, ...], tuple[str, ...]]:
    """Thickness of each layer, and what a reader must know of it."""
    return agreed_thickness(
        seen.edges, seen.again, seen.site_px, seen.scale, seen.grid, seen.by_hand.placed,
        seen.fat_px,
    )  # fmt: skip
