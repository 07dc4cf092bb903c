"""Owns what else may tell how many efforts there are, where no signal of a structure is sure."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from layermotion.counting import LEAST_CLEAR, LONE, LONGEST_GAP_S, Count, count_efforts
from layermotion.evidence import Evidence, without_jumps
from layermotion.excursions import Excursions, Signal, runs, within

Counted = tuple[Evidence, Count]


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


def by_outline(outline: Evidence, time_s: Signal, doubted: Counted) -> Counted:
    """Count the efforts that the shape of all layers together shows, for a number in doubt.

    What it shows for sure counts. Where a muscle shows the same number, two signals agree and it is
    sure; else it stays in doubt, for the shape does not tell which muscle moved. What it does not
    show for sure counts only where no muscle shows an effort.

    Parameters
    ----------
    outline
        Course of the shape of all layers, efforts having been asked for.
    doubted
        What the muscles show; the same comes back where the shape tells no more.
    """
    effort, own = doubted
    outline = without_jumps(outline, time_s)
    found = outline.excursions(time_s)
    count = count_efforts(outline.value, time_s, found, LONGEST_GAP_S, is_asked=True)
    if not count.doubt and count.number == own.number:
        return effort, count
    if not count.doubt:
        return outline, replace(own, number=count.number)
    if own.number:
        return with_lone_breath(doubted, time_s)
    shown = with_lone_breath((outline, count), time_s)
    return shown if shown[1].number else doubted


def with_lone_breath(counted: Counted, time_s: Signal) -> Counted:
    """Take what alone in a clip has the course of a breath for an effort, for a number in doubt.

    Breathing comes again and again, so among efforts that were asked for a lone excursion of their
    size is a gentle one rather than a breath (our choice).
    """
    effort, own = counted
    found = effort.excursions(time_s)
    if not own.doubt or found is None or found.breaths != 1:
        return counted
    return replace(effort, largest_breath=0.0), Count(len(found.efforts) + 1, LONE)
