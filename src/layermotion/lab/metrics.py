"""Owns how far two masks of one structure differ: Dice, Hausdorff 95 and mean surface distance.

The surface of a mask is its pixels with a side neighbour outside, the border of the picture
counting as outside. Distances run from the centres of one mask's surface to the nearest centre of
the other's, both ways, in mm.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion, distance_transform_edt

from layermotion.errors import InputError

PERCENTILE = 95.0


@dataclass(frozen=True)
class MaskScore:
    """How far a mask lies from the truth.

    Parameters
    ----------
    dice
        Twice the shared part over the sum of both; 0 where nothing was found.
    hausdorff_95_mm
        The larger of the two directions' 95th percentiles of distance; NaN where nothing was found.
    surface_distance_mm
        Mean of the distances of both directions together; NaN where nothing was found.
    """

    dice: float
    hausdorff_95_mm: float
    surface_distance_mm: float


def score_mask(
    found: NDArray[np.bool_], truth: NDArray[np.bool_], *, row_mm: float, column_mm: float
) -> MaskScore:
    """Compare a mask with the truth.

    Parameters
    ----------
    found, truth
        bool, shape (rows, columns).
    row_mm, column_mm
        Size of a pixel.

    Raises
    ------
    InputError
        If the truth holds nothing: no number tells how right it is to find nothing.

    Examples
    --------
    >>> one, other = np.zeros((2, 9, 9), bool)
    >>> one[2:6, 2:6] = other[3:7, 2:6] = True
    >>> score_mask(one, other, row_mm=0.5, column_mm=1.0).hausdorff_95_mm
    0.5
    """
    if not truth.any():
        raise InputError("A mask cannot be compared with an empty truth; leave the structure out.")
    if not found.any():
        return MaskScore(0.0, float("nan"), float("nan"))
    size_mm = (row_mm, column_mm)
    there, back = _distances(found, truth, size_mm), _distances(truth, found, size_mm)
    return MaskScore(
        2 * int((found & truth).sum()) / (int(found.sum()) + int(truth.sum())),
        max(float(np.percentile(one, PERCENTILE)) for one in (there, back)),
        float(np.concatenate([there, back]).mean()),
    )


def _distances(
    one: NDArray[np.bool_], other: NDArray[np.bool_], size_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Distance of each surface pixel of ``one`` to the surface of ``other``, mm."""
    away = distance_transform_edt(~_surface(other), sampling=size_mm)
    return np.asarray(away[_surface(one)], np.float64)


def _surface(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.asarray(mask & ~binary_erosion(mask))
