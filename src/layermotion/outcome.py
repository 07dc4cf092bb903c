"""Owns what measuring a clip comes to, whichever view it shows, and when its efforts were."""

from dataclasses import dataclass, replace

import numpy as np

from layermotion.breathing import take_rest
from layermotion.counting import Count
from layermotion.events import Course, Window, find_windows, time_efforts
from layermotion.evidence import Evidence
from layermotion.excursions import Signal
from layermotion.labels import Structure
from layermotion.measures import Measure
from layermotion.medial import MedialEdge
from layermotion.series import Quantity, Series


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


@dataclass(frozen=True, eq=False)
class Outcome:
    """Series and measures of a clip.

    Parameters
    ----------
    site_px
        Frame column of the site or of the bladder base; None where there is none.
    cautions
        Sentences for the report.
    medial_edge
        How the medial end of the TrA moves; None where no slide is measured.
    """

    series: Series
    efforts: Efforts
    measures: tuple[Measure, ...]
    site_px: float | None
    cautions: tuple[str, ...]
    medial_edge: MedialEdge | None = None


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


def from_rest(moved: Quantity, windows: tuple[Window, ...]) -> Quantity:
    """Shift a displacement so that the first rest window is its zero, as far as it was seen."""
    rest = [moved.value[window.frames] for window in windows if window.state == "rest"][:1]
    known = [values[~np.isnan(values)] for values in rest]
    zero = float(known[0].mean()) if known and known[0].size else 0.0
    return replace(moved, value=moved.value - zero, confidence=moved.confidence.copy())
