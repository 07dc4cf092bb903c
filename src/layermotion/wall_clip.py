"""Owns how a clip of the abdominal wall is measured: from edges and motion to its outcome."""

from collections.abc import Sequence

import numpy as np

from layermotion.breathing import SMALLEST_BREATH, breath_signal
from layermotion.continuity import withhold_jumps, withhold_lost
from layermotion.evidence import Counted, better_seen, clearest, evidence_of
from layermotion.footage import Footage, spread
from layermotion.labels import MUSCLES, Structure
from layermotion.lateral import lateral_side
from layermotion.medial import follow_medial_edge, measure_medial_edge
from layermotion.motion import slide_mm
from layermotion.movement import measure_slide
from layermotion.outcome import Outcome, efforts_in, from_rest
from layermotion.second_look import agreed_thickness
from layermotion.segment import Segmenter
from layermotion.series import Quantity, Series, thickness_series
from layermotion.settling import backed_by, fullest, outlined
from layermotion.uncertainty import uncertainty
from layermotion.wall import UNSEEN_LAYER, measure_wall
from layermotion.whole import whole_thickness

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
    "the right of the picture."
)


def measure_wall_clip(seen: Footage, segmenter: Segmenter) -> Outcome:
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
            seen.edges, seen.motions, time_s, efforts.windows, site_px, side, clip.spacing,
            clip.area,
        )  # fmt: skip
        moving = (*moving, from_rest(medial_edge.quantity, efforts.windows))
    series = Series(clip.clip_id, time_s, (*thickness, *moving))
    is_placed = site_px is not None
    method = " ".join([WALL_METHOD, *efforts.how_rest, *([seen.site_words] if is_placed else [])])
    unseen = UNSEEN_LAYER if is_placed else seen.site_words
    error = uncertainty(segmenter, seen.grid, series)
    measures = measure_wall(series, efforts.windows, seen.task, error, method, unseen)
    measures += measure_slide(series, efforts.windows, seen.task, SLIDE_METHOD)
    if medial_edge:
        measures += measure_medial_edge(medial_edge, efforts.windows, seen.task)
    cautions = (LATERAL_UNKNOWN,) if slides and not side else ()
    return Outcome(series, efforts, measures, site_px, (*cautions, *disputes), medial_edge)


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


def _clearest_effort(
    seen: Footage, thickness: Sequence[Quantity], slides: Sequence[Quantity]
) -> Counted:
    """Signal that shows the efforts best, and how many there are."""
    moved = np.array([[shift.column_px for shift in motion.layers] for motion in seen.motions])
    followed = thickness_series(seen.edges, seen.site_px, seen.scale, moved)
    at_site = better_seen(followed, thickness)
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
    return backed_by(outlined(seen, is_alone=not own[1].number), own, seen.time_s)
