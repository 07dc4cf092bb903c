"""Owns the measures of the wall layers: rest, contraction, change and their ratios."""

from collections.abc import Sequence

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import (
    STATES,
    Kind,
    Level,
    Measure,
    has_effort,
    level_of,
    repeats_in,
)
from layermotion.measures.repeats import with_means
from layermotion.normal import Z95
from layermotion.series.series import Quantity, Series

# EO and IO are quiet within this change of their thickness at rest, % (common practice, no source).
QUIET_MUSCLES, QUIET_PERCENT = (Structure.EO, Structure.IO), 10.0
UNSEEN_LAYER = "The layer could not be seen clearly and steadily enough at the site."
# A thickness whose 95 % interval reaches farther to either side than this share of it is of no use
# to anyone (our choice: changes that matter are smaller).
MOST_UNSURE = 0.5
UNSURE_LAYER = (
    "The edges of the layer are so unsure in this clip that the error may be half of its thickness "
    "or more; measure it by hand."
)


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


def _thickness_measures(
    kind: Kind, repeat: int, quantity: Quantity, windows: Sequence[Window], error: Uncertainty
) -> list[Measure]:
    own = error.thickness[kind.structure]
    seen = [level_of(quantity, windows, state, repeat) for state in STATES]
    rest, full = (level if level and _is_of_use(level, own) else None for level in seen)
    reason = kind.unseen if [rest, full] == seen else UNSURE_LAYER
    is_effort = has_effort(windows, repeat)
    measures = []
    for name, level in (("thickness_rest", rest), ("thickness_contracted", full)):
        if level is not None:
            spread = float(np.hypot(own, level.spread))
            measures.append(kind.length(name, repeat, level.value, spread, (level,)))
        elif is_effort or name == "thickness_rest":
            measures.append(kind.missing(name, repeat, "mm", reason))
    # Fat does not contract; its thickness tells how the probe was pressed.
    if not is_effort or kind.structure not in MUSCLES:
        return measures
    if rest is None or full is None:
        return measures + [
            kind.missing(name, repeat, unit, reason)
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


def _is_of_use(level: Level, error: float) -> bool:
    """Tell whether a thickness is sure enough to be given, from the standard deviation of error."""
    return Z95 * float(np.hypot(error, level.spread)) <= MOST_UNSURE * level.value


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
