"""Owns the way from a clip to its measures: one pass over the frames, nothing written."""

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import chain, islice

import numpy as np

from layermotion.bladder import base_series, measure_bladder
from layermotion.boundaries import Boundaries, no_boundaries
from layermotion.breathing import (
    SMALLEST_BREATH,
    SMALLEST_BREATH_MM,
    breath_signal,
    take_rest,
)
from layermotion.clip import Clip
from layermotion.continuity import (
    BASE_SCATTER_MM,
    LONGEST_STEP_S,
    SLIDE_SCATTER_MM,
    withhold_jumps,
    withhold_noise,
)
from layermotion.counting import LONGEST_GAP_COUGH_S, LONGEST_GAP_S, Count
from layermotion.errors import MeasurementError, WeightsError
from layermotion.events import Course, Window, find_windows, time_efforts
from layermotion.evidence import (
    Evidence,
    better_seen,
    clearest,
    evidence_of,
    first_sure,
    without_slow,
)
from layermotion.excursions import Direction
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure, Task, View
from layermotion.lateral import lateral_side
from layermotion.looking import (
    LEAST_RECOGNISED,
    LEAST_STATED,
    NOT_RECOGNISED,
    Edges,
    Look,
    decide_view,
    edges_in,
    look_at,
    ordered_map,
)
from layermotion.measures import Measure, Uncertainty
from layermotion.medial import MedialEdge, follow_medial_edge, measure_medial_edge
from layermotion.motion import (
    UNSEEN,
    MotionTracker,
    TissueMotion,
    probe_shift,
    slide_mm,
    without_probe,
)
from layermotion.movement import measure_slide, measure_timing
from layermotion.recording import Recording
from layermotion.second_look import EVERY, agreed_thickness, look_again
from layermotion.segment import ModelGrid, Segmenter
from layermotion.series import Quantity, Scale, Series, thickness_series
from layermotion.site import Site
from layermotion.wall import UNSEEN_LAYER, measure_wall
from layermotion.whole import whole_thickness

# Frames looked at before the view and the site are settled (our choice: under half a second).
FIRST_LOOK = 12
# Frames over the whole clip from which the site is placed when the first show none (our choice).
LATE_LOOK = 50
# Excursions of the bladder base below this are never an effort, mm, or as a share of the picture's
# height without a calibration (our choice).
SMALLEST_LIFT_MM, SMALLEST_LIFT_SHARE = 1.2, 0.01
# Excursions of it up to this are breathing where they have the course of a breath, mm (our choice).
LARGEST_BREATH_MM = 4.0

COUGHS = (Task.COUGH, Task.COUGH_PRELIFT)
# Tasks in which the descent is asked for, even after a voluntary lift.
DESCENTS = (*COUGHS, Task.CURL_UP, Task.CURL_UP_PRELIFT, Task.STRAIN)

