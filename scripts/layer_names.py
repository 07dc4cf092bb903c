"""Owns whether the layers found in a wall bear their own names, told column by column."""

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import WALL_LAYERS, label_of

# A column tells a layer's name where so many rows of the layer are shown, px (our choice: a tip
# thinner than 2 % of the picture has no name to lose).
LEAST_ROWS = 8
# A layer is named wrongly in a picture if it bears another layer's name in more than this share of
# its columns (our choice: the site lies in the middle, and an end may be unclear).
WRONG_SHARE = 0.1


def other_names(labels: NDArray[np.uint8], edges: Boundaries) -> NDArray[np.float64]:
    """Share of each layer's columns in which it bears another layer's name, and no name.

    Parameters
    ----------
    labels
        True label of every pixel of the frame.

    Returns
    -------
    ndarray
        Shape (4, 2): fat, EO, IO, TrA; named wrongly and not named at all; NaN where the layer is
        not shown.
    """
    column = np.clip(np.rint(edges.column_px).astype(int), 0, labels.shape[1] - 1)
    true = labels[:, column]  # (R, C)
    row = np.arange(labels.shape[0])[:, None]
    found = np.zeros_like(true)
    for layer in WALL_LAYERS:
        k = label_of(layer) - 1
        found[(row >= edges.superficial_px[k]) & (row < edges.deep_px[k])] = k + 1
    shares = np.full((len(WALL_LAYERS), 2), np.nan)
    for i, layer in enumerate(WALL_LAYERS):
        own = true == label_of(layer)
        shown = own.sum(axis=0) >= LEAST_ROWS
        if not shown.any():
            continue
        counts = np.stack(
            [(own & (found == label)).sum(axis=0) for label in range(len(WALL_LAYERS) + 1)]
        )
        # The name that most of the column's pixels bear, among those that bear one.
        name = 1 + counts[1:].argmax(axis=0)
        nameless = counts[1:].sum(axis=0) < 0.5 * own.sum(axis=0)
        wrong = ~nameless & (name != label_of(layer))
        shares[i] = wrong[shown].mean(), nameless[shown].mean()
    return shares
