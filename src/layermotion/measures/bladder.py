"""Owns the measure of the bladder base: its displacement at each effort."""

from collections.abc import Sequence

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import Structure, Task
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import (
    NO_REST,
    Kind,
    Level,
    Measure,
    has_effort,
    level_of,
    repeats_in,
    window_of,
)
from layermotion.measures.repeats import with_means
from layermotion.measures.unseen import WHEN_OF_LIFT
from layermotion.series.series import Quantity, Series

UNSEEN_BASE = (
    "The bladder base was hidden, cut off or out of the picture in most of the clip; record again "
    "with the whole bladder in view."
)

ONE_STILL = (
    "One still cannot show movement; record a clip, or a still at rest and one at the effort."
)

AT_REST = (
    "This was stated to be a recording of rest, in which no effort is looked for, so the base has "
    "no displacement; for that, record an effort and state its task."
)

NO_EFFORT = (
    "No effort was found in the clip; check in the video that it was made, and record it again "
    "from rest to rest."
)

NO_TASK = (
    "No effort was found in the clip, and no task was stated, without which fewer efforts are "
    "recognised; state it with --task."
)

# With these reasons there was nothing to measure, while the base was seen.
NOTHING_TO_MEASURE = (AT_REST, NO_EFFORT, NO_TASK)

NO_EFFORT_SEEN = (
    "No effort was found in the frames in which the bladder base could be seen, and it was hidden "
    "or out of the picture in others; record the effort again with the whole bladder in view."
)

BASE_LEFT = (
    "The bladder base was hidden or out of the picture during this effort, so the height of the "
    "effort may not be among the frames measured; record it again with the whole bladder in view."
)

# So many frames of an effort may be unseen, as a share, before its peak may be among them (our
# choice).
MOST_HIDDEN = 0.1

# With this share of the frames unseen an effort may have been there (our choice).
MUCH_UNSEEN = 0.15

# In and out motion of the probe up to this was seen to bring no error, mm (Whittaker 2012, thesis,
# University of Southampton, eprints.soton.ac.uk/340445).
PROBE_LIMIT_MM = 8.0

PROBE_MOVED = (
    f"The probe moved by more than {PROBE_LIMIT_MM:g} mm, too much to be taken out of "
    f"the movement of the bladder base; record the effort again with a steady probe."
)

NO_LIFT = "The lift beside this effort is not seen for long enough to be measured; see the plot."

# What is measured of an effort, from which window to which; of a dip upon a lift also how high the
# lift was before and after it, against rest, and how far the base dropped from it.
PARTS = (("base_displacement", "rest", "contracted"),)
PARTS_ON_LIFT = (
    ("lift_before", "rest", "lifted"),
    *PARTS,
    ("lift_drop", "lifted", "contracted"),
    ("lift_after", "rest", "regained"),
)

PROBE_LOST = (
    "The tissue near the probe could not be followed, so it is not known how much "
    "of the movement is the probe's; compare the frames by eye."
)


