"""Owns the measure of the bladder base: its displacement at each effort."""

from collections.abc import Sequence

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import (
    STATES,
    Kind,
    Level,
    Measure,
    has_effort,
    level_of,
    repeats_in,
)
from layermotion.measures.repeats import with_means
from layermotion.series.series import Quantity, Series

UNSEEN_BASE = "The bladder base could not be seen clearly enough in these frames."

NO_EFFORT = "No effort was found in the clip."

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

PROBE_LOST = (
    "The tissue near the probe could not be followed, so it is not known how much "
    "of the movement is the probe's; compare the frames by eye."
)


def measure_bladder(
    series: Series, windows: Sequence[Window], task: str, error: Uncertainty, method: str
) -> tuple[Measure, ...]:
    """Displacement of the bladder base at each effort; positive is a lift towards the probe."""
    name = "base_displacement"
    quantity = series.get(name, Structure.BLADDER)
    if quantity is None:
        return ()
    kind = Kind(Structure.BLADDER, task, method, quantity.unit, UNSEEN_BASE)
    probe = series.get("probe_shift", "image")
    if not windows:
        return (kind.missing(name, 1, "mm", UNSEEN_BASE),)
    is_hidden = float(np.isnan(quantity.value).mean()) > MUCH_UNSEEN
    measures = []
    for repeat in repeats_in(windows):
        rest, full = (level_of(quantity, windows, state, repeat) for state in STATES)
        if not has_effort(windows, repeat):
            reason = NO_EFFORT_SEEN if is_hidden else NO_EFFORT
            measures.append(kind.missing(name, repeat, "mm", reason))
        elif rest is None or full is None:
            measures.append(kind.missing(name, repeat, "mm", UNSEEN_BASE))
        elif _hidden_share(quantity, windows, full.window) > MOST_HIDDEN:
            measures.append(kind.missing(name, repeat, "mm", BASE_LEFT))
        elif probe is not None and None in levels_of(probe, (rest, full)):
            measures.append(kind.missing(name, repeat, "mm", PROBE_LOST))
        elif probe is not None and _largest(probe, (rest, full)) > PROBE_LIMIT_MM:
            measures.append(kind.missing(name, repeat, "mm", PROBE_MOVED))
        else:
            spread = float(np.hypot(error.base, np.hypot(full.spread, rest.spread)))
            lift = full.value - rest.value
            measures.append(kind.length(name, repeat, lift, spread, (rest, full)))
    return with_means(measures)


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
