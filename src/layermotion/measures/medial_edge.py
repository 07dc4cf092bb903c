"""Owns the measure of the medial end of the TrA: how far each effort draws it in."""

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
from layermotion.series.medial_edge import UNSEEN_END, MedialEdge

# Standard deviation of the error of the displacement, mm, and for each mm between site and end (our
# choice, from the clips of test_medial.py).
ERROR_MM, ERROR_SHARE = 0.3, 0.03

MEDIAL_EDGE_METHOD = (
    "Displacement along the picture of the tissue at the visible medial end of the TrA, followed "
    "with the shift and shortening of the muscle between it and the site, against the rest before "
    "the effort; motion of the tissue near the probe is removed. The thin tip, which cannot be "
    "seen, moves more. Positive is lateral."
)


def measure_medial_edge(
    edge: MedialEdge, windows: Sequence[Window], task: str
) -> tuple[Measure, ...]:
    """Displacement of the medial end at each effort, against the rest beside it."""
    name = "medial_edge_displacement"
    kind = Kind(Structure.TRA, task, MEDIAL_EDGE_METHOD, "mm", UNSEEN_END)
    measures = []
    for repeat in repeats_in(windows):
        if not has_effort(windows, repeat):
            continue
        rest, full = (level_of(edge.quantity, windows, state, repeat) for state in STATES)
        if edge.reason or rest is None or full is None:
            is_rest = window_of(windows, "rest", repeat) is not None
            reason = edge.reason or (UNSEEN_END if is_rest else NO_REST)
            measures.append(kind.missing(name, repeat, "mm", reason))
        else:
            own = np.hypot(ERROR_MM, ERROR_SHARE * edge.distance_mm)
            spread = float(np.hypot(own, np.hypot(rest.spread, full.spread)))
            value = full.value - rest.value
            measures.append(kind.length(name, repeat, value, spread, (rest, full)))
    return with_means(measures)
