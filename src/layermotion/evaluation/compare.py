"""Owns the comparison of what was measured in a synthetic clip with its exact truth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.result import Analysis
from layermotion.edges.site import SLOPE_HALF_MM
from layermotion.labels import WALL_LAYERS, Structure, View, label_of
from layermotion.measures.measure import MEAN, Measure
from layermotion.series.series import Quantity
from layermotion_synthetic.clips import ClipPlan, ClipTruth
from layermotion_synthetic.display import Grey
from layermotion_synthetic.legible import can_be_measured
from layermotion_synthetic.motion import Motion
from layermotion_synthetic.pose import material_x, slide_mm
from layermotion_synthetic.truth import wall_thickness_mm


@dataclass(frozen=True)
class Comparison:
    """One measured number beside its truth.

    Parameters
    ----------
    name, structure, repeat, unit
        As in the measure, or ``frame`` for the value of a single frame.
    measured, true
        In ``unit``; ``measured`` is None where the value was withheld.
    low, high
        The measure's interval; None for a single frame.
    legible
        Whether a person could measure it, of a single frame; None where no one asked.
    confidence
        Of the value of a single frame, 0 to 1; else NaN.
    """

    name: str
    structure: str
    repeat: str
    unit: str
    measured: float | None
    true: float
    low: float | None
    high: float | None
    legible: bool | None = None
    confidence: float = float("nan")

    @property
    def error(self) -> float:
        """Measured minus true; NaN where withheld."""
        return float("nan") if self.measured is None else self.measured - self.true

    @property
    def is_inside(self) -> bool | None:
        """Whether the truth lies in the interval; None where there is none."""
        if self.low is None or self.high is None:
            return None
        return self.low <= self.true <= self.high


def site_x_mm(analysis: Analysis, plan: ClipPlan, truth: ClipTruth) -> float:
    """Lateral position of the column that was measured, mm in the truth's own axis."""
    if analysis.site_px is None:
        return float("nan")
    column = analysis.site_px - plan.area.left
    return float(np.interp(column, np.arange(truth.x_mm.size), truth.x_mm))


def compare_frames(
    analysis: Analysis,
    plan: ClipPlan,
    truth: ClipTruth,
    frames: Sequence[int],
    screens: Mapping[int, Grey] | None = None,
) -> list[Comparison]:
    """Compare single frames: thickness of each layer at the site, or base displacement.

    Base displacement is compared relative to the mean of the first rest window on both sides.

    Parameters
    ----------
    screens
        The frames as shown, from which to tell whether a person could measure them; None leaves
        that open.
    """
    x = site_x_mm(analysis, plan, truth)

    def legible(frame: int, structure: Structure) -> bool | None:
        if screens is None:
            return None
        image = screens[frame][plan.area.slices]
        edges_mm = truth.edges_mm[frame, label_of(structure) - 1]
        deep_only = structure is Structure.BLADDER
        return can_be_measured(image, edges_mm, plan.grid, x, deep_only=deep_only)

    result = []
    if analysis.view is View.BLADDER:
        quantity = analysis.series.get("base_displacement", Structure.BLADDER)
        if quantity is None:
            return []
        # Without a rest there is no displacement from it, so every value counts as withheld.
        rest = next((w.frames for w in analysis.efforts.windows if w.state == "rest"), None)
        zero = float(truth.base_displacement_mm[0 if rest is None else rest].mean())
        for i in frames:
            true = float(truth.base_displacement_mm[i]) - zero
            value = float("nan") if rest is None else float(quantity.value[i])
            seen = legible(i, Structure.BLADDER)
            result.append(_frame(quantity, value, true, seen, float(quantity.confidence[i])))
        return result
    for i in frames:
        true_mm = wall_thickness_mm(truth.edges_mm[i], truth.x_mm, x)
        for layer in WALL_LAYERS:
            quantity = analysis.series.get("thickness", layer)
            if quantity is not None and not np.isnan(true_mm[layer]):
                value, sure = float(quantity.value[i]), float(quantity.confidence[i])
                result.append(_frame(quantity, value, true_mm[layer], legible(i, layer), sure))
    return result


def _frame(
    quantity: Quantity, value: float, true: float, legible: bool | None, confidence: float
) -> Comparison:
    return Comparison(
        name=quantity.name,
        structure=quantity.structure,
        repeat="frame",
        unit="mm",
        measured=None if np.isnan(value) else value,
        true=true,
        low=None,
        high=None,
        legible=legible,
        confidence=confidence,
    )


def compare_measures(analysis: Analysis, plan: ClipPlan, truth: ClipTruth) -> list[Comparison]:
    """Compare every measure of single repeats with the truth over the same frames."""
    x = site_x_mm(analysis, plan, truth)
    result = []
    for measure in analysis.measures:
        if measure.repeat == MEAN or measure.value is None or measure.unit == "s":
            continue
        if measure.name == "medial_edge_displacement":
            rest, full = (
                float(medial_truth_mm(analysis, plan, truth, list(window)).mean())
                for window in _windows(measure)
            )
            true = full - rest
        elif measure.name == "slide":
            every = np.arange(truth.time_s.size)
            slide = slide_truth_mm(analysis, plan, truth, every)
            rest, full = (float(slide[list(window)].mean()) for window in _windows(measure))
            true = full - rest
        else:
            true = _true_value(measure, truth, x)
        if not np.isnan(true):
            result.append(_beside(measure, true))
    return result


def _beside(measure: Measure, true: float) -> Comparison:
    return Comparison(
        measure.name,
        measure.structure,
        measure.repeat,
        measure.unit,
        measure.value,
        true,
        measure.low,
        measure.high,
    )


