"""Owns when the efforts of a clip were: their windows, courses and rest."""

from dataclasses import dataclass

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
    """

    structure: Structure | None
    count: Count
    windows: tuple[Window, ...]
    courses: tuple[Course, ...]
    how_rest: tuple[str, ...]


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
        Whether no effort can be in the clip.
    """
    windows = find_windows(
        effort.value,
        time_s,
        effort.smallest,
        direction=effort.direction,
        always_rest=is_rest or not count.number,
        largest_breath=effort.largest_breath,
    )
    courses = time_efforts(effort.value, time_s, windows)
    windows, how_rest = take_rest(breath, time_s, windows, courses, smallest_breath)
    count = Count(0) if is_rest else count
    return Efforts(effort.structure, count, windows, courses, how_rest)
