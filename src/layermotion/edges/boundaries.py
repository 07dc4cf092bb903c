"""Owns edges: class probabilities in, ordered sub-pixel layer edges out."""

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.labels import BACKGROUND, STRUCTURES, WALL_LAYERS, Structure, View, label_of
from layermotion.network.grid import ModelGrid

Array = NDArray[np.float32]

# Structures of each view from the probe downwards.
ORDER = {
    View.ABDOMINAL_WALL: WALL_LAYERS,
    View.BLADDER: (Structure.FAT, Structure.BLADDER),
}
# Columns over which the order of the layers is sought together, so that one column cannot jump to
# another border than its neighbours (our choice: about a tenth of the picture).
NEIGHBOURS = 15
# The order is sought in every so many columns and is linear between (our choice: an edge bends
# little over 1/80 of the picture, and the exact crossing is sought from there).
COARSE_STEP = 4
# Rows on either side of the coarse edge in which the exact crossing is sought, model px.
SEARCH_PX = 5
# The same for the bladder, whose base may be a spike that neighbouring columns do not share: a
# tenth of the input (our choice). No other border lies so near inside or below it.
BLADDER_SEARCH_PX = 32
# Confidence falls to 1/e at this many rows of doubt, model px. Two sharp edges leave 1 to 2. Of the
# measures tried, doubt told large errors from small ones best (our choice).
DOUBT_ROWS = 10.0
# Thinner than this, model px, a structure counts as absent in a column (our choice).
THINNEST_PX = 1.5
# Columns of the running median along the lower edge of the skin (our choice: a sixth of the
# picture, over which the skin has the shape of the probe's face).
SKIN_COLUMNS = 27
# A structure that ends within so many rows of the end of the picture is cut off there; the bright
# border below a structure is rarely thinner (our choice).
CUT_ROWS = 3
# Below this confidence a structure counts as not seen in a column (our choice).
SEEN_CONFIDENCE = 0.5
# Spread of the smoothing along the layer, in edge columns (our choice).
SMOOTHING = 1.5
# A further border lies within a layer where the network believes in it at one depth by at least
# this much, mean over so many columns along the layer, beyond so many rows from its edges, model
# px; each column is looked at in so many depths (our choice: in the second simulation 0.84 to 0.98
# where names were shifted, at most 0.43 where right; in 3 of 1900 values of synthetic stills).
FURTHER_BORDER, FURTHER_COLUMNS, BESIDE_PX, DEPTHS = 0.7, 11, 4.0, 48


