"""Owns the measure of slide: of the TrA along itself, at each effort."""

from collections.abc import Sequence

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.measures.measure import (
    NO_REST,
    STATES,
    Kind,
    Measure,
    has_effort,
    level_of,
    repeats_in,
    window_of,
)
from layermotion.measures.repeats import with_means
from layermotion.series.series import Series

UNSEEN_SLIDE = (
    "The texture of the TrA or the EO could not be followed through this effort; judge the slide "
    "by eye."
)
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
            is_rest = window_of(windows, "rest", repeat) is not None
            reason = UNSEEN_SLIDE if is_rest else NO_REST
            measures.append(kind.missing("slide", repeat, "mm", reason))
        else:
            spread = float(np.hypot(SLIDE_ERROR_MM, np.hypot(full.spread, rest.spread)))
            slide = full.value - rest.value
            measures.append(kind.length("slide", repeat, slide, spread, (rest, full)))
    return with_means(measures)
