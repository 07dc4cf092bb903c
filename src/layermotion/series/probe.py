"""Owns how the probe moved over the tissue, and where tissue would be seen had it not."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import ImageArea, Spacing
from layermotion.tissue.tracker import Motions, TissueMotion

Array = NDArray[np.float64]

# Gives for a frame's index the columns (frame px) and depths (the scale's unit) at which the tissue
# seen at some columns and depths would be seen had the probe stayed; NaN where that is unknown.
Settle = Callable[
    [int, NDArray[np.float64], NDArray[np.float64]],
    tuple[NDArray[np.float64], NDArray[np.float64]],
]


@dataclass(frozen=True, eq=False)
class ProbeShift:
    """Movement of the probe over the tissue since the key frame, in every frame, shape (frames,).

    Parameters
    ----------
    magnitude_mm
        Length of the shift beside the middle of the probe's face, mm; NaN where lost.
    column_mm, row_mm
        Its parts, mm: towards the right of the picture, and into the body.
    confidence
        0 to 1; 0 where lost.
    """

    magnitude_mm: Array
    column_mm: Array
    row_mm: Array
    confidence: Array


def probe_shift(motions: Sequence[TissueMotion], spacing: Spacing) -> ProbeShift:
    """Movement of the probe: opposite to that of the tissue near it."""
    every = Motions.of(motions)
    row, column = -every.near_px.T * np.array([[spacing.row_mm], [spacing.column_mm]])
    return ProbeShift(np.hypot(column, row), column, row, every.near_confidence.copy())


def without_probe(
    motions: Sequence[TissueMotion], spacing: Spacing | None, area: ImageArea
) -> Settle | None:
    """Tell where tissue would be seen had the probe kept its first place.

    Parameters
    ----------
    motions
        One for each frame.
    spacing
        Without it lengths are frame pixels, taken as square.

    Returns
    -------
    Settle or None
        None where the tissue near the probe is lost in more than half of the frames.
    """
    if np.isnan(Motions.of(motions).near_px[:, 0]).mean() > 0.5:
        return None
    row, column = (spacing.row_mm, spacing.column_mm) if spacing else (1.0, 1.0)
    middle = area.left + (area.width - 1) / 2
    top = area.top * row

    def settle(index: int, column_px: Array, depth: Array) -> tuple[Array, Array]:
        near, turn = motions[index].near, motions[index].turn_rad
        across = (column_px - middle - near.column_px) * column
        down = depth - top - near.row_px * row
        return middle + (across + turn * down) / column, top + down - turn * across

    return settle
