"""Owns how thick a muscle is over all that is seen of it: that tells efforts, but no size."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import Structure, label_of
from layermotion.series.series import Quantity

# Below this confidence a column takes no part (our choice: a little stricter than for being seen).
COLUMN_CONFIDENCE = 0.6
# Every so many columns is looked at: a twentieth of the smoothing length of a picture (our choice).
EVERY_COLUMN = 4
# Fewest of these columns in which a frame must show the muscle: an eighth of a picture. A column
# takes part that shows it in this share of the frames (our choice).
FEWEST_MUSCLE_COLUMNS, LEAST_SHOWN = 5, 0.1
# Rounds in which the fit settles (our choice).
POLISH_ROUNDS = 8
# A muscle is at most this many times as thick as usual, or as thin (our choice).
LARGEST_RATIO = 2.5


def whole_thickness(frames: Iterable[Boundaries], muscle: Structure) -> Quantity:
    """Thickness of a muscle over its usual one, wherever in the picture it is seen.

    A shadow over the site hides the thickness there, while the muscle beside it still tells when
    it contracts. Each frame has a factor and each column a usual thickness; both are medians of
    what the other leaves, so that a column may be hidden in some frames and shown in others.

    Returns
    -------
    Quantity
        In ``ratio``; NaN where too little of the muscle is seen.

    Notes
    -----
    Median polish: Tukey 1977, Exploratory Data Analysis, chapter 11 (from memory), here of
    logarithms and with gaps.
    """
    k = label_of(muscle) - 1
    rows = []
    for edges in frames:
        thickness = (edges.deep_px - edges.superficial_px)[k, ::EVERY_COLUMN]
        sure = (edges.confidence[k, ::EVERY_COLUMN] >= COLUMN_CONFIDENCE) & (thickness > 0)
        rows.append(np.where(sure, thickness, np.nan))
    ratio = _course(np.log(np.array(rows, float)))
    return Quantity("thickness", muscle, "ratio", ratio, (~np.isnan(ratio)).astype(float))


def _course(log_thickness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factor of each frame, shape (F,), from logarithms of shape (F, C)."""
    is_known = ~np.isnan(log_thickness)
    often = is_known.mean(axis=0) >= LEAST_SHOWN
    values, enough = (
        log_thickness[:, often],
        is_known[:, often].sum(axis=1) >= FEWEST_MUSCLE_COLUMNS,
    )
    ratio = np.full(len(values), np.nan)
    if not enough.any():
        return ratio
    values = values[enough]
    values = values[:, ~np.isnan(values).all(axis=0)]
    usual = np.nanmedian(values, axis=0)
    for _ in range(POLISH_ROUNDS):
        factor = np.nanmedian(values - usual, axis=1)
        usual = np.nanmedian(values - factor[:, None], axis=0)
    ratio[enough] = np.exp(factor - np.median(factor))
    return np.where(np.abs(np.log(ratio)) <= np.log(LARGEST_RATIO), ratio, np.nan)
