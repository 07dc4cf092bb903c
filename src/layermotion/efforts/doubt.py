"""Owns what else may tell how many efforts there are, where no signal of a structure is sure."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from layermotion.edges.boundaries import ORDER, Boundaries
from layermotion.efforts.count import LEAST_CLEAR, LONE, LONGEST_GAP_S, Count
from layermotion.efforts.excursions import Direction, Excursions, Signal, runs, within
from layermotion.efforts.signals import LEAST_SEEN, Counted, Evidence, first_sure, without_jumps
from layermotion.labels import View
from layermotion.series.shape import outline_courses

# Steps in which two courses are mixed, degrees, and how far efforts must stand out in a mix that
# was sought for it, in standard deviations (our choice: of 16 synthetic clips in which they did so
# by 4 or more 15 were counted right, of 4 in which they did by less 2).
TURN_DEG, LEAST_CLEAR_SOUGHT = 10, 4.0
# Changes of shape below this are never an effort, as a share of the picture's height (our choice:
# far below any effort, for noise sets its own limit).
SMALLEST_SHAPE_SHARE = 0.001


def fullest(evidence: Sequence[Evidence], time_s: Signal, doubted: Counted) -> Counted:
    """Signal that shows as many efforts as all of its muscle together, for a number in doubt.

    One signal may miss an effort that another of the same muscle shows, or show one in pieces that
    are one in another: what overlaps is one effort. The number stays in doubt.

    Parameters
    ----------
    evidence
        As from ``evidence_of``, efforts having been asked for.
    doubted
        What ``clearest`` gave; the same comes back where nothing shows more.
    """
    shown: list[tuple[Evidence, Excursions]] = []
    for one in (without_jumps(e, time_s) for e in evidence):
        found = one.excursions(time_s) if one.structure is doubted[0].structure else None
        if found is not None and found.efforts and found.clearness >= LEAST_CLEAR:
            shown.append((one, found))
    inside = [within(found.efforts, time_s.size) for _, found in shown]
    number = len(runs(np.any(inside, axis=0))) if inside else 0
    complete = (one for one, found in shown if len(found.efforts) == number)
    effort = next(complete, None)
    return (effort, replace(doubted[1], number=number)) if effort else doubted


def clearest_mix(courses: Signal, smallest: float, time_s: Signal, *, is_alone: bool) -> Counted:
    """Signal that shows the efforts best among the mixes of two courses.

    Breathing and efforts both change the shape of the layers, and each course may hold some of
    both. Efforts are held, so that they stand out most where the mix leaves breathing out; having
    been sought, they must stand out by more than other signals show.

    Parameters
    ----------
    courses
        Shape (2, F), as from ``outline_courses``, efforts having been asked for.
    smallest
        Excursions below this are never an effort, in the unit of the courses.
    is_alone
        Whether no other signal shows an effort, so that this is the best there is.

    Returns
    -------
    Evidence, Count
        Of the first course, if that is sure or no mix is.
    """
    turns = np.deg2rad(np.arange(0, 180, TURN_DEG))
    limits = (smallest, float("inf"), Direction.EITHER)
    mixes = (Evidence(None, np.array([np.cos(a), np.sin(a)]) @ courses, *limits) for a in turns)
    first, *others = (first_sure([mix], time_s, LONGEST_GAP_S, is_asked=True) for mix in mixes)
    if not first[1].doubt:
        return first

    def clear(counted: Counted) -> float:
        found = counted[0].excursions(time_s)
        return found.clearness if found and not counted[1].doubt else 0.0

    best = max(others, key=clear)
    return best if clear(best) >= (LEAST_CLEAR if is_alone else LEAST_CLEAR_SOUGHT) else first


def count_in_shape(
    edges: Iterable[Boundaries], view: View, height_px: int, time_s: Signal, *, is_alone: bool
) -> Counted:
    """Count the efforts in the shape of all layers of a view, efforts having been asked for.

    Parameters
    ----------
    edges
        Of every frame.
    height_px
        Rows of the image.
    is_alone
        As ``clearest_mix`` takes it.
    """
    courses = outline_courses(edges, ORDER[view])
    return clearest_mix(courses, SMALLEST_SHAPE_SHARE * height_px, time_s, is_alone=is_alone)


def backed_by(shown: Counted, doubted: Counted, time_s: Signal) -> Counted:
    """Settle a number in doubt by something that moves with the structure: more of what is seen.

    What that shows for sure counts. Where the structure, seen often enough, shows the same number,
    two signals agree and it is sure; else it stays in doubt. What it does not show for sure counts
    only where the structure shows no effort.

    Parameters
    ----------
    shown
        What moves with the structure, and how many efforts it shows, efforts having been asked for.
    doubted
        What the structure shows; the same comes back where the other tells no more.
    """
    (effort, own), (_, other) = doubted, shown
    is_seen = effort.seen >= LEAST_SEEN * time_s.size
    if not other.doubt and other.number == own.number and is_seen:
        return effort, other
    if not other.doubt:
        return shown[0], replace(own, number=other.number)
    if own.number:
        return with_lone_breath(doubted, time_s)
    alone = with_lone_breath(shown, time_s)
    return alone if alone[1].number else doubted


def with_lone_breath(counted: Counted, time_s: Signal) -> Counted:
    """Count a lone excursion with the course of a breath as an effort, for a number in doubt.

    Breathing comes again and again, so among efforts that were asked for a lone excursion of their
    size is a gentle one rather than a breath (our choice).
    """
    effort, own = counted
    found = effort.excursions(time_s)
    if not own.doubt or found is None or found.breaths != 1:
        return counted
    return replace(effort, largest_breath=0.0), Count(len(found.efforts) + 1, LONE)
