"""Owns when the efforts of a clip were: their windows, courses and rest."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.efforts.breathing import take_rest
from layermotion.efforts.count import Count
from layermotion.efforts.course import Course, time_efforts
from layermotion.efforts.excursions import Signal
from layermotion.efforts.signals import Evidence
from layermotion.efforts.windows import Window, find_windows
from layermotion.labels import Structure


@dataclass(frozen=True)
class Efforts:
    """When the efforts of a clip were.

    Parameters
    ----------
    structure
        The one that shows them; None where only all layers together do.
    count
        How many there are, and whether that is sure.
    windows
        Of rest and contraction.
    courses
        When each effort began, was full, was let go and was over.
    how_rest
        Sentences on how rest was chosen.
    at_rest
        Number of efforts seen in a recording that was stated to be of rest; they have no windows.
    """

    structure: Structure | None
    count: Count
    windows: tuple[Window, ...]
    courses: tuple[Course, ...]
    how_rest: tuple[str, ...]
    at_rest: int = 0

    @property
    def cautions(self) -> tuple[str, ...]:
        """Sentences for the report where the number is not sure, or where none was expected."""
        if not self.at_rest:
            return self.count.caution
        return (
            f"This was stated to be a recording of rest, but {self.at_rest} "
            f"effort{'s were' if self.at_rest > 1 else ' was'} seen in it; rest was measured "
            f"outside of {'them' if self.at_rest > 1 else 'it'}. Check the video, or record rest "
            f"again.",
        )


def efforts_in(
    effort: Evidence,
    count: Count,
    time_s: Signal,
    breath: Signal,
    smallest_breath: float,
    *,
    is_rest: bool,
) -> Efforts:
    """Tell when the efforts were that a signal shows.

    Parameters
    ----------
    effort, count
        The signal that shows them best, and how many there are.
    time_s
        Shape (frames,), s.
    breath, smallest_breath
        Signal that shows breaths, and the least they reach, in its unit.
    is_rest
        Whether the clip was stated to be of rest; efforts seen all the same are told, and the
        longest rest outside them is kept.
    """
    windows = find_windows(
        effort.value,
        time_s,
        effort.smallest,
        direction=effort.direction,
        always_rest=not count.number,
        largest_breath=effort.largest_breath,
    )
    courses = time_efforts(effort.value, time_s, windows)
    windows = rest_beside_efforts(windows, courses, time_s)
    windows, how_rest = take_rest(breath, time_s, windows, courses, smallest_breath)
    if is_rest:
        rests = [window for window in windows if window.state == "rest"]
        longest = sorted(rests, key=lambda window: window.first - window.last)[:1]
        kept = tuple(replace(window, repeat=1) for window in longest)
        return Efforts(effort.structure, Count(0), kept, (), how_rest, count.number)
    return Efforts(effort.structure, count, windows, courses, how_rest)


def rest_beside_efforts(
    windows: Sequence[Window], courses: Sequence[Course], time_s: Signal
) -> tuple[Window, ...]:
    """Cut each rest window where an effort has begun, or is not over.

    Windows are told from levels, and a signal that has left its rest by little still counts as
    quiet; the times of an effort are told from its whole ramps.

    Parameters
    ----------
    courses
        Of the efforts; an end that is not known cuts nothing.
    time_s
        Shape (frames,), s.

    Returns
    -------
    tuple of Window
        The same, where a rest window ends a frame before the onset of the effort that follows, and
        begins a frame after the end of the one before; without those of which nothing is left.
    """
    efforts = {window.repeat: window for window in windows if window.state == "contracted"}
    step_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    kept = []
    for window in windows:
        first, last = window.first, window.last
        for course in courses if window.state == "rest" else ():
            effort = efforts[course.repeat]
            if window.last < effort.first and not np.isnan(course.onset_s):
                at_rest = np.flatnonzero(time_s <= course.onset_s - step_s)
                last = min(last, int(at_rest[-1]) if at_rest.size else -1)
            elif window.first > effort.last and not np.isnan(course.end_s):
                at_rest = np.flatnonzero(time_s >= course.end_s + step_s)
                first = max(first, int(at_rest[0]) if at_rest.size else time_s.size)
        if first <= last:
            kept.append(replace(window, first=first, last=last))
    return tuple(kept)