WALL_METHOD = (
    "Thickness from inside edge to inside edge of the bright borders, perpendicular to the layer; "
    "mean over the frames of each window."
)
BLADDER_METHOD = (
    "Depth of the bladder's deep wall where it moves most, relative to the rest before the effort, "
    "mean over the frames of each window; motion of the tissue near the probe is removed. "
    "Positive is a lift towards the probe."
)
SLIDE_METHOD = (
    "Shift of the texture of the TrA along the muscle relative to that of the EO above it, against "
    "the rest before the effort (its course over time: against the first rest); turn of the probe "
    "is removed, and its shift moves both alike."
)
TIMING_METHOD = (
    "From the course of the structure's thickness, slide or displacement, whichever shows the "
    "efforts most clearly: each rise and return is fitted by half a cosine between straight lines "
    "for rest and hold, whose ends are the times."
)
PUSH_UNKNOWN = (
    "The tissue near the probe could not be followed, so motion of the probe is still part of the "
    "displacement of the bladder base."
)
LATERAL_UNKNOWN = (
    "The medial end of the TrA is not in view, so lateral is unknown: slide is positive towards "
    "the right of the picture."
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
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    times: list[float] = []
    motions: list[TissueMotion] = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        frames = clip.frames()
        # Frames that show neither view, such as a black lead-in, are passed over.
        while True:
            first = list(
                pool.map(lambda f: look_at(f, segmenter, grid), islice(frames, FIRST_LOOK))
            )
            if not first:
                what = NOT_RECOGNISED if times else "it holds no frames; export the clip again."
                raise MeasurementError(f"{clip.source_name}: {what}")
            view, view_reason = decide_view(clip, np.array([look.view for look in first]))
            if view:
                break
            for look in first:
                times.append(look.frame.time_s)
                recording.append(no_boundaries(grid))
                motions.append(UNSEEN)
        least = LEAST_STATED if clip.view else LEAST_RECOGNISED

        def edges_of(look: Look) -> Edges:
            edges = edges_in(look, grid, view, least)
            is_due = view is View.ABDOMINAL_WALL and look.frame.index % EVERY == 0
            again = is_due and edges.confidence.any()
            other = look_again(look.frame, segmenter, grid, clip.spacing) if again else None
            return Edges(look.frame, edges, other)

        start = [edges_of(look) for look in first]
        del first
        start_edges = [one.edges for one in start]
        site_px, site_words = (
            site.place(start_edges, clip) if view is View.ABDOMINAL_WALL else (None, "")
        )
        tracker = MotionTracker(clip.spacing, clip.area, view, site_px)
        is_tracking = False
        looked_again: dict[int, Boundaries] = {}
        rest = ordered_map(pool, lambda f: edges_of(look_at(f, segmenter, grid)), frames)
        for frame, edges, again in chain(start, rest):
            if again is not None:
                looked_again[len(recording)] = again
            times.append(frame.time_s)
            recording.append(edges)
            # Tracking starts on tissue, not on a dark frame before it.
            is_tracking = is_tracking or bool(edges.confidence.any())
            motions.append(tracker.update(frame.pixels, edges) if is_tracking else UNSEEN)
    time_s = np.array(times)
    task = str(clip.task) if clip.task else "unstated"
    scale = Scale.of(clip.spacing, clip.area.width)
    always_rest = clip.task is Task.REST or clip.is_still
    is_asked = clip.task is not None
    medial_edge: MedialEdge | None = None
    if view is View.ABDOMINAL_WALL:
        if site_px is None:
            site_px, site_words = site.place(_spread(recording), clip)
        thickness, disputes = agreed_thickness(recording, looked_again, site_px, scale, grid)
        thickness = tuple(withhold_jumps(quantity, time_s, scale) for quantity in thickness)
        moved = np.array([[shift.column_px for shift in motion.layers] for motion in motions])
        followed = thickness_series(recording, site_px, scale, moved)
        side = lateral_side(_spread(recording))
        moving, cautions = _motion_quantities(clip, view, motions, side)
        cautions = (*cautions, *disputes)
        at_site = better_seen(followed, thickness)
        effort, count = clearest(evidence_of(at_site, moving), time_s, is_asked=is_asked)
        if count.doubt and is_asked:
            # A shadow may hide the site; what settles nothing changes nothing. Only the TrA tells:
            # the others may thin in an effort, so that their rest looks like one.
            whole = whole_thickness(recording, Structure.TRA)
            other = clearest(evidence_of((*at_site, whole), moving), time_s, is_asked=True)
            effort, count = (effort, count) if other[1].doubt else other
        windows = find_windows(
            effort.value,
            time_s,
            effort.smallest,
            direction=effort.direction,
            always_rest=always_rest or not count.number,
            largest_breath=effort.largest_breath,
        )
        courses = time_efforts(effort.value, time_s, windows)
        windows, how_rest = take_rest(
            breath_signal(thickness), time_s, windows, courses, SMALLEST_BREATH
        )
        moving = tuple(_from_rest(q, windows) if q.name == "slide" else q for q in moving)
        if clip.spacing and moving and site_px is not None:
            medial_edge = follow_medial_edge(
                recording, motions, windows, site_px, side, clip.spacing, clip.area
            )
            moving = (*moving, _from_rest(medial_edge.quantity, windows))
        series = Series(clip.clip_id, time_s, (*thickness, *moving))
        method = " ".join([WALL_METHOD, *how_rest, *([site_words] if site_px is not None else [])])
        unseen = UNSEEN_LAYER if site_px is not None else site_words
        error = uncertainty(segmenter, grid, series)
        measures = measure_wall(series, windows, task, error, method, unseen)
        measures += measure_slide(series, windows, task, SLIDE_METHOD)
        if medial_edge:
            measures += measure_medial_edge(medial_edge, windows, task)
    else:
        settle = None if clip.is_still else without_probe(motions, clip.spacing, clip.area)
        push_cautions = () if settle or clip.is_still else (PUSH_UNKNOWN,)
        unit = 1.0 if clip.spacing else SMALLEST_LIFT_SHARE * clip.area.height / SMALLEST_LIFT_MM
        base, site_px = base_series(recording, scale, time_s, settle)
        if time_s.size > 1 and np.median(np.diff(time_s)) <= LONGEST_STEP_S:
            base = withhold_noise(base, BASE_SCATTER_MM * unit)
        falls = clip.task in DESCENTS
        direction = Direction.MOSTLY_FALLS if falls else Direction.EITHER

        def evidence(moved: Quantity) -> tuple[Evidence, ...]:
            limits = (SMALLEST_LIFT_MM * unit, LARGEST_BREATH_MM * unit, direction)
            own = Evidence(Structure.BLADDER, moved.value, *limits)
            return (own, without_slow(own, time_s)) if clip.task is Task.COUGH else (own,)

        longest_gap_s = LONGEST_GAP_COUGH_S if clip.task in COUGHS else LONGEST_GAP_S
        effort, count = first_sure(evidence(base), time_s, longest_gap_s, is_asked=is_asked)
        if count.doubt:
            wall, _ = base_series(recording, scale, time_s, settle, even_hidden=True)
            both = (*evidence(base), *evidence(wall))
            effort, count = first_sure(both, time_s, longest_gap_s, is_asked=is_asked)
        windows = find_windows(
            effort.value,
            time_s,
            effort.smallest,
            direction=direction,
            always_rest=always_rest or not count.number,
            largest_breath=effort.largest_breath,
        )
        courses = time_efforts(effort.value, time_s, windows)
        smallest = SMALLEST_BREATH_MM * unit
        windows, how_rest = take_rest(base.value, time_s, windows, courses, smallest)
        moving, cautions = _motion_quantities(clip, view, motions, 0)
        cautions = (*cautions, *push_cautions)
        series = Series(clip.clip_id, time_s, (_from_rest(base, windows), *moving))
        error = uncertainty(segmenter, grid, series)
        method = " ".join([BLADDER_METHOD, *how_rest])
        measures = measure_bladder(series, windows, task, error, method)
    measures += measure_timing(courses, windows, effort.structure, task, TIMING_METHOD)
    count = Count(0) if always_rest else count
    cautions = (*cautions, *count.caution, *_range_cautions(segmenter, grid))
    return Analysis(
        clip=clip,
        view=view,
        view_reason=view_reason,
        series=series,
        windows=windows,
        measures=measures,
        site_px=site_px,
        cautions=cautions,
        count=count,
        courses=courses,
        motions=tuple(motions),
        medial_edge=medial_edge,
    )


def _spread(recording: Recording) -> list[Boundaries]:
    """At most ``LATE_LOOK`` frames in which a layer is seen, evenly spread over the clip."""
    chosen = np.unique(np.linspace(0, len(recording) - 1, LATE_LOOK).astype(int))
    looked = (recording[int(index)] for index in chosen)
    return [edges for edges in looked if edges.confidence.any()]


def check_judged(segmenter: Segmenter) -> None:
    """Refuse weights whose error is not known, before any frame is looked at."""
    if not segmenter.errors_px:
        raise WeightsError(
            f"The error of the weights {segmenter.name} is not known yet, so no interval can be "
            f"given; run: python scripts/evaluate.py --calibrate."
        )


def uncertainty(segmenter: Segmenter, grid: ModelGrid, series: Series) -> Uncertainty:
    """Errors to expect in this clip, in the unit of its series.

    Those found for the weights at the median confidence of each structure in the clip.
    """
    unit = grid.row_size

    def error(measure: str, quantity: str, structure: Structure) -> float:
        return unit * segmenter.error_px(measure, clip_confidence(series.get(quantity, structure)))

    return Uncertainty(
        thickness={k: error(f"thickness_{k}", "thickness", k) for k in WALL_LAYERS},
        change={k: error(f"change_{k}", "thickness", k) for k in MUSCLES},
        base=error("base_displacement", "base_displacement", Structure.BLADDER),
    )


def clip_confidence(quantity: Quantity | None) -> float:
    """Median confidence over the frames that have a value; 1 where there is none to judge."""
    sure = quantity.confidence[quantity.confidence > 0] if quantity else np.zeros(0)
    return float(np.median(sure)) if sure.size else 1.0


def _from_rest(moved: Quantity, windows: tuple[Window, ...]) -> Quantity:
    """Shift a displacement so that the first rest window is its zero, as far as it was seen."""
    rest = [moved.value[window.frames] for window in windows if window.state == "rest"][:1]
    known = [values[~np.isnan(values)] for values in rest]
    zero = float(known[0].mean()) if known and known[0].size else 0.0
    return replace(moved, value=moved.value - zero, confidence=moved.confidence.copy())


def _motion_quantities(
    clip: Clip, view: View, motions: list[TissueMotion], side: int
) -> tuple[tuple[Quantity, ...], tuple[str, ...]]:
    """Slide and probe shift as quantities, with what a reader must know of them."""
    if clip.spacing is None or clip.is_still:
        return (), ()
    shift = probe_shift(motions, clip.spacing)
    quantities = [
        Quantity("probe_shift", "image", "mm", shift.magnitude_mm, shift.confidence.copy())
    ]
    cautions: tuple[str, ...] = ()
    if view is View.ABDOMINAL_WALL:
        for layer in reversed(MUSCLES):
            value, confidence = slide_mm(motions, clip.spacing, side or 1, layer)
            slide = Quantity("slide", layer, "mm", value, confidence)
            slide = withhold_noise(slide, SLIDE_SCATTER_MM)
            quantities.insert(0, slide)
        if not side:
            cautions = (LATERAL_UNKNOWN,)
    return tuple(quantities), cautions


def _range_cautions(segmenter: Segmenter, grid: ModelGrid) -> tuple[str, ...]:
    low, high = segmenter.spacing_range_mm
    if grid.mm_per_pixel is None or low <= grid.mm_per_pixel <= high:
        return ()
    return (
        f"The picture's scale ({grid.mm_per_pixel:.3f} mm per model pixel) lies outside what the "
        f"weights were trained on ({low:.3f} to {high:.3f}); errors may be larger than stated.",
    )
