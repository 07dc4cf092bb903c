"""Owns how a clip of the abdominal wall is measured: from edges and motion to its outcome."""

from collections.abc import Sequence

import numpy as np

from layermotion.analysis.footage import Footage, spread
from layermotion.analysis.result import Analysis
from layermotion.edges.lateral import lateral_side
from layermotion.efforts.breathing import SMALLEST_BREATH, breath_signal
from layermotion.efforts.channels import Signals, share_of
from layermotion.efforts.efforts import Efforts, efforts_in
from layermotion.efforts.windows import frames_at_rest, from_rest
from layermotion.labels import MUSCLES, Structure, Task
from layermotion.measures.error import uncertainty
from layermotion.measures.medial_edge import measure_medial_edge
from layermotion.measures.slide import measure_slide
from layermotion.measures.thickness import measure_wall
from layermotion.measures.unseen import Unseen
from layermotion.network.segmenter import Segmenter
from layermotion.series.by_hand import settled
from layermotion.series.causes import Causes, causes_of
from layermotion.series.disputed import agreed_thickness
from layermotion.series.medial_edge import follow_medial_edge
from layermotion.series.series import Quantity, Series
from layermotion.series.slide import REFERENCE, slide_mm
from layermotion.series.thickness import thickness_series
from layermotion.series.whole_muscle import whole_thickness
from layermotion.series.withhold import withhold_jumps, withhold_lost

# Tissue counts as followed where its thickness is known in this share of the frames in which that
# at the site is (our choice).
MOSTLY_FOLLOWED = 0.8
WALL_METHOD = (
    "Thickness from inside edge to inside edge of the bright borders, perpendicular to the layer; "
    "mean over the frames of each window."
)
SLIDE_METHOD = (
    "Shift of the texture of the TrA along the muscle relative to that of the EO above it, against "
    "the rest before the effort (its course over time: against the first rest); turn of the probe "
    "is removed, and its shift moves both alike. Positive is {way}."
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


def measure_wall_clip(
    seen: Footage, segmenter: Segmenter, efforts: Efforts | None = None
) -> Analysis:
    """Thickness, slide and medial edge over time, and the measures of each effort.

    Parameters
    ----------
    efforts
        When they were, where that is settled.
    """
    clip, time_s, site_px = seen.clip, seen.time_s, seen.site_px
    fixed, smooth, disputes = _thickness(seen)
    thickness = settled(smooth, fixed, seen.by_hand)
    side = lateral_side(spread(seen.edges))
    slides = _slides(seen, side)
    tissue = _at_site(seen, thickness)
    if efforts is None:
        signals = _signals(seen, tissue, slides)
        efforts = efforts_in(signals, clip.task, breath_signal(thickness), SMALLEST_BREATH)
    moving = (
        *(from_rest(slide, efforts.windows) for slide in slides if slide.structure != REFERENCE),
        *seen.probe_shift,
    )
    medial_edge = None
    if clip.spacing and slides and site_px is not None:
        medial_edge = follow_medial_edge(
            seen.edges, seen.motions, time_s, frames_at_rest(efforts.windows, time_s.size), site_px,
            side, clip.spacing,
        )  # fmt: skip
        moving = (*moving, from_rest(medial_edge.quantity, efforts.windows))
    series = Series(clip.clip_id, time_s, (*thickness, *moving))
    method = " ".join([WALL_METHOD, *efforts.how_rest, seen.site_said]).strip()
    causes: Causes = {}
    if site_px is not None:
        causes = causes_of(seen.edges, site_px, seen.scale, fixed, thickness)
    unseen = Unseen(causes, clip.is_still, "" if site_px is not None else seen.site_words)
    found = _thickness(seen.as_found)[1] if seen.as_found else smooth
    placed = settled(smooth, fixed, seen.by_hand.edges_alone)
    error = uncertainty(segmenter, seen.grid, seen.scale, found, seen.by_hand, placed)
    # What a person settled is of the part that they chose.
    tissue = tuple(each for each in tissue if each.structure not in seen.by_hand.layers)
    measures = measure_wall(series, efforts.windows, seen.task, error, method, unseen, tissue)
    is_lateral_known = bool(side) or not slides
    way = "lateral" if is_lateral_known else "towards the right of the picture"
    measures += measure_slide(series, efforts.windows, seen.task, SLIDE_METHOD.format(way=way))
    if medial_edge:
        measures += measure_medial_edge(medial_edge, efforts.windows, seen.task)
    is_unstated = clip.is_still and clip.task is not Task.REST
    cautions = (
        *((ONE_STATE,) if is_unstated else ()),
        *(() if is_lateral_known else (LATERAL_UNKNOWN,)),
        *disputes,
    )
    return Analysis(
        seen, series, efforts, measures, site_px, cautions, medial_edge, is_lateral_known
    )


def _thickness(
    seen: Footage,
) -> tuple[tuple[Quantity, ...], tuple[Quantity, ...], tuple[str, ...]]:
    """Thickness of each layer, the same without jumps, and what a reader must know of it."""
    fixed, disputes = agreed_thickness(
        seen.edges, seen.again, seen.site_px, seen.scale, seen.grid, seen.by_hand.placed,
        seen.fat_px,
    )  # fmt: skip
    return fixed, tuple(withhold_jumps(each, seen.time_s, seen.scale) for each in fixed), disputes


def _slides(seen: Footage, side: int) -> tuple[Quantity, ...]:
    """Slide of each muscle, where motion can be told in mm.

    That of the EO, which is the reference of the others, only tells when an effort was.
    """
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
    seen = found.footage
    thickness = [q for q in found.series.quantities if q.name == "thickness"]
    slides = _slides(seen, lateral_side(spread(seen.edges)))
    return _signals(seen, _at_site(seen, thickness), slides)


def _signals(seen: Footage, tissue: Sequence[Quantity], slides: Sequence[Quantity]) -> Signals:
    """All that a clip shows of its efforts, from thickness of the tissue at the site and slides."""
    known = {f"thickness {q.structure}": share_of(q) for q in tissue if q.structure in MUSCLES}
    known["whole tra"] = share_of(whole_thickness(seen.edges, Structure.TRA))
    known |= {f"slide {q.structure}": q.value for q in slides}
    return Signals.of(seen.time_s, known | seen.shared_signals)


def _at_site(seen: Footage, thickness: Sequence[Quantity]) -> tuple[Quantity, ...]:
    """Thickness of each layer at the site, of the tissue that was there where it was followed.

    It tells when an effort was, and whether a fixed site shows one part of the muscle: what slides
    past it may thin while all of the muscle thickens.
    """
    moved = seen.motions.column_px
    followed = thickness_series(seen.edges, seen.site_px, seen.scale, moved)
    return tuple(
        moving if _known(moving) >= MOSTLY_FOLLOWED * _known(still) else still
        for moving, still in zip(followed, thickness, strict=True)
    )


def _known(quantity: Quantity) -> int:
    return int(np.count_nonzero(~np.isnan(quantity.value)))