def measure_bladder(
    series: Series,
    windows: Sequence[Window],
    task: str,
    error: Uncertainty,
    method: str,
    unseen: str = UNSEEN_BASE,
    *,
    is_still: bool = False,
) -> tuple[Measure, ...]:
    """Displacement of the bladder base at each effort; positive is a lift towards the probe.

    Parameters
    ----------
    unseen
        Reason given where the base has no value in the whole clip.
    is_still
        Whether the frames are stills: one, or one at rest and one at the effort.
    """
    name = "base_displacement"
    quantity = series.get(name, Structure.BLADDER)
    if quantity is None:
        return ()
    kind = Kind(Structure.BLADDER, task, method, quantity.unit, unseen)
    probe = series.get("probe_shift", "image")
    is_effort = any(has_effort(windows, repeat) for repeat in repeats_in(windows))
    if is_still and not is_effort:
        return (kind.missing(name, 1, "mm", ONE_STILL),)
    if not windows or (np.isnan(quantity.value).all() and not is_still):
        return (kind.missing(name, 1, "mm", unseen),)
    measures: list[Measure] = []
    for repeat in repeats_in(windows):
        if not has_effort(windows, repeat):
            measures.append(kind.missing(name, repeat, "mm", _without_effort(quantity, task)))
            continue
        is_on_lift = window_of(windows, "lifted", repeat) is not None
        for part, base, state in PARTS_ON_LIFT if is_on_lift else PARTS:
            sign = -1 if part == "lift_drop" else 1
            ends = _ends(quantity, probe, windows, repeat, (base, state), is_still=is_still)
            if isinstance(ends, str):
                measures.append(kind.missing(part, repeat, "mm", ends))
                continue
            low, high = ends
            own = error.of_base(low.window, high.window)
            spread = float(np.hypot(own, np.hypot(high.spread, low.spread)))
            way = sign * (high.value - low.value)
            own_kind = error.with_hand(kind, [(Structure.BLADDER, level) for level in ends])
            measures.append(own_kind.length(part, repeat, way, spread, (low, high)))
    return with_means(measures)


def _ends(
    quantity: Quantity,
    probe: Quantity | None,
    windows: Sequence[Window],
    repeat: int,
    states: tuple[str, str],
    *,
    is_still: bool,
) -> tuple[Level, ...] | str:
    """Levels of the base in two windows of an effort, or why the way between them is not given."""
    levels: list[Level] = []
    for state in states:
        window = window_of(windows, state, repeat)
        level = level_of(quantity, windows, state, repeat)
        if window is None:
            return NO_REST if state == "rest" else NO_LIFT
        if level is None:
            return _unseen_in(quantity, window, is_still=is_still)
        levels.append(level)
    heights = [level.window for level in levels if level.window.state == "contracted"]
    if any(_hidden_share(quantity, windows, window) > MOST_HIDDEN for window in heights):
        return BASE_LEFT
    if probe is not None and None in levels_of(probe, levels):
        return PROBE_LOST
    if probe is not None and _largest(probe, levels) > PROBE_LIMIT_MM:
        return PROBE_MOVED
    return tuple(levels)


def _without_effort(quantity: Quantity, task: str) -> str:
    """Say why a clip without an effort gives no displacement."""
    if task == Task.REST:
        return AT_REST
    if float(np.isnan(quantity.value).mean()) > MUCH_UNSEEN:
        return NO_EFFORT_SEEN
    return NO_EFFORT if task in list(Task) else NO_TASK


def _unseen_in(quantity: Quantity, window: Window, *, is_still: bool) -> str:
    """Say that the base was seen too seldom in a window, or not in a still."""
    when = WHEN_OF_LIFT[window.state]
    if is_still:
        return (
            f"The bladder base could not be found in the still {when}; take that still again with "
            f"the whole bladder in view."
        )
    values = quantity.value[window.frames]
    seen = int(np.count_nonzero(~np.isnan(values)))
    return (
        f"The bladder base was seen in only {seen} of {values.size} frames {when}; record again "
        f"with the whole bladder in view."
    )


def _hidden_share(quantity: Quantity, windows: Sequence[Window], effort: Window) -> float:
    """Share of the frames without a value among those between the rest on either side."""
    before = [w.last for w in windows if w.last < effort.first]
    after = [w.first for w in windows if w.first > effort.last]
    span = quantity.value[max(before, default=-1) + 1 : min(after, default=quantity.value.size)]
    return float(np.isnan(span).mean())


def _largest(quantity: Quantity, levels: Sequence[Level]) -> float:
    """Largest known value within some windows; 0 where there is none."""
    values = np.concatenate([quantity.value[level.window.frames] for level in levels])
    return float(np.max(values, initial=0.0, where=~np.isnan(values)))


def levels_of(quantity: Quantity, levels: Sequence[Level]) -> list[Level | None]:
    """Levels of another quantity in the same windows."""
    return [
        level_of(quantity, (level.window,), level.window.state, level.window.repeat)
        for level in levels
    ]
