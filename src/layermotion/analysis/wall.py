"""Owns how a clip of the abdominal wall is measured: from edges and motion to its outcome."""

from collections.abc import Sequence

import numpy as np

from layermotion.analysis.footage import Footage, spread
from layermotion.analysis.result import Analysis
from layermotion.edges.lateral import lateral_side
from layermotion.efforts.breathing import SMALLEST_BREATH, breath_signal
from layermotion.efforts.channels import Signals, share_of
from layermotion.efforts.doubt import backed_by, count_in_shape, fullest
from layermotion.efforts.efforts import efforts_in
from layermotion.efforts.signals import Counted, better_seen, clearest, evidence_of
from layermotion.efforts.windows import frames_at_rest, from_rest
from layermotion.labels import MUSCLES, Structure, Task
from layermotion.measures.error import uncertainty
from layermotion.measures.medial_edge import measure_medial_edge
from layermotion.measures.slide import measure_slide
from layermotion.measures.thickness import measure_wall
from layermotion.measures.unseen import Unseen
from layermotion.network.segmenter import Segmenter
from layermotion.series.causes import Causes, causes_of
from layermotion.series.disputed import agreed_thickness
from layermotion.series.medial_edge import follow_medial_edge
from layermotion.series.series import Quantity, Series
from layermotion.series.slide import slide_mm
from layermotion.series.thickness import thickness_series
from layermotion.series.whole_muscle import whole_thickness
from layermotion.series.withhold import withhold_jumps, withhold_lost

WALL_METHOD = (
    "Thickness from inside edge to inside edge of the bright borders, perpendicular to the layer; "
    "mean over the frames of each window."
)
SLIDE_METHOD = (
    "Shift of the texture of the TrA along the muscle relative to that of the EO above it, against "
    "the rest before the effort (its course over time: against the first rest); turn of the probe "
    "is removed, and its shift moves both alike."
)
LATERAL_UNKNOWN = (
    "The medial end of the TrA is not in view, so lateral is unknown: slide is positive towards "
    "the right of the picture; record with that end in view to know the way."
)

ONE_STATE = (
    "A single still shows one state, which is taken to be rest: if it shows an effort, its values "
    "are not those at rest; state --task rest, or measure a still at rest and one at the effort as "
    "a visit."
)


def measure_wall_clip(seen: Footage, segmenter: Segmenter) -> Analysis:
    """Thickness, slide and medial edge over time, and the measures of each effort."""
    clip, time_s, site_px = seen.clip, seen.time_s, seen.site_px
    fixed, disputes = agreed_thickness(seen.edges, seen.again, site_px, seen.scale, seen.grid)
    thickness = tuple(withhold_jumps(quantity, time_s, seen.scale) for quantity in fixed)
    side = lateral_side(spread(seen.edges))
    slides = _slides(seen, side)
    effort, count = _clearest_effort(seen, thickness, slides)
    breath = breath_signal(thickness)
    efforts = efforts_in(effort, count, time_s, breath, SMALLEST_BREATH, is_rest=seen.is_rest)
    moving = (*(from_rest(slide, efforts.windows) for slide in slides), *seen.probe_shift)
    medial_edge = None
    if clip.spacing and slides and site_px is not None:
        medial_edge = follow_medial_edge(
            seen.edges, seen.motions, time_s, frames_at_rest(efforts.windows, time_s.size), site_px,
            side, clip.spacing,
        )  # fmt: skip
        moving = (*moving, from_rest(medial_edge.quantity, efforts.windows))
    series = Series(clip.clip_id, time_s, (*thickness, *moving))
    is_placed = site_px is not None
    method = " ".join([WALL_METHOD, *efforts.how_rest, *([seen.site_words] if is_placed else [])])
    causes: Causes = {}
    if site_px is not None:
        causes = causes_of(seen.edges, site_px, seen.scale, fixed, thickness)
    unseen = Unseen(causes, clip.is_still, "" if is_placed else seen.site_words)
    error = uncertainty(segmenter, seen.grid, series)
    measures = measure_wall(series, efforts.windows, seen.task, error, method, unseen)
    measures += measure_slide(series, efforts.windows, seen.task, SLIDE_METHOD)
    if medial_edge:
        measures += measure_medial_edge(medial_edge, efforts.windows, seen.task)
    is_lateral_known = bool(side) or not slides
    is_unstated = clip.is_still and clip.task is not Task.REST
    cautions = (
        *((ONE_STATE,) if is_unstated else ()),
        *(() if is_lateral_known else (LATERAL_UNKNOWN,)),
        *disputes,
    )
    return Analysis(
        seen, series, efforts, measures, site_px, cautions, medial_edge, is_lateral_known
    )


def _slides(seen: Footage, side: int) -> tuple[Quantity, ...]:
    """Slide of each muscle, where motion can be told in mm."""
    spacing = seen.motion_spacing
    if spacing is None:
        return ()
    slides = []
    for muscle in MUSCLES:
        value, confidence = slide_mm(seen.motions, spacing, side or 1, muscle)
        slide = Quantity("slide", muscle, "mm", value, confidence)
        slides.append(withhold_lost(slide, seen.time_s))
    return tuple(slides)


def signals_of_wall(found: Analysis) -> Signals:
    """All that a measured clip of the wall shows of its efforts."""
    seen, quantities = found.footage, found.series.quantities
    thickness = [quantity for quantity in quantities if quantity.name == "thickness"]
    known = {
        f"thickness {quantity.structure}": share_of(quantity)
        for quantity in _at_site(seen, thickness)
        if quantity.structure in MUSCLES
    }
    known["whole tra"] = share_of(whole_thickness(seen.edges, Structure.TRA))
    known |= {f"slide {q.structure}": q.value for q in quantities if q.name == "slide"}
    return Signals.of(seen.time_s, known | seen.shared_signals)


def _at_site(seen: Footage, thickness: Sequence[Quantity]) -> tuple[Quantity, ...]:
    """Thickness of each layer at the site, of the tissue that was there where it was followed."""
    moved = np.array([[shift.column_px for shift in motion.layers] for motion in seen.motions])
    followed = thickness_series(seen.edges, seen.site_px, seen.scale, moved)
    return better_seen(followed, thickness)


def _clearest_effort(
    seen: Footage, thickness: Sequence[Quantity], slides: Sequence[Quantity]
) -> Counted:
    """Signal that shows the efforts best, and how many there are."""
    at_site = _at_site(seen, thickness)
    own = clearest(evidence_of(at_site, slides), seen.time_s, is_asked=seen.is_asked)
    if not (own[1].doubt and seen.is_asked):
        return own
    # A shadow may hide the site. Only the whole of the TrA tells: the others may thin in an effort,
    # so that their rest looks like one.
    every = evidence_of((*at_site, whole_thickness(seen.edges, Structure.TRA)), slides)
    other = clearest(every, seen.time_s, is_asked=True)
    if not other[1].doubt:
        return other
    if own[0].structure is Structure.TRA:
        own = fullest(every, seen.time_s, own)
    shape = count_in_shape(
        seen.edges, seen.view, seen.clip.area.height, seen.time_s, is_alone=not own[1].number
    )
    return backed_by(shape, own, seen.time_s)
