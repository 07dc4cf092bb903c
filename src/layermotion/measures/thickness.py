"""Owns the measures of the wall layers: rest, contraction, change and their ratios."""

from collections.abc import Sequence

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import FULL_NAMES, MUSCLES, WALL_LAYERS, Structure
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import (
    NO_REST,
    STATES,
    Kind,
    Level,
    Measure,
    has_effort,
    level_of,
    repeats_in,
    window_of,
)
from layermotion.measures.repeats import with_means
from layermotion.measures.unseen import WHEN, Unseen
from layermotion.normal import Z95
from layermotion.series.series import Quantity, Series

# EO and IO are quiet within this change of their thickness at rest, % (common practice, no source).
QUIET_MUSCLES, QUIET_PERCENT = (Structure.EO, Structure.IO), 10.0
SHORT_NAMES = {Structure.TRA: "TrA", Structure.IO: "IO", Structure.EO: "EO"}
# A thickness whose interval reaches farther to either side than this share of it is of no use
# to anyone (our choice: changes that matter are smaller).
MOST_UNSURE = 0.5
# A change at the site that differs by more than this from that of the tissue that was there, as a
# share of the thickness at rest, is of another part of the muscle: more than repeats of a TrA
# usually differ (Costa et al. 2009, Eur Spine J 18(7):1059-65, PMC2899591).
OTHER_SHARE = 0.15
OTHER_PART = (
    "The {layer} tapers and slid past the place of measurement, so rest and effort show different "
    "parts of it and their difference is no change of one part; choose a place where it is of even "
    "thickness with --site, or measure the same part by hand."
)
UNSURE_LAYER = (
    "The borders of the layer are so unsure that the error may be half of its thickness or more; "
    "measure it by hand."
)


def measure_wall(
    series: Series,
    windows: Sequence[Window],
    task: str,
    error: Uncertainty,
    method: str,
    unseen: Unseen | None = None,
    followed: Sequence[Quantity] = (),
) -> tuple[Measure, ...]:
    """Thickness at rest and contracted, change, contraction ratio and TrA preference.

    Per cent change = 100 (contracted - rest) / rest and contraction ratio = contracted / rest
    (Saliba et al. 2010, PMC2953390; Koppenhaver et al. 2009, PubMed 19648721). TrA preferential
    activation ratio = TrA / (TrA + IO + EO) contracted minus the same at rest (Teyhen et al.
    2005, J Orthop Sports Phys Ther 35(6), formula quoted from memory).

    Parameters
    ----------
    unseen
        Why a layer has no value where it has none; None where that is not known.
    followed
        Thickness of the tissue that was at the site, where it can be followed: a change is given
        only where it shows about the same.
    """
    unseen = unseen or Unseen()
    slid = [
        (moving.structure, repeat)
        for moving in followed
        for repeat in repeats_in(windows)
        if _is_slid(series.get("thickness", moving.structure), moving, windows, repeat)
    ]
    measures: list[Measure] = []
    for layer in WALL_LAYERS:
        quantity = series.get("thickness", layer)
        if quantity is None:
            continue
        kind = Kind(layer, task, method, quantity.unit, unseen.reason(layer, None))
        if not windows:
            measures.append(kind.missing("thickness_rest", 1, "mm", kind.unseen))
        for repeat in repeats_in(windows):
            is_slid = (layer, repeat) in slid
            measures += _thickness_measures(
                kind, repeat, quantity, windows, error, unseen, is_slid=is_slid
            )
    measures += _preference(series, slid, windows, task, error, method)
    return with_means(measures)


def _thickness_measures(
    kind: Kind,
    repeat: int,
    quantity: Quantity,
    windows: Sequence[Window],
    error: Uncertainty,
    unseen: Unseen,
    *,
    is_slid: bool,
) -> list[Measure]:
    layer = kind.structure
    seen = [level_of(quantity, windows, state, repeat) for state in STATES]
    rest, full = (level if level and _is_of_use(level, layer, error) else None for level in seen)
    reasons = []
    for state, level in zip(STATES, seen, strict=True):
        window = window_of(windows, state, repeat)
        words = unseen.reason(layer, window) if window else NO_REST
        reasons.append(UNSURE_LAYER if level else words)
    is_effort = has_effort(windows, repeat)
    measures = []
    for name, level, reason in (
        ("thickness_rest", rest, reasons[0]),
        ("thickness_contracted", full, reasons[1]),
    ):
        if level is not None:
            spread = float(np.hypot(error.of_thickness(layer, level.window), level.spread))
            own = error.with_hand(kind, [(layer, level)])
            measures.append(own.length(name, repeat, level.value, spread, (level,)))
        elif is_effort or name == "thickness_rest":
            measures.append(kind.missing(name, repeat, "mm", reason))
    # Fat does not contract; its thickness tells how the probe was pressed.
    if not is_effort or layer not in MUSCLES:
        return measures
    if rest is None or full is None or is_slid:
        reason = reasons[0] if rest is None else reasons[1]
        if rest and full:
            reason = OTHER_PART.format(layer=FULL_NAMES[layer])
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
        np.hypot(
            error.of_change(layer, rest.window, full.window), np.hypot(rest.spread, full.spread)
        )
    )
    # Error of the divisor: the share of the change that a wrong rest value brings in.
    share = change / rest.value
    divisor_error = share * error.of_thickness(layer, rest.window)
    relative = float(np.hypot(change_spread, divisor_error) / rest.value)
    kind = error.with_hand(kind, [(layer, level) for level in both])
    measures.append(kind.length("thickness_change", repeat, change, change_spread, both))
    measures.append(kind.number("thickness_change", repeat, "%", 100 * share, 100 * relative, both))
    measures.append(kind.number("contraction_ratio", repeat, "ratio", 1 + share, relative, both))
    return measures


