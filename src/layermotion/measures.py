"""Owns measures: rest, contraction and change, each with an interval, from a series."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from layermotion.events import Window
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure
from layermotion.series import Quantity, Series

# Normal quantile of a 95 % interval.
Z95 = 1.959964
# 97.5 % quantiles of Student's t for 1, 2, ... degrees of freedom (any table of the distribution);
# with few repeats the normal quantile would be far too sure.
T975 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
# Fewer frames than this with a value make a window unusable (our choice).
FEWEST_SHARE = 0.5
RELATIVE = ("%", "ratio")
UNSEEN_LAYER = "The layer could not be seen clearly and steadily enough at the site."
UNSEEN_BASE = "The bladder base could not be seen clearly enough in these frames."
NO_EFFORT = "No effort was found in the clip."
NO_EFFORT_SEEN = (
    "No effort was found in the frames in which the bladder base could be seen, and it was hidden "
    "or out of the picture in others; record the effort again with the whole bladder in view."
)
# With this share of the frames unseen an effort may have been there (our choice).
MUCH_UNSEEN = 0.15
# In and out motion of the probe up to this was seen to bring no error, mm (Whittaker 2012, thesis,
# University of Southampton, eprints.soton.ac.uk/340445).
PROBE_LIMIT_MM = 8.0
PROBE_MOVED = (
    f"The probe moved by more than {PROBE_LIMIT_MM:g} mm, which cannot be told apart from the "
    f"bladder base safely; record the effort again with a steady probe."
)
PROBE_LOST = (
    "The tissue near the probe could not be followed, so motion of the probe cannot be told from "
    "that of the bladder base; compare the frames by eye."
)
UNCALIBRATED = (
    "The clip has no calibration, so no length can be given; state the pixel size with "
    "--mm-per-pixel or the depth of view with --depth-mm."
)


class Status(StrEnum):
    """How far a measure has come; only a clinician sets the last two."""

    DRAFT = "draft"
    NEEDS_MANUAL = "needs_manual"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"


@dataclass(frozen=True)
class Measure:
    """One number of the record.

    Parameters
    ----------
    name
        ``thickness_rest``, ``thickness_contracted``, ``thickness_change``,
        ``contraction_ratio``, ``preferential_activation_ratio``, ``slide``,
        ``base_displacement``, ``onset_time``, ``rise_time``, ``hold_time`` or ``return_time``.
    structure
        ``fat``, ``eo``, ``io``, ``tra`` or ``bladder``.
    task
        The task in force, or ``unstated``.
    repeat
        ``1``, ``2``, ... or ``mean``.
    value, low, high
        The value and its 95 % interval in ``unit``; None where it needs a person.
    unit
        ``mm``, ``%``, ``ratio`` or ``s``.
    status, reason
        ``draft`` with an empty reason, or ``needs_manual`` with a sentence.
    frames
        Frames used, ``first-last`` ranges as text, such as ``0-14;62-80``.
    method
        One sentence on how it was computed.
    """

    name: str
    structure: str
    task: str
    repeat: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    status: Status
    reason: str
    frames: str
    method: str


@dataclass(frozen=True)
class Uncertainty:
    """Standard deviation of the measuring error, in the unit of the series.

    Found on synthetic clips with known truth by ``scripts/evaluate.py`` and stored with the
    weights in model pixels.

    Parameters
    ----------
    thickness
        Of a thickness, for each wall layer.
    change
        Of a change of thickness, for each muscle.
    base
        Of a displacement of the bladder base.
    """

    thickness: Mapping[Structure, float]
    change: Mapping[Structure, float]
    base: float


@dataclass(frozen=True)
class Level:
    """Mean of a quantity over a window, with the spread of that mean."""

    value: float
    spread: float
    window: Window


def measure_wall(
    series: Series,
    windows: Sequence[Window],
    task: str,
    error: Uncertainty,
    method: str,
    unseen: str = UNSEEN_LAYER,
) -> tuple[Measure, ...]:
    """Thickness at rest and contracted, change, contraction ratio and TrA preference.

    Per cent change = 100 (contracted - rest) / rest and contraction ratio = contracted / rest
    (Saliba et al. 2010, PMC2953390; Koppenhaver et al. 2009, PubMed 19648721). TrA preferential
    activation ratio = TrA / (TrA + IO + EO) contracted minus the same at rest (Teyhen et al.
    2005, J Orthop Sports Phys Ther 35(6), formula quoted from memory).

    Parameters
    ----------
    unseen
        Reason given where a layer has no value.
    """
    measures: list[Measure] = []
    for layer in WALL_LAYERS:
        quantity = series.get("thickness", layer)
        if quantity is None:
            continue
        kind = Kind(layer, task, method, quantity.unit, unseen)
        if not windows:
            measures.append(kind.missing("thickness_rest", 1, "mm", unseen))
        for repeat in repeats_in(windows):
            measures += _thickness_measures(kind, repeat, quantity, windows, error)
    measures += _preference(series, windows, task, error, method)
    return with_means(measures)


def measure_bladder(
    series: Series, windows: Sequence[Window], task: str, error: Uncertainty, method: str
) -> tuple[Measure, ...]:
    """Displacement of the bladder base at each effort; positive is a lift towards the probe."""
    name = "base_displacement"
    quantity = series.get(name, Structure.BLADDER)
    if quantity is None:
        return ()
    kind = Kind(Structure.BLADDER, task, method, quantity.unit, UNSEEN_BASE)
    probe = series.get("probe_shift", "image")
    if not windows:
        return (kind.missing(name, 1, "mm", UNSEEN_BASE),)
    is_hidden = float(np.isnan(quantity.value).mean()) > MUCH_UNSEEN
    measures = []
    for repeat in repeats_in(windows):
        rest, full = (level_of(quantity, windows, state, repeat) for state in STATES)
        if not has_effort(windows, repeat):
            reason = NO_EFFORT_SEEN if is_hidden else NO_EFFORT
            measures.append(kind.missing(name, repeat, "mm", reason))
        elif rest is None or full is None:
            measures.append(kind.missing(name, repeat, "mm", UNSEEN_BASE))
        elif probe is not None and None in levels_of(probe, (rest, full)):
            measures.append(kind.missing(name, repeat, "mm", PROBE_LOST))
        elif probe is not None and _largest(probe, (rest, full)) > PROBE_LIMIT_MM:
            measures.append(kind.missing(name, repeat, "mm", PROBE_MOVED))
        else:
            spread = float(np.hypot(error.base, np.hypot(full.spread, rest.spread)))
            lift = full.value - rest.value
            measures.append(kind.length(name, repeat, lift, spread, (rest, full)))
    return with_means(measures)


STATES = ("rest", "contracted")
# A time within the clip has no mean over repeats.
NO_MEAN = "onset_time"


@dataclass(frozen=True)
class Kind:
    """What all measures of one structure share."""

    structure: Structure
    task: str
    method: str
    unit: str
    unseen: str

    def missing(self, name: str, repeat: int, unit: str, reason: str) -> Measure:
        """Give no value, and say why."""
        return Measure(
            name=name,
            structure=self.structure,
            task=self.task,
            repeat=str(repeat),
            value=None,
            unit=unit,
            low=None,
            high=None,
            status=Status.NEEDS_MANUAL,
            reason=reason,
            frames="",
            method=self.method,
        )

    def number(
        self,
        name: str,
        repeat: int,
        unit: str,
        value: float,
        spread: float,
        levels: Sequence[Level],
    ) -> Measure:
        """Give a value with its interval from its standard deviation."""
        frames = ";".join(f"{level.window.first}-{level.window.last}" for level in levels)
        return replace(
            self.missing(name, repeat, unit, ""),
            value=value,
            low=value - Z95 * spread,
            high=value + Z95 * spread,
            status=Status.DRAFT,
            frames=frames,
        )

    def length(
        self, name: str, repeat: int, value: float, spread: float, levels: Sequence[Level]
    ) -> Measure:
        """Give a length, unless the clip has no calibration."""
        if self.unit != "mm":
            return self.missing(name, repeat, "mm", UNCALIBRATED)
        return self.number(name, repeat, "mm", value, spread, levels)


def repeats_in(windows: Sequence[Window]) -> list[int]:
    """Numbers of the repeats, in order."""
    return sorted({window.repeat for window in windows})


def has_effort(windows: Sequence[Window], repeat: int) -> bool:
    """Tell whether a repeat holds a contraction."""
    return any(window.state == "contracted" and window.repeat == repeat for window in windows)


def _largest(quantity: Quantity, levels: Sequence[Level]) -> float:
    """Largest known value within some windows; 0 where there is none."""
    values = np.concatenate([quantity.value[level.window.frames] for level in levels])
    return float(np.max(values, initial=0.0, where=~np.isnan(values)))


def levels_of(quantity: Quantity, levels: Sequence[Level]) -> list[Level | None]:
    """Levels of another quantity in the same windows."""
    return [
        level_of(quantity, (level.window,), level.window.state, level.window.repeat)
        for level in levels
    ]


def level_of(
    quantity: Quantity, windows: Sequence[Window], state: str, repeat: int
) -> Level | None:
    """Mean over the window of a state; the nearest rest before it where a repeat has none."""
    fitting = [w for w in windows if w.state == state and w.repeat == repeat]
    if not fitting and state == "rest":
        fitting = [w for w in windows if w.state == state and w.repeat < repeat][-1:]
    if not fitting:
        return None
    window = fitting[0]
    values = quantity.value[window.frames]
    known = values[~np.isnan(values)]
    if known.size == 0 or known.size < FEWEST_SHARE * values.size:
        return None
    # Frames a few apart share speckle, so one in five counts as independent (our choice).
    independent = max(1.0, known.size / 5)
    spread = float(known.std(ddof=1) / np.sqrt(independent)) if known.size > 1 else 0.0
    return Level(float(known.mean()), spread, window)


def _thickness_measures(
    kind: Kind, repeat: int, quantity: Quantity, windows: Sequence[Window], error: Uncertainty
) -> list[Measure]:
    own = error.thickness[kind.structure]
    rest, full = (level_of(quantity, windows, state, repeat) for state in STATES)
    is_effort = has_effort(windows, repeat)
    measures = []
    for name, level in (("thickness_rest", rest), ("thickness_contracted", full)):
        if level is not None:
            spread = float(np.hypot(own, level.spread))
            measures.append(kind.length(name, repeat, level.value, spread, (level,)))
        elif is_effort or name == "thickness_rest":
            measures.append(kind.missing(name, repeat, "mm", kind.unseen))
    # Fat does not contract; its thickness tells how the probe was pressed.
    if not is_effort or kind.structure not in MUSCLES:
        return measures
    if rest is None or full is None:
        return measures + [
            kind.missing(name, repeat, unit, kind.unseen)
            for name, unit in (
                ("thickness_change", "mm"),
                ("thickness_change", "%"),
                ("contraction_ratio", "ratio"),
            )
        ]
    both = (rest, full)
    change = full.value - rest.value
    change_spread = float(
        np.hypot(error.change[kind.structure], np.hypot(rest.spread, full.spread))
    )
    # Error of the divisor: the share of the change that a wrong rest value brings in.
    share = change / rest.value
    relative = float(np.hypot(change_spread, share * own) / rest.value)
    measures.append(kind.length("thickness_change", repeat, change, change_spread, both))
    measures.append(kind.number("thickness_change", repeat, "%", 100 * share, 100 * relative, both))
    measures.append(kind.number("contraction_ratio", repeat, "ratio", 1 + share, relative, both))
    return measures


def _preference(
    series: Series, windows: Sequence[Window], task: str, error: Uncertainty, method: str
) -> list[Measure]:
    """Share of the TrA in the three muscles, contracted minus rest."""
    muscles = (Structure.TRA, Structure.IO, Structure.EO)
    quantities = [q for q in (series.get("thickness", m) for m in muscles) if q is not None]
    measures: list[Measure] = []
    name = "preferential_activation_ratio"
    for repeat in repeats_in(windows):
        if not has_effort(windows, repeat) or not quantities:
            continue
        reason = "EO, IO and TrA must all be seen at rest and contracted."
        kind = Kind(Structure.TRA, task, method, quantities[0].unit, reason)
        rests, fulls = (
            [
                level
                for q in quantities
                if (level := level_of(q, windows, state, repeat)) is not None
            ]
            for state in STATES
        )
        if not len(rests) == len(fulls) == len(muscles):
            measures.append(kind.missing(name, repeat, "ratio", reason))
            continue
        total = sum(level.value for level in fulls)
        share = fulls[0].value / total
        before = rests[0].value / sum(level.value for level in rests)
        # An error of the change of each muscle, through the contracted share.
        errors = [
            np.hypot(error.change[muscle], np.hypot(rest.spread, full.spread))
            for muscle, rest, full in zip(muscles, rests, fulls, strict=True)
        ]
        own, others = (1 - share) * errors[0], share * np.hypot(errors[1], errors[2])
        spread = float(np.hypot(own, others) / total)
        levels = (rests[0], fulls[0])
        measures.append(kind.number(name, repeat, "ratio", share - before, spread, levels))
    return measures


def spread_of_mean(values: Sequence[float]) -> float:
    """Half-width of the 95 % interval of a mean that comes from the spread of its values.

    Examples
    --------
    >>> round(spread_of_mean([1.0, 2.0, 3.0]), 3)  # 4.303 / sqrt(3)
    2.484
    """
    quantile = T975[min(len(values) - 1, len(T975)) - 1]
    return quantile * float(np.std(values, ddof=1)) / math.sqrt(len(values))


def with_means(measures: list[Measure]) -> tuple[Measure, ...]:
    """Add the mean of the repeats of every measure that has more than one value."""
    result = list(measures)
    keys = dict.fromkeys((m.name, m.structure, m.unit) for m in measures)
    for name, structure, unit in keys:
        if name == NO_MEAN:
            continue
        group = [m for m in measures if (m.name, m.structure, m.unit) == (name, structure, unit)]
        values = [m.value for m in group if m.value is not None]
        if len(values) < 2:
            continue
        halves = [m.high - m.low for m in group if m.high is not None and m.low is not None]
        # Errors of repeats of one clip go together, so the mean is no surer than its parts;
        # the spread between repeats is added.
        own = float(np.mean(halves)) / 2
        half = float(np.hypot(own, spread_of_mean(values)))
        mean = float(np.mean(values))
        frames = ";".join(m.frames for m in group if m.frames)
        result.append(
            replace(
                group[0],
                repeat="mean",
                value=mean,
                # A time cannot be negative.
                low=max(mean - half, 0.0) if unit == "s" else mean - half,
                high=mean + half,
                status=Status.DRAFT,
                reason="",
                frames=frames,
            )
        )
    return tuple(result)
