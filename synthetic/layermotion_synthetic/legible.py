"""Owns which layers of a synthetic picture a person could measure, told from picture and truth."""

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.beams import Grid

# A border is sought over this length to either side of the site, in stretches of this, mm: about
# what an eye takes in around a calliper mark (our choice).
HALF_MM, STRETCH_MM = 5.0, 1.0
# Depths that count as border, outside the layer's edge, and as layer, inside it, mm. Inside ends
# before the middle of a thin layer (our choice; fascia is 0.3 to 1.8 mm thick).
BORDER_MM, INSIDE_MM, INSIDE_SHARE = 0.5, 1.0, 0.4
# A detail is seen when it stands out by at least this many standard errors (Rose 1948, J Opt Soc
# Am 38:196-208, found 3 to 5; from memory). The least of them calls the most pictures legible.
SEEN = 3.0
# Rows at which a depth is sampled.
SAMPLES = 5


def can_be_measured(
    image: NDArray[np.uint8],
    edges_mm: NDArray[np.float64],
    grid: Grid,
    site_x_mm: float,
    *,
    deep_only: bool = False,
) -> bool:
    """Tell whether both borders of a layer, or only its deep one, can be seen around a site.

    A border can be seen where it is brighter than the layer beside it, by ``SEEN`` standard errors
    of the difference between stretches along it.

    Parameters
    ----------
    image
        uint8, shape of ``grid``, as shown.
    edges_mm
        Shape (2, C), depth of the layer's upper and lower edge below the first row, mm.
    grid
        Pixels of the image.
    site_x_mm
        Lateral position of the site, mm.
    """
    at = np.abs(grid.x_mm - site_x_mm) <= HALF_MM
    top, bottom = edges_mm[:, at]
    if at.sum() < 2 or not np.isfinite(edges_mm[:, at]).all():
        return False
    inside_mm = np.minimum(INSIDE_MM, INSIDE_SHARE * (bottom - top))
    column = np.flatnonzero(at)
    stretch = ((grid.x_mm[at] - grid.x_mm[at][0]) / STRETCH_MM).astype(int)
    for edge, inward in ((bottom, -1),) if deep_only else ((top, 1), (bottom, -1)):
        border = _mean_between(image, grid, column, edge - inward * BORDER_MM, edge)
        layer = _mean_between(image, grid, column, edge, edge + inward * inside_mm)
        difference = np.bincount(stretch, border - layer) / np.bincount(stretch)
        error = difference.std(ddof=1) / np.sqrt(difference.size) if difference.size > 1 else 0.0
        if not difference.mean() > SEEN * error:
            return False
    return True


def _mean_between(
    image: NDArray[np.uint8],
    grid: Grid,
    column: NDArray[np.intp],
    first_mm: NDArray[np.float64],
    last_mm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Mean grey between two depths in some columns, black outside the picture, shape (N,)."""
    share = (np.arange(SAMPLES) + 0.5) / SAMPLES
    depth = first_mm + share[:, None] * (last_mm - first_mm)  # (S, N)
    rows = (depth / grid.row_mm - 0.5).astype(np.float32)
    columns = np.broadcast_to(column.astype(np.float32), rows.shape).copy()
    grey = cv2.remap(image, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    mean: NDArray[np.float64] = grey.mean(axis=0, dtype=np.float64)
    return mean
