"""Owns how all edges of a view move together: that tells efforts, but no size."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import SEEN_CONFIDENCE, Boundaries
from layermotion.labels import Structure, label_of
from layermotion.normal import SPREAD_OVER_MEDIAN
from layermotion.series.whole_muscle import EVERY_COLUMN

Array = NDArray[np.float64]

# A place on an edge takes part that is seen in this share of the frames, and a frame that shows
# this share of those places (our choice).
OFTEN_SEEN, MOSTLY_SEEN = 0.7, 0.6
# Fewest places that show a shape (our choice).
FEWEST_PLACES = 10
# Shifts beyond this many robust standard deviations of all are taken to be so far only, so that a
# few places that move far do not tell alone (our choice).
FARTHEST = 9.0
# Rounds in which the gaps settle, and steps of the orthogonal iteration within each, which goes on
# from the round before (our choice).
FILL_ROUNDS, POWER_STEPS = 10, 4


def outline_courses(frames: Iterable[Boundaries], layers: Sequence[Structure]) -> Array:
    """Courses over time of the two changes of shape that move the edges of some layers most.

    What is hidden still bends, lifts and draws along what lies beside it. Rows count from
    the skin, so that a push of the probe changes nothing.

    Parameters
    ----------
    layers
        Those of the view, the fat among them.

    Returns
    -------
    ndarray
        Shape (2, F), root mean square of the shift of all places, px, either way, the larger first;
        NaN where too little is seen.

    Notes
    -----
    Principal components, gaps filled from the fit of the last round: Ilin and Raiko 2010, J Mach
    Learn Res 11:1957-2000 (the imputation algorithm; from memory), here of clipped shifts.
    """
    rows = np.array([_places(edges, layers) for edges in frames])
    rows = rows[:, (~np.isnan(rows)).mean(axis=0) >= OFTEN_SEEN]
    courses = np.full((2, len(rows)), np.nan)
    if rows.shape[1] < FEWEST_PLACES:
        return courses
    # Each place is seen in most frames, so some frames show most places.
    is_enough = (~np.isnan(rows)).mean(axis=1) >= MOSTLY_SEEN
    shift = rows[is_enough] - np.nanmedian(rows, axis=0)
    is_known = ~np.isnan(shift)
    limit = FARTHEST * SPREAD_OVER_MEDIAN * float(np.median(np.abs(shift[is_known])))
    known = np.clip(np.nan_to_num(shift), -limit, limit)
    filled = known
    shapes = np.eye(rows.shape[1], 2) + 1 / rows.shape[1]
    for _ in range(FILL_ROUNDS):
        mean = filled.mean(axis=0)
        around = filled - mean
        for _ in range(POWER_STEPS):
            shapes = np.linalg.qr(around.T @ (around @ shapes))[0]
        largest = shapes[:, 0]
        filled = np.where(is_known, known, mean + np.outer(around @ largest, largest))
    courses[:, is_enough] = (around @ shapes).T / np.sqrt(rows.shape[1])
    return courses


def _places(edges: Boundaries, layers: Sequence[Structure]) -> Array:
    """Rows of the edges of some layers from the skin, one after the other; NaN where not seen."""
    chosen = [label_of(layer) - 1 for layer in layers]
    fat = label_of(Structure.FAT) - 1
    both = np.stack([edges.superficial_px, edges.deep_px]).astype(float)
    both[:, edges.confidence < SEEN_CONFIDENCE] = np.nan
    skin = both[0, fat, ::EVERY_COLUMN]
    known = skin[~np.isnan(skin)]
    level = float(np.median(known)) if known.size else float("nan")
    return (both[:, chosen, ::EVERY_COLUMN] - level).reshape(-1)
