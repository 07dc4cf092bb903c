"""Owns the pixels that lie between the edges of each structure."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import STRUCTURES, Structure, label_of


def mask_stack(
    boundaries: Boundaries, shape: tuple[int, ...], shown: Sequence[Structure] = STRUCTURES
) -> NDArray[np.bool_]:
    """Pixels whose centre lies between the edges of each structure.

    Returns
    -------
    ndarray
        Shape (structures, rows, columns), in the order of ``shown``.
    """
    rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])
    masks = np.zeros((len(shown), shape[0], shape[1]), bool)
    for mask, structure in zip(masks, shown, strict=True):
        k = label_of(structure) - 1
        # Between two columns with an edge lies a straight line; a gap in between stays a gap.
        top, bottom = (
            np.interp(columns, boundaries.column_px, edge[k], left=np.nan, right=np.nan)
            for edge in (boundaries.superficial_px, boundaries.deep_px)
        )
        mask[:] = (rows >= top) & (rows <= bottom)
    return masks