def _windows(measure: Measure) -> list[range]:
    return [
        range(int(first), int(last) + 1)
        for first, last in (part.split("-") for part in measure.frames.split(";"))
    ]


def _true_value(measure: Measure, truth: ClipTruth, x_mm: float) -> float:
    windows = _windows(measure)
    if measure.structure == Structure.BLADDER:
        rest, full = (float(truth.base_displacement_mm[list(w)].mean()) for w in windows)
        return (rest - full) if measure.name == "lift_drop" else full - rest
    levels = [_true_thickness(truth, window, x_mm) for window in windows]
    own = [level[Structure(measure.structure)] for level in levels]
    if measure.name in ("thickness_rest", "thickness_contracted"):
        return own[0]
    rest_mm, full_mm = own
    if measure.name == "thickness_change":
        change = full_mm - rest_mm
        return change if measure.unit == "mm" else 100 * change / rest_mm
    if measure.name == "contraction_ratio":
        return full_mm / rest_mm
    muscles = (Structure.TRA, Structure.IO, Structure.EO)
    shares = [level[Structure.TRA] / sum(level[m] for m in muscles) for level in levels]
    return shares[1] - shares[0]


def _true_thickness(truth: ClipTruth, frames: range, x_mm: float) -> dict[Structure, float]:
    """Mean over at most ten frames of a window, evenly spread."""
    chosen = np.unique(np.linspace(frames[0], frames[-1], 10).round().astype(int))
    each = [wall_thickness_mm(truth.edges_mm[i], truth.x_mm, x_mm) for i in chosen]
    return {layer: float(np.mean([values[layer] for values in each])) for layer in WALL_LAYERS}


def slide_truth_mm(
    analysis: Analysis, plan: ClipPlan, truth: ClipTruth, shown: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Slide along the TrA relative to the EO of what was at the site in the key frame.

    That is the first frame for which the analysis gives a slide, else the first of all. Zero is the
    mean over the frames with a slide of the first rest, or the key frame where it has none.

    Parameters
    ----------
    shown
        Index of the pose that each frame of the clip shows.

    Returns
    -------
    ndarray
        Shape (frames,), mm, in the direction in which the analysis counts.
    """
    stack, poses = plan.scene.stack, [plan.motion.poses[i] for i in shown]
    site = site_x_mm(analysis, plan, truth)
    given = analysis.series.get("slide", Structure.TRA)
    known = np.zeros(0) if given is None else np.flatnonzero(~np.isnan(given.value))
    key = int(known[0]) if known.size else 0
    world = np.array([(-site if plan.scene.mirrored else site) + poses[key].probe_lateral_mm])
    moved = []
    for layer in (Structure.TRA, Structure.EO):
        k = stack.index(layer)
        rest_x = float(material_x(poses[key], k, world)[0])
        moved.append(np.array([slide_mm(pose, k, rest_x) for pose in poses]))
    across = moved[0] - moved[1]
    middle = truth.edges_mm[key, label_of(Structure.TRA) - 1].mean(axis=0)
    ends = np.interp([site - SLOPE_HALF_MM, site + SLOPE_HALF_MM], truth.x_mm, middle)
    slope = float(ends[1] - ends[0]) / (2 * SLOPE_HALF_MM)
    side = -1 if plan.scene.mirrored and not analysis.is_lateral_known else 1
    rest = next((w for w in analysis.efforts.windows if w.state == "rest"), None)
    at_rest = [int(i) for i in known if rest and rest.first <= i <= rest.last] or [key]
    return np.asarray(side * (across - across[at_rest].mean()) * np.hypot(1, slope))


def medial_truth_mm(
    analysis: Analysis, plan: ClipPlan, truth: ClipTruth, shown: Sequence[int]
) -> NDArray[np.float64]:
    """Displacement of the TrA where its medial end was seen, probe motion apart.

    The thin tip itself lies some millimetres medially of what can be seen, and moves a little more.

    Parameters
    ----------
    shown
        Index of the pose that each frame wanted shows.

    Returns
    -------
    ndarray
        Same length, mm, positive lateral; NaN where the end was not seen.
    """
    edge = analysis.medial_edge
    if edge is None or edge.reason:
        return np.full(len(shown), np.nan)
    first = int(np.flatnonzero(~np.isnan(edge.column_px))[0])
    column = edge.column_px[first] - plan.area.left
    place = float(np.interp(column, np.arange(truth.x_mm.size), truth.x_mm))
    stack, poses = plan.scene.stack, plan.motion.poses
    k = stack.index(Structure.TRA)
    world = (-place if plan.scene.mirrored else place) + poses[first].probe_lateral_mm
    rest_x = float(material_x(poses[first], k, np.array([world]))[0])
    return np.array([slide_mm(poses[i], k, rest_x) for i in shown])


def compare_timing(analysis: Analysis, motion: Motion) -> list[Comparison]:
    """Compare when each effort began, and how long its parts took, where all were found."""
    timed = [m for m in analysis.measures if m.unit == "s" and m.repeat != MEAN]
    found = {measure.repeat for measure in timed}
    if len(found) != len(motion.repeats):
        return []
    result = []
    for measure in timed:
        effort = motion.repeats[int(measure.repeat) - 1]
        true = {
            "onset_time": effort.onset_s,
            "rise_time": effort.full_s - effort.onset_s,
            "hold_time": effort.release_s - effort.full_s,
            "return_time": effort.end_s - effort.release_s,
        }[measure.name]
        result.append(_beside(measure, true))
    return result
