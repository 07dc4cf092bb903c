"""Owns movement: slide, onset, rise, hold and return of each effort, as measures."""

from collections.abc import Sequence

import numpy as np

from layermotion.events import Course, Window
from layermotion.labels import Structure
from layermotion.measures import (
    STATES,
    Kind,
    Level,
    Measure,
    has_effort,
    level_of,
    repeats_in,
)
from layermotion.repeats import with_means
from layermotion.series import Series

UNSEEN_SLIDE = (
    "The texture of the TrA or the EO could not be followed through this effort; judge the slide "
    "by eye."
)
BEGAN_BEFORE = "The clip begins during this effort; record from rest on."
ENDS_AFTER = "The clip ends before the muscle is back at rest; record until it is."
# Standard deviation of the error of a slide beside its scatter within the windows, mm (our choice:
# 106 of 107 intervals in synthetic clips hold the truth with it, and half of the errors are below
# 0.04 mm; where another tissue was followed they reach some mm, which no constant can cover).
SLIDE_ERROR_MM = 0.2


def measure_slide(
    series: Series, windows: Sequence[Window], task: str, method: str
) -> tuple[Measure, ...]:
    """Slide of the TrA along itself at each effort, relative to the rest beside it."""
    quantity = series.get("slide", Structure.TRA)
    if quantity is None:
        return ()
    kind = Kind(Structure.TRA, task, method, quantity.unit, UNSEEN_SLIDE)
    measures = []
    for repeat in repeats_in(windows):
        if not has_effort(windows, repeat):
            continue
        rest, full = (level_of(quantity, windows, state, repeat) for state in STATES)
        if rest is None or full is None:
            measures.append(kind.missing("slide", repeat, "mm", UNSEEN_SLIDE))
        else:
            spread = float(np.hypot(SLIDE_ERROR_MM, np.hypot(full.spread, rest.spread)))
            slide = full.value - rest.value
            measures.append(kind.length("slide", repeat, slide, spread, (rest, full)))
    return with_means(measures)


def measure_timing(
    courses: Sequence[Course],
    windows: Sequence[Window],
    structure: Structure,
    task: str,
    method: str,
) -> tuple[Measure, ...]:
    """When each effort began, and how long it took to rise, was held and took to return, s.

    Times of a contraction are read off the curve of its ultrasound measure by no published rule
    that we know; ``time_efforts`` says how (our choice).

    Parameters
    ----------
    structure
        Whose course it is.
    """
    kind = Kind(structure, task, method, "s", "")
    measures = []
    for course in courses:
        window = next(w for w in windows if w.state == "contracted" and w.repeat == course.repeat)
        rise, back = course.rise_spread_s, course.return_spread_s
        for name, begin_s, end_s, spreads in (
            ("onset_time", 0.0, course.onset_s, (rise,)),
            ("rise_time", course.onset_s, course.full_s, (rise, rise)),
            ("hold_time", course.full_s, course.release_s, (rise, back)),
            ("return_time", course.release_s, course.end_s, (back, back)),
        ):
            if np.isnan(end_s - begin_s):
                is_begun = name != "return_time" and np.isnan(course.onset_s)
                reason = BEGAN_BEFORE if is_begun else ENDS_AFTER
                measures.append(kind.missing(name, course.repeat, "s", reason))
            else:
                # A peak that is not held may be found to end just before it is reached.
                value = max(0.0, end_s - begin_s)
                spread = float(np.hypot.reduce(spreads))
                level = Level(value, spread, window)
                measures.append(kind.number(name, course.repeat, "s", value, spread, (level,)))
    return with_means(measures)