@dataclass(frozen=True, eq=False)
class Boundaries:
    """Edges of every structure in one frame, in pixels of the whole frame.

    Parameters
    ----------
    column_px
        Shape (C,), columns at which edges are given, increasing; pixel centres.
    superficial_px, deep_px
        Shape (5, C), row of the upper and lower edge of each structure in label order
        (fat, EO, IO, TrA, bladder); NaN where the structure is absent or runs out of the bottom
        of the picture.
    confidence
        Shape (5, C), 0 to 1: falls with the number of rows in which the network cannot tell whether
        they belong to the structure, see ``DOUBT_ROWS``.
    is_miscounted
        Shape (C,), where a further border lies within a layer of the wall, so that the names of the
        layers may be shifted by one; None where no picture told.
    """

    column_px: Array
    superficial_px: Array
    deep_px: Array
    confidence: Array
    is_miscounted: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        shape = (len(STRUCTURES), self.column_px.shape[0])
        for name in ("superficial_px", "deep_px", "confidence"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, needs {shape}")
        for name in ("column_px", "superficial_px", "deep_px", "confidence"):
            getattr(self, name).flags.writeable = False


def find_boundaries(
    probabilities: Array, grid: ModelGrid, view: View, lowest: NDArray[np.int64] | None = None
) -> Boundaries:
    """Find the edges of the structures of one view.

    In each column the labelling that respects the anatomical order and agrees with the most
    probability mass of the column and its neighbours is found exactly (dynamic programming); each
    of its edges is then moved to where the structure's own probability crosses one half, between
    pixels.

    Parameters
    ----------
    probabilities
        float32, shape (6, *grid.shape), classes in label order.
    grid
        How the frame lies on the model input.
    lowest
        Shape (columns of the input,), as ``lowest_shown`` gives; a structure that ends there, or
        below which nothing is shown, is cut by the border of a sector and counts as absent. None
        looks at the last row alone.

    Returns
    -------
    Boundaries
        Every model column over the image area.
    """
    rows, columns = grid.slices
    labels = [label_of(structure) for structure in ORDER[view]]
    cut = probabilities[[BACKGROUND, *labels], rows, columns]  # (1 + L, R, C)
    border, mass = cut[0], cut[1:]
    edges = _shared_edges(cut)  # (L, 2, C)
    fine = _crossings(mass, edges, SEARCH_PX)  # (L, 2, C)
    if view is View.BLADDER:
        fine[-1:] = _crossings(mass[-1:], edges[-1:], BLADDER_SEARCH_PX)
    fine[0, 0] = _moulded(fine[0, 0])  # the fat's
    top, bottom = edges[:, 0], edges[:, 1]
    # A structure that runs out of the bottom of the picture has no lower edge to measure to.
    unusable = (bottom - top < THINNEST_PX) | (bottom > len(border) - CUT_ROWS)
    if lowest is not None:
        # A bladder that reaches the border is black there, so the last row shown may lie above.
        unusable |= lowest[columns] - rows.start - (bottom - 1) < CUT_ROWS
    fine = np.where(unusable[:, None], np.nan, fine)
    # Variance of "this row belongs to the structure", summed over the column.
    doubt_px = (mass * (1 - mass)).sum(axis=1)
    layers = np.array(labels) - 1
    placed = np.full((len(STRUCTURES), *edges.shape[1:]), np.nan, np.float32)
    placed[layers] = grid.row_to_frame(_smooth(fine) + rows.start)
    confidence = np.zeros((len(STRUCTURES), edges.shape[2]), np.float32)
    confidence[layers] = np.where(unusable, 0, np.exp(-doubt_px / DOUBT_ROWS))
    miscounted = _hides_border(border, edges) if view is View.ABDOMINAL_WALL else None
    # Each edge was refined and smoothed by itself.
    return Boundaries(
        _column_px(grid), *in_order(placed[:, 0], placed[:, 1]), confidence, miscounted
    )


def in_order(superficial: Array, deep: Array) -> tuple[Array, Array]:
    """Upper and lower edges, shape (5, C) each, of which none passes the edge above it."""
    both = np.stack([superficial, deep], axis=1).reshape(-1, superficial.shape[1])  # (10, C)
    ordered = np.where(np.isnan(both), np.nan, np.fmax.accumulate(both, axis=0))
    return ordered[::2], ordered[1::2]


def no_boundaries(grid: ModelGrid) -> Boundaries:
    """Edges of a frame that shows no structure, at the same columns."""
    column_px = _column_px(grid)
    missing = np.full((len(STRUCTURES), column_px.size), np.nan, np.float32)
    return Boundaries(column_px, missing, missing.copy(), np.zeros_like(missing))


def _column_px(grid: ModelGrid) -> Array:
    """Frame columns at which edges are given."""
    _, columns = grid.slices
    model_column = np.arange(columns.start, columns.stop, dtype=np.float32)
    return grid.column_to_frame(model_column).astype(np.float32)


def _shared_edges(probabilities: Array) -> NDArray[np.int64]:
    """Row at which each structure begins and ends, sought over neighbouring columns together.

    Parameters
    ----------
    probabilities
        Shape (1 + L, R, C), of the background and of each structure from the probe downwards.

    Returns
    -------
    ndarray
        Shape (L, 2, C), rows as ``_ordered_edges`` gives them.
    """
    # No structure reaches the last rows, in which every column is rather background.
    is_empty = (probabilities[BACKGROUND] > 0.5).all(axis=1)
    probabilities = probabilities[:, : np.flatnonzero(~is_empty).max(initial=0) + 1]
    count, rows, columns = probabilities.shape
    at = np.arange(0, columns + COARSE_STEP - 1, COARSE_STEP).clip(max=columns - 1)
    shared = cv2.blur(probabilities.reshape(-1, columns), (NEIGHBOURS, 1))[:, at]
    sums = np.zeros((count, rows + 1, at.size), np.float32)
    np.cumsum(shared.reshape(count, rows, -1), axis=1, out=sums[:, 1:])
    coarse = _ordered_edges(sums, range(1, count))
    every = np.arange(columns)
    fine = np.rint([np.interp(every, at, edge) for edge in coarse]).astype(np.int64)
    # Between a column that shows a structure and one that does not, there is no line to draw: the
    # edges of what is absent lie anywhere.
    before = np.clip(np.searchsorted(at, every, side="right") - 1, 0, at.size - 2)
    nearest = before + (every - at[before] > at[before + 1] - every)
    pairs = coarse.reshape(count - 1, 2, -1)
    shown = np.diff(pairs, axis=1) >= THINNEST_PX  # (L, 1, columns looked at)
    ends = shown[..., before] != shown[..., before + 1]
    return np.where(ends, pairs[..., nearest], fine.reshape(count - 1, 2, -1))


def _ordered_edges(sums: Array, labels: Iterable[int]) -> NDArray[np.int64]:
    """Best row at which each structure begins and ends, respecting their order.

    Parameters
    ----------
    sums
        Shape (6, R + 1, C), probability of each class summed over the rows above each row.

    Returns
    -------
    ndarray
        Shape (2 * structures, C), rows 0 to R, non-decreasing along the first axis; a structure
        fills the rows from its begin up to, not including, its end.
    """
    rows, columns = sums.shape[1] - 1, sums.shape[2]
    sequence = [BACKGROUND]
    for label in labels:
        sequence += [label, BACKGROUND]
    # best[r]: most mass explained above row r if the current state ends there.
    best = sums[BACKGROUND]
    gains, peaks = [], []
    for label in sequence[1:]:
        gains.append(best - sums[label])  # (R + 1, C)
        peaks.append(np.maximum.accumulate(gains[-1], axis=0))
        best = peaks[-1] + sums[label]
    edges = np.empty((len(gains), columns), np.int64)
    end = np.full(columns, rows)
    every, row = np.arange(columns), np.arange(rows + 1)[:, None]
    for i in range(len(gains) - 1, -1, -1):
        # The last row, not below the end, at which the running maximum was reached.
        reached = (gains[i] == peaks[i][end, every]) & (row <= end)
        end = rows - reached[::-1].argmax(axis=0)
        edges[i] = end
    return edges


def _crossings(mass: Array, edges: NDArray[np.int64], reach: int) -> Array:
    """Row at which each structure's probability crosses one half, nearest to its coarse edges.

    Parameters
    ----------
    mass
        Shape (L, R, C), probability of each structure.
    edges
        Shape (L, 2, C), coarse edges: the structure begins (or ends) between rows edge - 1 and
        edge.
    reach
        Rows on either side in which it is sought.

    Returns
    -------
    ndarray
        Shape (L, 2, C), rows as pixel centres; the coarse edge where there is no crossing nearby,
        the picture's border where the structure runs out of it.
    """
    count, rows, columns = mass.shape
    offset = np.arange(-reach - 1, reach + 1)[:, None]  # (W, 1)
    at = edges[:, :, None] + offset  # (L, 2, W, C)
    structure = np.arange(count)[:, None, None, None]
    values = mass[structure, np.clip(at, 0, rows - 1), np.arange(columns)] - np.float32(0.5)
    values[:, 1] *= -1  # where a structure ends, its probability falls
    first, second = values[:, :, :-1], values[:, :, 1:]
    away = np.abs(offset[:-1] + 1)
    crosses = (first < 0) & (second >= 0) & (at[:, :, :-1] >= 0) & (at[:, :, 1:] < rows)
    nearest = np.where(crosses, away, len(offset)).argmin(axis=2)[:, :, None]
    found, low, high, row = (
        np.take_along_axis(each, nearest, axis=2)[:, :, 0] for each in (crosses, first, second, at)
    )
    share = low / np.where(found, low - high, 1)
    return np.where(found, row + share, edges - 0.5).astype(np.float32)


def _hides_border(border: Array, edges: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell of each column whether a further border lies within a layer, shape (C,).

    Parameters
    ----------
    border
        Shape (R, C), probability of what is none of the layers.
    edges
        Shape (L, 2, C), rows of the edges.
    """
    top, bottom = edges[:, :1], edges[:, 1:]  # (L, 1, C)
    depth = np.linspace(0, 1, DEPTHS)[:, None]
    row = top + BESIDE_PX + depth * (bottom - top - 1 - 2 * BESIDE_PX)  # (L, D, C)
    at = np.clip(np.rint(row), 0, len(border) - 1).astype(np.int64)
    is_deep = bottom - top > 2 * BESIDE_PX + 1
    inside = np.where(is_deep, border[at, np.arange(border.shape[1])], 0).astype(np.float32)
    # By depth within the layer, so that a border that slants with it stays one.
    along = cv2.blur(inside.reshape(-1, border.shape[1]), (FURTHER_COLUMNS, 1))
    return np.asarray(along.max(axis=0) >= FURTHER_BORDER)


def _moulded(values: Array) -> Array:
    """Take the running median of the skin's lower edge, smooth as the face of the probe."""
    known = np.flatnonzero(~np.isnan(values))
    if known.size == 0:
        return values
    filled = np.interp(np.arange(values.size), known, values[known])
    padded = np.pad(filled, SKIN_COLUMNS // 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, SKIN_COLUMNS)
    middle = np.partition(windows, SKIN_COLUMNS // 2, axis=1)[:, SKIN_COLUMNS // 2]
    return np.where(np.isnan(values), np.nan, middle).astype(np.float32)


def _smooth(values: Array) -> Array:
    """Gaussian smoothing along the layers that leaves gaps as they are, shape (L, 2, C)."""
    known = ~np.isnan(values)
    both = np.stack([np.where(known, values, 0), known.astype(np.float32)])  # (2, L, 2, C)
    flat = both.reshape(-1, both.shape[-1])
    soft = cv2.GaussianBlur(flat, (9, 1), SMOOTHING, borderType=cv2.BORDER_REPLICATE)
    total, weight = soft.reshape(both.shape)
    return np.where(known, total / np.maximum(weight, 1e-6), np.nan).astype(np.float32)
