"""Owns the edges of one frame, from what the network sees in it."""

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.edges.boundaries import Boundaries, find_boundaries, no_boundaries
from layermotion.edges.refine import refine_edges
from layermotion.labels import View
from layermotion.network.grid import ModelGrid
from layermotion.network.look import Look


def edges_in(look: Look, grid: ModelGrid, view: View, least: float) -> Boundaries:
    """Edges of one frame; all missing where the frame does not show the view."""
    if not look.shows(view, least):
        return no_boundaries(grid)
    if view is View.ABDOMINAL_WALL:
        return wall_edges(look.probabilities, look.lowest, look.frame, grid)
    return find_boundaries(look.probabilities, grid, view, look.lowest)


def wall_edges(
    probabilities: NDArray[np.float32],
    lowest: NDArray[np.int64],
    frame: Frame,
    grid: ModelGrid,
) -> Boundaries:
    """Edges of a wall, moved onto the borders in the picture; arguments as those of a ``Look``."""
    edges = find_boundaries(probabilities, grid, View.ABDOMINAL_WALL, lowest)
    return refine_edges(edges, frame.pixels, grid)
