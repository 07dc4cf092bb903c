"""Owns moving the network's edges onto the borders that the picture itself shows.

``python scripts/edges.py`` compares what each step of placing edges does.
"""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries, in_order
from layermotion.labels import WALL_LAYERS, label_of
from layermotion.network.grid import ModelGrid

Array = NDArray[np.float32]

# How far an edge is expected off the network's, standard deviation in model rows, and how much the
# steepest brightening weighs beside it, as the logarithm of odds (both our choice, set on synthetic
# stills: the picture alone draws edges into the layer, because echoes look thicker than they are).
EXPECTED_ROWS, WEIGHT = 0.8, 1.05
# Rows looked at, to either side of the edge, model px, and their number.
REACH_ROWS, ROW_STEPS = 2.4, 13
# Standard deviation of the smoothing along the edge, in edge columns (our choice).
ALONG = 2.0
# Fewer columns of an edge than this are left as they are.
FEWEST_EDGE_COLUMNS = 5


def refine_edges(edges: Boundaries, pixels: NDArray[np.uint8], grid: ModelGrid) -> Boundaries:
    """Move the edges of the wall's layers to where the picture brightens into their borders.

    Each edge, straightened, is looked at in the frame's own pixels; within about a model row its
    place becomes the mean of all places, weighted by how much the picture brightens from the layer
    outwards there, smoothed along the edge, and by how near the network's edge is.

    Parameters
    ----------
    edges
        As ``find_boundaries`` gives them.
    pixels
        uint8, shape (rows, columns), the whole frame.
    """
    layers = np.array([label_of(layer) - 1 for layer in WALL_LAYERS])
    places = np.stack([edges.superficial_px[layers], edges.deep_px[layers]])  # (2, 4, C)
    known = np.isfinite(places)
    usable = np.count_nonzero(known, axis=2) >= FEWEST_EDGE_COLUMNS
    if not usable.any():
        return edges
    offset = np.linspace(-REACH_ROWS, REACH_ROWS, ROW_STEPS).astype(np.float32)
    outwards = np.repeat([-1.0, 1.0], len(layers))[usable.ravel()]
    shift = _shift(places[usable], known[usable], outwards, edges.column_px, offset, pixels, grid)
    places[usable] += shift * grid.row_step
    superficial, deep = edges.superficial_px.copy(), edges.deep_px.copy()
    superficial[layers], deep[layers] = places
    superficial, deep = in_order(superficial, deep)
    return replace(edges, superficial_px=superficial, deep_px=deep)


def _shift(
    places: Array,
    known: NDArray[np.bool_],
    outwards: NDArray[np.float64],
    column_px: Array,
    offset: Array,
    pixels: NDArray[np.uint8],
    grid: ModelGrid,
) -> Array:
    """Model rows by which each edge is moved.

    Parameters
    ----------
    places, known
        Shape (E, C), frame rows of the edges, and where there are any.
    outwards
        Shape (E,), -1 where the layer lies below its edge, 1 where above.
    offset
        Shape (S,), model rows, evenly spaced.

    Returns
    -------
    ndarray
        Shape (E, C).
    """
    every = np.arange(column_px.size)
    filled = np.stack(
        [np.interp(every, every[seen], row[seen]) for row, seen in zip(places, known, strict=True)]
    )
    step = offset[1] - offset[0]
    wide = np.concatenate([offset[:1] - step, offset, offset[-1:] + step])
    rows = filled[:, None] + wide[:, None] * grid.row_step  # (E, S + 2, C)
    flat = rows.reshape(-1, every.size).astype(np.float32)
    columns = np.ascontiguousarray(np.broadcast_to(column_px, flat.shape))
    grey = cv2.remap(pixels, columns, flat, cv2.INTER_LINEAR).astype(np.float32)
    weight = np.repeat(known.astype(np.float32), wide.size, axis=0)
    soft = _along(grey * weight) / np.maximum(_along(weight), 1e-3)
    profile = soft.reshape(rows.shape)
    slope = outwards[:, None, None] * (profile[:, 2:] - profile[:, :-2])
    slope = np.maximum(slope, 0)
    usual = slope.max(axis=1).mean(axis=1)[:, None, None] + 1e-3
    belief = np.exp(WEIGHT * slope / usual - 0.5 * (offset[:, None] / EXPECTED_ROWS) ** 2)
    shift = (belief * offset[:, None]).sum(axis=1) / belief.sum(axis=1)
    return np.asarray(shift, np.float32)


def _along(values: Array) -> Array:
    """Smooth each row of values, shape (N, C)."""
    return np.asarray(cv2.GaussianBlur(values, (13, 1), ALONG), np.float32)
