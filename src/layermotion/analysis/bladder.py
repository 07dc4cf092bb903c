"""Owns how a clip of the bladder is measured: from edges and motion to its outcome."""

import math
from collections.abc import Sequence

import numpy as np

from layermotion.analysis.footage import Footage
from layermotion.analysis.result import Analysis
from layermotion.efforts.breathing import SMALLEST_BREATH_MM
from layermotion.efforts.channels import Signals
from layermotion.efforts.count import LONGEST_GAP_COUGH_S, LONGEST_GAP_S
from layermotion.efforts.doubt import backed_by, count_in_shape
from layermotion.efforts.efforts import efforts_in
from layermotion.efforts.excursions import Direction
from layermotion.efforts.signals import Evidence, first_sure, without_slow
from layermotion.efforts.windows import from_rest
from layermotion.labels import Structure, Task
from layermotion.measures.bladder import UNSEEN_BASE, measure_bladder
from layermotion.measures.error import uncertainty
from layermotion.measures.measure import MEAN, Measure
from layermotion.network.segmenter import Segmenter
from layermotion.series.base import base_series
from layermotion.series.probe import Settle, without_probe
from layermotion.series.series import Quantity, Series
from layermotion.series.withhold import BASE_SCATTER_MM, LONGEST_STEP_S, withhold_noise

# Excursions of the bladder base below this are never an effort, mm, or as a share of the picture's
# height without a calibration (our choice).
SMALLEST_LIFT_MM, SMALLEST_LIFT_SHARE = 1.2, 0.01
# Excursions of it up to this are breathing where they have the course of a breath, mm (our choice).
LARGEST_BREATH_MM = 4.0

COUGHS = (Task.COUGH, Task.COUGH_PRELIFT)
# Tasks in which a lift goes before the descent: held, it has the course of a breath out.
PRELIFTS = (Task.COUGH_PRELIFT, Task.CURL_UP_PRELIFT)
# Tasks in which the descent is asked for, even after a voluntary lift.
DESCENTS = (*COUGHS, Task.CURL_UP, Task.CURL_UP_PRELIFT, Task.STRAIN)

BLADDER_METHOD = (
    "Depth of the bladder's deep wall where it moves most, relative to the rest before the effort, "
    "mean over the frames of each window; motion of the tissue near the probe is removed. "
    "Positive is a lift towards the probe."
)
# Tasks in which the base descends or stays: words for a recording of each (without a lift
# beforehand, after which it may well stay above rest).
DESCENDING = {Task.COUGH: "a cough", Task.CURL_UP: "a curl-up", Task.STRAIN: "a strain"}
PUSH_UNKNOWN = (
    "The tissue near the probe could not be followed, so motion of the probe is still part of the "
    "displacement of the bladder base; compare the frames by eye."
)
SHAKING = (
    "The edge of the bladder base shook from frame to frame, as noise does and no tissue; record "
    "again with a clearer edge (gain, fuller bladder)."
)


def signals_of_bladder(seen: Footage) -> Signals:
    """All that a clip of the bladder shows of its efforts."""
    settle, unit = _reference(seen)
    base, beside = (
        base_series(seen.edges, seen.scale, seen.time_s, settle, even_hidden=even)[0].value / unit
        for even in (False, True)
    )
    return Signals.of(seen.time_s, {"base": base, "base beside": beside, **seen.shared_signals})


def measure_bladder_clip(seen: Footage, segmenter: Segmenter) -> Analysis:
    """Displacement of the base over time, and the measures of each effort."""
    clip, time_s, scale, edges = seen.clip, seen.time_s, seen.scale, seen.edges
    settle, unit = _reference(seen)
    base, base_px = base_series(edges, scale, time_s, settle)
    is_seen = bool(np.isfinite(base.value).any())
    if time_s.size > 1 and np.median(np.diff(time_s)) <= LONGEST_STEP_S:
        base = withhold_noise(base, BASE_SCATTER_MM * unit)
    direction = Direction.MOSTLY_FALLS if clip.task in DESCENTS else Direction.EITHER

    def evidence(moved: Quantity) -> tuple[Evidence, ...]:
        limits = (SMALLEST_LIFT_MM * unit, LARGEST_BREATH_MM * unit, direction)
        whole = Evidence(Structure.BLADDER, moved.value, *limits)
        return (whole, without_slow(whole, time_s)) if clip.task is Task.COUGH else (whole,)

    longest_gap_s = LONGEST_GAP_COUGH_S if clip.task in COUGHS else LONGEST_GAP_S
    counted = first_sure(evidence(base), time_s, longest_gap_s, is_asked=seen.is_asked)
    if counted[1].doubt and seen.is_asked:
        # Where the base is hidden, the wall beside it may tell when; alone it is no sure sign.
        wall, _ = base_series(edges, scale, time_s, settle, even_hidden=True)
        shown = first_sure(evidence(wall), time_s, longest_gap_s, is_asked=True)
        if shown[1].doubt and not counted[1].number:
            shape = count_in_shape(edges, seen.view, clip.area.height, time_s, is_alone=True)
            shown = shown if shown[1].number and shape[1].doubt else shape
        counted = backed_by(shown, counted, time_s)
    effort, count = counted
    smallest_breath = math.inf if clip.task in PRELIFTS else SMALLEST_BREATH_MM * unit
    efforts = efforts_in(effort, count, time_s, base.value, smallest_breath, is_rest=seen.is_rest)
    base = from_rest(base, efforts.windows)
    series = Series(clip.clip_id, time_s, (base, *seen.probe_shift))
    error = uncertainty(segmenter, seen.grid, series)
    method = " ".join([BLADDER_METHOD, *efforts.how_rest])
    unseen = SHAKING if is_seen and np.isnan(base.value).all() else UNSEEN_BASE
    measures = measure_bladder(
        series, efforts.windows, seen.task, error, method, unseen, is_still=clip.is_still
    )
    cautions = () if settle or clip.is_still else (PUSH_UNKNOWN,)
    said = _against_the_task(clip.task, measures)
    return Analysis(seen, series, efforts, measures, base_px, (*cautions, *said))


def _reference(seen: Footage) -> tuple[Settle | None, float]:
    """Give what takes the motion of the probe out of the base, and the unit of a millimetre."""
    clip = seen.clip
    settle = None if clip.is_still else without_probe(seen.motions, clip.spacing, clip.area)
    unit = 1.0 if clip.spacing else SMALLEST_LIFT_SHARE * clip.area.height / SMALLEST_LIFT_MM
    return settle, unit


def _against_the_task(task: Task | None, measures: Sequence[Measure]) -> tuple[str, ...]:
    """Say that the base was lifted where the task makes it descend."""
    lifted = [m.low is not None and m.low > 0 for m in measures if m.repeat != MEAN]
    if task not in DESCENDING or not any(lifted):
        return ()
    return (
        f"The bladder base was lifted in {sum(lifted)} of {len(lifted)} efforts of what was stated "
        f"to be {DESCENDING[task]}, in which it descends as a rule; check in the video what was "
        f"done, and state that task.",
    )
