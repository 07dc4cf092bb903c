"""Owns which signal of a clip shows its efforts best: thickness or slide of which muscle, base."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.count import (
    DISAGREE,
    LEAST_CLEAR,
    LONGEST_GAP_S,
    UNCLEAR,
    Count,
    count_efforts,
)
from layermotion.efforts.excursions import (
    Direction,
    Excursions,
    Signal,
    clearness,
    find_excursions,
    smooth,
    within,
)
from layermotion.labels import MUSCLES, Structure
from layermotion.series.series import Quantity

# Changes of thickness below this are never an effort, as a share of the thickness in the middle of
# the clip; of the EO, which the probe presses on, below the second (our choice).
SMALLEST_CHANGE, SMALLEST_CHANGE_EO = 0.07, 0.1
# Changes of thickness up to this are breathing where they have the course of a breath (our choice;
# TrA and IO thicken as a breath goes out: Amerijckx et al. 2019, doi 10.1016/j.msksp.2019.102105).
LARGEST_BREATH = 0.2
# A muscle that seems more than this many times as thick as at other times shows no effort: another
# border was taken for its own (our choice: a muscle that doubles contracts strongly).
MOST_THICKENED = 3.0
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
# A border that jumps takes an excursion from above the first to below the second of these shares of
# its height, or back, from one frame to the next, no further apart than this, s; it lasts longer
# than a cough, which alone is as quick, s (our choice: any other effort takes 0.3 s and more to
# rise, and so 0.12 s from share to share, and a cough is over in half a second).
JUMP_FROM, JUMP_TO, JUMP_S, LONGEST_COUGH_S = 0.8, 0.2, 0.05, 0.6
# Tissue counts as followed where its thickness is known in this share of the frames in which that
# at the site is (our choice).
MOSTLY_FOLLOWED = 0.8


@dataclass(frozen=True, eq=False)
class Evidence:
    """One signal that may show the efforts, with what ``find_windows`` needs to know of it.

    Parameters
    ----------
    structure
        The muscle, or the bladder; None for all layers together.
    value
        Shape (frames,), NaN where not measured: change of thickness as a share, slide in mm,
        displacement of the bladder base, or ``outline_courses``.
    smallest, largest_breath
        In the unit of ``value``.
    direction
        Which way an effort moves the signal: thickness mostly rises, slide goes either way.
    """

    structure: Structure | None
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


# A signal, and how many efforts it shows.
Counted = tuple[Evidence, Count]


@dataclass(frozen=True, eq=False)
class Shown:
    """What one signal shows."""

    evidence: Evidence
    found: Excursions
    count: Count

    @property
    def rank(self) -> tuple[bool, float]:
        """How far the signal is to be preferred to the others of its muscle."""
        clear = self.found.clearness / (CLEARER if self.evidence.is_thickness else 1.0)
        return not self.count.doubt, clear


def evidence_of(thickness: Sequence[Quantity], moving: Sequence[Quantity]) -> list[Evidence]:
    """All signals that may show the efforts: changes of thickness as a share, and slides.

    The slide of a muscle in a breath has no largest size, for it grows with the distance from
    where the muscle is fixed.

    Parameters
    ----------
    thickness
        Of the muscles, in any unit, also several of one muscle.
    moving
        Quantities of motion, of which the slides count.
    """
    result = []
    for quantity in thickness:
        if quantity.structure in MUSCLES:
            known = quantity.value[~np.isnan(quantity.value)]
            middle = float(np.median(known)) if known.size else 1.0
            muscle = Structure(quantity.structure)
            smallest = SMALLEST_CHANGE_EO if muscle is Structure.EO else SMALLEST_CHANGE
            limits = (smallest, LARGEST_BREATH, Direction.RISES)
            result.append(Evidence(muscle, quantity.value / middle - 1, *limits))
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


def clearest(evidence: Sequence[Evidence], time_s: Signal, *, is_asked: bool) -> Counted:
    """Signal whose efforts stand out most from rest, and how many efforts there are.

    Of each muscle the clearest of its signals counts, so that a noisy thickness is not taken for
    efforts where the slide shows breaths, and of the muscles the clearest; in both cases of those
    that show for sure how many efforts there are, where there are any. Where none shows an effort
    the best seen thickness is taken, and none is sure to be missing only if the TrA, which may
    contract alone, was seen and nothing of it looks like an effort.

    Parameters
    ----------
    evidence
        As from ``evidence_of``.
    time_s
        Shape (frames,), s.
    is_asked
        Whether the patient is known to have been asked for efforts.
    """
    count_in = partial(count_efforts, time_s=time_s, longest_gap_s=LONGEST_GAP_S, is_asked=is_asked)
    evidence = [without_jumps(one, time_s) for one in evidence]
    most = max(one.seen for one in evidence)
    every: list[Shown] = []
    for one in evidence:
        excursions = one.excursions(time_s) if one.seen >= LEAST_SEEN * most else None
        if excursions is not None:
            every.append(Shown(one, excursions, count_in(one.value, found=excursions)))
    best = _of_muscles(every)
    shown = [each for each in best if _is_effort(each, best, evidence, is_asked=is_asked)]
    if not shown:
        of_tra = max((e for e in evidence if e.structure is Structure.TRA), key=lambda e: e.seen)
        best_seen = max((e for e in evidence if e.is_thickness), key=lambda e: e.seen)
        count = count_in(of_tra.value, found=None)
        if any(one.evidence.structure is Structure.TRA and one.found.efforts for one in every):
            count = replace(count, doubt=count.doubt or UNCLEAR)
        return best_seen, count
    sure = [each for each in shown if not each.count.doubt]
    chosen = max(sure or shown, key=lambda each: each.found.clearness)
    count = chosen.count
    for other in every:
        number = len(other.found.efforts)
        # One that is not sure may have missed efforts, but not made them up where they stand out.
        differs = number > count.number or (other in sure and number < count.number)
        if not count.doubt and differs and other.found.clearness >= LEAST_CLEAR:
            count = replace(count, doubt=DISAGREE)
    return chosen.evidence, count


def first_sure(
    evidence: Sequence[Evidence], time_s: Signal, longest_gap_s: float, *, is_asked: bool
) -> Counted:
    """First signal that shows for sure how many efforts there are, else the first that shows any.

    The first of all where none shows an effort.

    Parameters
    ----------
    longest_gap_s
        Longest time without a value in which no effort can have been, s.
    is_asked
        Whether the patient is known to have been asked for efforts.
    """
    evidence = [without_jumps(one, time_s) for one in evidence]
    counted = [
        (
            one,
            count_efforts(
                one.value, time_s, one.excursions(time_s), longest_gap_s, is_asked=is_asked
            ),
        )
        for one in evidence
    ]
    # Of equals the first is taken.
    return max(counted, key=lambda pair: (not pair[1].doubt, pair[1].number > 0))


def without_slow(evidence: Evidence, time_s: Signal) -> Evidence:
    """Signal without what is slower than a cough: breathing, and motion of the probe."""
    slow = smooth(evidence.value, time_s, SLOW_S)
    return replace(evidence, value=evidence.value - slow)


def without_jumps(evidence: Evidence, time_s: Signal) -> Evidence:
    """Signal without the excursions that a border made which jumped: no value is known there."""
    while found := evidence.excursions(time_s):
        jumped = [span for span in found.efforts if _jumps(found.height, time_s, *span)]
        gone = within(jumped, time_s.size) & ~np.isnan(evidence.value)
        if not gone.any():
            break
        evidence = replace(evidence, value=np.where(gone, np.nan, evidence.value))
    return evidence


def _jumps(height: Signal, time_s: Signal, begin: int, end: int) -> bool:
    """Tell whether an excursion longer than a cough begins or ends from one frame to the next."""
    peak = float(height[begin : end + 1].max())
    high = begin + np.flatnonzero(height[begin : end + 1] >= JUMP_FROM * peak)
    low = np.flatnonzero(height <= JUMP_TO * peak)
    before, after = low[low < high[0]][-1:], low[low > high[-1]][:1]
    first, last = [*before, begin][0], [*after, end][0]
    if time_s[last] - time_s[first] <= LONGEST_COUGH_S:
        return False
    is_next = [high[0] - i == 1 and time_s[high[0]] - time_s[i] <= JUMP_S for i in before]
    is_next += [i - high[-1] == 1 and time_s[i] - time_s[high[-1]] <= JUMP_S for i in after]
    return any(is_next)


def _of_muscles(every: Sequence[Shown]) -> list[Shown]:
    """Give of each muscle the signal that is to be preferred."""
    best: dict[Structure | None, Shown] = {}
    for one in every:
        known = best.get(one.evidence.structure)
        if known is None or one.rank > known.rank:
            best[one.evidence.structure] = one
    return list(best.values())


def _is_effort(
    shown: Shown, every: Sequence[Shown], evidence: Sequence[Evidence], *, is_asked: bool
) -> bool:
    """Tell whether a signal shows efforts.

    Of a slide those that stand out where efforts were asked for: the muscle that thickens may have
    slid out of the site. Else only where a muscle thickens in them, and none slides further in
    breaths alone.
    """
    found = shown.found
    if not found.efforts:
        return False
    if shown.evidence.is_thickness:
        levels = 1 + found.zero + np.array([0, found.side * found.height.max()])
        return bool(levels.max() <= MOST_THICKENED * levels.min())
    if is_asked and found.clearness >= LEAST_CLEAR:
        return True
    breaths = [
        one.found.height.max()
        for one in every
        if not (one.evidence.is_thickness or one.found.efforts)
    ]
    if not is_asked and max(breaths, default=0.0) > found.height.max():
        return False
    inside = within(found.efforts, found.height.size)
    seen = [one for one in evidence if one.seen >= LEAST_SEEN * shown.evidence.seen]
    return any(_thickens(one.value, inside) for one in seen if one.is_thickness)


def _thickens(change: Signal, inside: NDArray[np.bool_]) -> bool:
    """Tell whether a muscle is thicker in some frames: by enough for an effort, or clearly."""
    full, rest = change[inside], change[~inside]
    if np.isnan(full).all() or np.isnan(rest).all():
        return False
    more = float(np.nanmean(full) - np.nanmean(rest))
    return more >= SMALLEST_CHANGE or clearness(change, inside) >= LEAST_CLEAR
