"""Owns the times of each effort as measures: onset, rise, hold and return."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.course import Course
from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.measures.measure import (
    Kind,
    Level,
    Measure,
)
from layermotion.measures.repeats import with_means
from layermotion.normal import Z95

# Pictures farther apart than this, s, and than so many steps of the clip, leave a gap (our choice:
# a time that is told to a tenth of a second cannot span it, and slow clips have none).
GAP_S, GAP_STEPS = 1.0, 4

BEGAN_BEFORE = "The clip begins during this effort; record from rest on."

ENDS_AFTER = "The clip shows no rest after this effort; record until rest is reached again."

NOT_HELD = (
    "The fitted rise ends after the fitted return begins, so the effort was not held, and for how "
    "long it was full cannot be told; judge it from the plot."
)


ACROSS_GAP = (
    "The clip has no pictures for a part of this time, so how long it was cannot be told; record "
    "again in one piece."
)


@dataclass(frozen=True)
class Gap:
    """From one picture to the next, where some are missing between them, s."""

    begin_s: float
    end_s: float

    @property
    def caution(self) -> str:
        """Sentence for the report."""
        return (
            f"The clip has no pictures from {self.begin_s:.2f} to {self.end_s:.2f} s; times across "
            f"this gap are not given, so record again in one piece."
        )


def gaps_in(time_s: NDArray[np.float64]) -> tuple[Gap, ...]:
    """Where pictures are missing.

    Parameters
    ----------
    time_s
        Shape (frames,), s.

    Examples
    --------
    >>> gaps_in(np.array([0.0, 0.1, 0.2, 3.2, 3.3]))
    (Gap(begin_s=0.2, end_s=3.2),)
    """
    step_s = np.diff(time_s)
    if not step_s.size:
        return ()
    longest_s = max(GAP_S, GAP_STEPS * float(np.median(step_s)))
    return tuple(
        Gap(float(time_s[k]), float(time_s[k + 1])) for k in np.flatnonzero(step_s > longest_s)
    )


def measure_timing(
    courses: Sequence[Course],
    windows: Sequence[Window],
    structure: Structure,
    task: str,
    method: str,
    gaps: Sequence[Gap] = (),
) -> tuple[Measure, ...]:
    """When each effort began, and how long it took to rise, was held and took to return, s.

    Times of a contraction are read off the curve of its ultrasound measure by no published rule
    that we know; ``time_efforts`` says how (our choice).

    Parameters
    ----------
    structure
        Whose course it is.
    gaps
        Where pictures are missing; no time across them is given.
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
                continue
            if any(begin_s < gap.end_s and end_s > gap.begin_s for gap in gaps):
                measures.append(kind.missing(name, course.repeat, "s", ACROSS_GAP))
                continue
            spread = float(np.hypot.reduce(spreads))
            if end_s - begin_s < -Z95 * spread:
                measures.append(kind.missing(name, course.repeat, "s", NOT_HELD))
                continue
            # A peak that is let go at once may be found to end just before it is reached.
            value = max(0.0, end_s - begin_s)
            level = Level(value, spread, window)
            measure = kind.number(name, course.repeat, "s", value, spread, (level,))
            # A time cannot be negative.
            measures.append(replace(measure, low=max(0.0, measure.low or 0.0)))
    return with_means(measures)
