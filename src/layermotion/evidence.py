"""Owns which signal of a clip shows its efforts best: thickness or slide of which muscle, base."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.counting import DISAGREE, LEAST_CLEAR, LONGEST_GAP_S, Count, count_efforts
from layermotion.excursions import Direction, Excursions, Signal, find_excursions, smooth, within
from layermotion.labels import MUSCLES, Structure
from layermotion.series import Quantity

# Changes of thickness below this are never an effort, as a share of the thickness in the middle of
# the clip (our choice).
SMALLEST_CHANGE = 0.07
# Changes of thickness up to this are breathing where they have the course of a breath (our choice;
# TrA and IO thicken as a breath goes out: Amerijckx et al. 2019, doi 10.1016/j.msksp.2019.102105).
LARGEST_BREATH = 0.2
# Slides below this are never an effort, mm (our choice: about what tracking errs by).
SMALLEST_SLIDE_MM = 0.3
# A signal known in less than this share of the frames in which the best seen one is known shows no
# course (our choice).
LEAST_SEEN = 0.5
# A thickness is preferred to the slide of the same muscle only where it is clearer by this factor:
# its error is the larger share of what it shows (our choice).
CLEARER = 1.25
# Width of the running median that a cough, which is over in half a second, leaves as it is, s (our
# choice).
SLOW_S = 1.5
# Tissue counts as followed where its thickness is known in this share of the frames in which that
# at the site is (our choice).
MOSTLY_FOLLOWED = 0.8


@dataclass(frozen=True, eq=False)
class Evidence:
    """One signal that may show the efforts, with what ``find_windows`` needs to know of it.

    Parameters
    ----------
    structure
        The muscle, or the bladder.
    value
        Shape (frames,), NaN where not measured: change of thickness as a share, slide in mm, or
        displacement of the bladder base.
    smallest, largest_breath
        In the unit of ``value``.
    direction
        Which way an effort moves the signal: thickness mostly rises, slide goes either way.
    """

    structure: Structure
    value: Signal
    smallest: float
    largest_breath: float
    direction: Direction

    @property
    def seen(self) -> int:
        """How many frames have a value."""
        return int(np.count_nonzero(~np.isnan(self.value)))

    @property
    def is_thickness(self) -> bool:
        """Whether it is a change of thickness, not a slide."""
        return self.direction is Direction.RISES

    def excursions(self, time_s: Signal) -> Excursions | None:
        """Where the signal leaves its rest."""
        return find_excursions(
            self.value, time_s, self.smallest, self.direction, self.largest_breath
        )


@dataclass(frozen=True, eq=False)
class Shown:
    """What one signal shows."""

    evidence: Evidence
    found: Excursions


def evidence_of(
    followed: Sequence[Quantity], fixed: Sequence[Quantity], moving: Sequence[Quantity]
) -> list[Evidence]:
    """All signals that may show the efforts.

    The slide of a muscle in a breath has no largest size, for it grows with the distance from
    where the muscle is fixed.

    Parameters
    ----------
    followed, fixed
        Thickness of the tissue that was at the site, and at the site.
    moving
        Quantities of motion, of which the slides count.
    """
    result = []
    for quantity in better_seen(followed, fixed):
        if quantity.structure in MUSCLES:
            known = quantity.value[~np.isnan(quantity.value)]
            middle = float(np.median(known)) if known.size else 1.0
            limits = (SMALLEST_CHANGE, LARGEST_BREATH, Direction.RISES)
            change = quantity.value / middle - 1
            result.append(Evidence(Structure(quantity.structure), change, *limits))
    for quantity in moving:
        if quantity.name == "slide":
            limits = (SMALLEST_SLIDE_MM, float("inf"), Direction.EITHER)
            result.append(Evidence(Structure(quantity.structure), quantity.value, *limits))
    return result


def better_seen(followed: Sequence[Quantity], fixed: Sequence[Quantity]) -> tuple[Quantity, ...]:
    """Thickness of the tissue that was at the site, where it can be followed, else at the site.

    Only to tell when an effort was: what slides past a fixed site may thin while all of the muscle
    thickens.
    """

    def known(quantity: Quantity) -> int:
        return int(np.count_nonzero(~np.isnan(quantity.value)))

    return tuple(
        moving if known(moving) >= MOSTLY_FOLLOWED * known(still) else still
        for moving, still in zip(followed, fixed, strict=True)
    )


def clearest(evidence: Sequence[Evidence], time_s: Signal) -> tuple[Evidence, Count]:
    """Signal whose efforts stand out most from rest, and how many efforts there are.

    Of each muscle the clearer of its signals counts, so that a noisy thickness is not taken for
    efforts where the slide shows breaths; of the muscles the one that shows efforts, as far as a
    muscle thickens in them. Where none does the best seen thickness is taken, and no effort is sure
    to be missing only if the TrA, which may contract alone, was seen.

    Parameters
    ----------
    evidence
        As from ``evidence_of``.
    time_s
        Shape (frames,), s.
    """
    shown = [one for one in _of_muscles(evidence, time_s) if _is_effort(one, evidence)]
    if not shown:
        of_tra = max((e for e in evidence if e.structure is Structure.TRA), key=lambda e: e.seen)
        best_seen = max((e for e in evidence if e.is_thickness), key=lambda e: e.seen)
        return best_seen, count_efforts(of_tra.value, time_s, None, LONGEST_GAP_S)
    best = max(shown, key=lambda one: one.found.clearness)
    count = count_efforts(best.evidence.value, time_s, best.found, LONGEST_GAP_S)
    numbers = {len(one.found.efforts) for one in shown if one.found.clearness >= LEAST_CLEAR}
    if not count.doubt and numbers != {count.number}:
        count = replace(count, doubt=DISAGREE)
    return best.evidence, count


def first_sure(
    evidence: Sequence[Evidence], time_s: Signal, longest_gap_s: float
) -> tuple[Evidence, Count]:
    """First signal that shows for sure how many efforts there are, else the first of all.

    Parameters
    ----------
    longest_gap_s
        Longest time without a value in which no effort can have been, s.
    """
    counted = [
        (one, count_efforts(one.value, time_s, one.excursions(time_s), longest_gap_s))
        for one in evidence
    ]
    return next((pair for pair in counted if not pair[1].doubt), counted[0])


def without_slow(evidence: Evidence, time_s: Signal) -> Evidence:
    """Signal without what is slower than a cough: breathing, and motion of the probe."""
    slow = smooth(evidence.value, time_s, SLOW_S)
    return replace(evidence, value=evidence.value - slow)


def _of_muscles(evidence: Sequence[Evidence], time_s: Signal) -> list[Shown]:
    """Give the clearest signal of each muscle that leaves its rest."""
    most = max(one.seen for one in evidence)
    best: dict[Structure, Shown] = {}
    for one in evidence:
        found = one.excursions(time_s) if one.seen >= LEAST_SEEN * most else None
        if found is None:
            continue
        known = best.get(one.structure)
        if known is None or _rank(one, found) > _rank(known.evidence, known.found):
            best[one.structure] = Shown(one, found)
    return list(best.values())


def _rank(one: Evidence, found: Excursions) -> float:
    """How far a signal of a muscle is to be preferred to the others of that muscle."""
    return found.clearness / (CLEARER if one.is_thickness else 1.0)


def _is_effort(shown: Shown, evidence: Sequence[Evidence]) -> bool:
    """Tell whether a signal shows efforts; a slide only where a muscle thickens in them."""
    if shown.evidence.is_thickness or not shown.found.efforts:
        return bool(shown.found.efforts)
    inside = within(shown.found.efforts, shown.found.height.size)
    for one in evidence:
        known = ~np.isnan(one.value)
        full, rest = one.value[inside & known], one.value[~inside & known]
        if one.is_thickness and full.size and rest.size:
            if full.mean() - rest.mean() >= SMALLEST_CHANGE:
                return True
    return False