def _is_slid(
    fixed: Quantity | None, tissue: Quantity, windows: Sequence[Window], repeat: int
) -> bool:
    """Tell whether a tapering muscle slid, so that rest and effort show different parts of it."""
    if fixed is None:
        return False
    levels = [
        level_of(each, windows, state, repeat) for each in (fixed, tissue) for state in STATES
    ]
    if None in levels:
        return False
    rest, full, own_rest, own_full = (level.value for level in levels if level)
    return abs(full / rest - own_full / own_rest) > OTHER_SHARE


def _is_of_use(level: Level, layer: Structure, error: Uncertainty) -> bool:
    """Tell whether a thickness is sure enough to be given; what a person measured always is."""
    if error.is_by_hand(layer, level.window):
        return True
    own = error.of_thickness(layer, level.window)
    return Z95 * float(np.hypot(own, level.spread)) <= MOST_UNSURE * level.value


def _preference(
    series: Series,
    slid: Sequence[tuple[str, int]],
    windows: Sequence[Window],
    task: str,
    error: Uncertainty,
    method: str,
) -> list[Measure]:
    """Share of the TrA in the three muscles, contracted minus rest."""
    muscles = (Structure.TRA, Structure.IO, Structure.EO)
    quantities = [q for q in (series.get("thickness", m) for m in muscles) if q is not None]
    measures: list[Measure] = []
    name = "preferential_activation_ratio"
    for repeat in repeats_in(windows):
        if not has_effort(windows, repeat) or not quantities:
            continue
        found = {
            (muscle, state): _usable(series, muscle, windows, state, repeat, error)
            for muscle in muscles
            for state in STATES
        }
        kind = Kind(Structure.TRA, task, method, quantities[0].unit, "")
        other = [muscle for muscle in muscles if (muscle, repeat) in slid]
        if other:
            words = OTHER_PART.format(layer=FULL_NAMES[other[0]])
            measures.append(kind.missing(name, repeat, "ratio", words))
            continue
        lacking = [where for where, level in found.items() if level is None]
        if lacking:
            measures.append(kind.missing(name, repeat, "ratio", _lacking_words(lacking)))
            continue
        rests, fulls = (
            [level for (_, own), level in found.items() if own == state and level is not None]
            for state in STATES
        )
        total = sum(level.value for level in fulls)
        share = fulls[0].value / total
        before = rests[0].value / sum(level.value for level in rests)
        # An error of the change of each muscle, through the contracted share.
        errors = [
            np.hypot(
                error.of_change(muscle, rest.window, full.window),
                np.hypot(rest.spread, full.spread),
            )
            for muscle, rest, full in zip(muscles, rests, fulls, strict=True)
        ]
        own, others = (1 - share) * errors[0], share * np.hypot(errors[1], errors[2])
        spread = float(np.hypot(own, others) / total)
        levels = (rests[0], fulls[0])
        known = [(muscle, level) for (muscle, _), level in found.items() if level is not None]
        kind = error.with_hand(kind, known)
        measures.append(kind.number(name, repeat, "ratio", share - before, spread, levels))
    return measures


def _usable(
    series: Series,
    muscle: Structure,
    windows: Sequence[Window],
    state: str,
    repeat: int,
    error: Uncertainty,
) -> Level | None:
    """Thickness of a muscle in a state; None where it is withheld."""
    quantity = series.get("thickness", muscle)
    level = level_of(quantity, windows, state, repeat) if quantity else None
    return level if level and _is_of_use(level, muscle, error) else None


def _lacking_words(lacking: Sequence[tuple[Structure, str]]) -> str:
    """Say what the share of the TrA lacks."""
    names = ", ".join(f"{SHORT_NAMES[muscle]} {WHEN[state]}" for muscle, state in lacking)
    return (
        f"The share of the TrA needs the thickness of EO, IO and TrA at rest and at the effort; "
        f"without a value: {names}; measure what is missing by hand."
    )
