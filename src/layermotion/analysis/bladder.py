"""Owns how a clip of the bladder is measured: from edges and motion to its outcome."""

from collections.abc import Iterator, Sequence

import numpy as np

from layermotion.analysis.footage import Footage
from layermotion.analysis.result import Analysis
from layermotion.efforts.breathing import SMALLEST_BREATH_MM
from layermotion.efforts.channels import Signals
from layermotion.efforts.efforts import Efforts, efforts_in
from layermotion.efforts.windows import from_rest
from layermotion.labels import Task
from layermotion.measures.bladder import UNSEEN_BASE, measure_bladder
from layermotion.measures.error import uncertainty
from layermotion.measures.measure import MEAN, Measure
from layermotion.network.segmenter import Segmenter
from layermotion.series.base import base_series
from layermotion.series.probe import Settle, without_probe
from layermotion.series.series import Quantity, Series
from layermotion.series.withhold import BASE_SCATTER_MM, LONGEST_STEP_S, withhold_noise

# Height of the picture that counts as a millimetre without a calibration, as a share of it (our
# choice: a picture of 12 cm).
MM_SHARE = 1 / 120
BLADDER_METHOD = (
    "Depth of the bladder's deep wall where it moves most, relative to the rest before the effort, "
    "mean over the frames of each window; motion of the tissue near the probe is removed. "
    "Positive is a lift towards the probe."
)
# Tasks in which the base descends or stays: words for a recording of each (without a lift
# beforehand, after which it may well stay above rest).
DESCENDING = {Task.COUGH: "a cough", Task.CURL_UP: "a curl-up", Task.STRAIN: "a strain"}
# Tasks that begin with a lift: words for what follows it.
WITH_LIFT = {Task.COUGH_PRELIFT: "a cough", Task.CURL_UP_PRELIFT: "a curl-up"}
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
    base, _ = base_series(seen.edges, seen.scale, seen.time_s, settle)
    return _signals(seen, base, settle, unit)


def _signals(seen: Footage, base: Quantity, settle: Settle | None, unit: float) -> Signals:
    """All that a clip shows of its efforts, from the displacement of the base over time.

    Where the base is hidden, the wall beside it may tell when.
    """
    beside, _ = base_series(seen.edges, seen.scale, seen.time_s, settle, even_hidden=True)
    known = {"base": base.value / unit, "base beside": beside.value / unit}
    return Signals.of(seen.time_s, known | seen.shared_signals)


def measure_bladder_clip(
    seen: Footage, segmenter: Segmenter, efforts: Efforts | None = None
) -> Analysis:
    """Displacement of the base over time, and the measures of each effort.

    Parameters
    ----------
    efforts
        When they were, where that is settled.
    """
    clip, time_s, scale, edges = seen.clip, seen.time_s, seen.scale, seen.edges
    settle, unit = _reference(seen)
    base, base_px = base_series(edges, scale, time_s, settle)
    found = base_series(seen.as_found.edges, scale, time_s, settle)[0] if seen.as_found else base
    is_seen = bool(np.isfinite(base.value).any())
    raw = base
    if time_s.size > 1 and np.median(np.diff(time_s)) <= LONGEST_STEP_S:
        base = withhold_noise(base, BASE_SCATTER_MM * unit)
        found = withhold_noise(found, BASE_SCATTER_MM * unit)
    if efforts is None:
        signals = _signals(seen, raw, settle, unit)
        efforts = efforts_in(signals, clip.task, base.value, SMALLEST_BREATH_MM * unit)
    base = from_rest(base, efforts.windows)
    series = Series(clip.clip_id, time_s, (base, *seen.probe_shift))
    error = uncertainty(segmenter, seen.grid, scale, (found,), seen.by_hand, (base,))
    method = " ".join([BLADDER_METHOD, *efforts.how_rest])
    unseen = SHAKING if is_seen and np.isnan(base.value).all() else UNSEEN_BASE
    measures = measure_bladder(
        series, efforts.windows, seen.task, error, method, unseen, is_still=clip.is_still
    )
    cautions = () if settle or clip.is_still else (PUSH_UNKNOWN,)
    said = _against_the_task(clip.task, measures, is_still=clip.is_still)
    return Analysis(seen, series, efforts, measures, base_px, (*cautions, *said))


def _reference(seen: Footage) -> tuple[Settle | None, float]:
    """Give what takes the motion of the probe out of the base, and the unit of a millimetre."""
    clip = seen.clip
    settle = None if clip.is_still else without_probe(seen.motions, clip.spacing, clip.area)
    unit = 1.0 if clip.spacing else MM_SHARE * clip.area.height
    return settle, unit


def _against_the_task(
    task: Task | None, measures: Sequence[Measure], *, is_still: bool
) -> Iterator[str]:
    """Say what does not go with the task: a base that went the other way, or no lift before it."""
    each = [m for m in measures if m.repeat != MEAN]
    lifts = [m for m in each if m.name == "lift_before"]
    lowered = sum(m.high is not None and m.high < 0 for m in lifts)
    if lowered:
        yield (
            f"Before {lowered} of {len(lifts)} efforts the bladder base was lowered where a lift "
            f"was held; check in the video whether the pelvic floor was lifted or pushed down."
        )
    shown = [m for m in each if m.name == "base_displacement" and m.value is not None]
    unlifted = {m.repeat for m in shown} - {m.repeat for m in lifts}
    if task in WITH_LIFT and not is_still and unlifted:
        yield (
            f"No lift of the bladder base is seen before {len(unlifted)} of {len(shown)} efforts "
            f"of what was stated to be {WITH_LIFT[task]} with a lift beforehand; check in the "
            f"video whether the pelvic floor was lifted, and state the task without it if not."
        )
    if task not in DESCENDING:
        return
    efforts = sum(m.name == "base_displacement" for m in each)
    for name, moved in (("base_displacement", ""), ("lift_before", " before it descended")):
        lifted = sum(m.name == name and m.low is not None and m.low > 0 for m in each)
        if lifted:
            yield (
                f"The bladder base was lifted{moved} in {lifted} of {efforts} efforts of what was "
                f"stated to be {DESCENDING[task]}, in which it descends as a rule; check in the "
                f"video what was done, and state that task."
            )
