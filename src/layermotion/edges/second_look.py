"""Owns the second look at a wall: its edges in the frame mirrored and cut otherwise.

What is taken for a border in one look and not in the other is no border to rely on.
"""

import numpy as np

from layermotion.clip import Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.frame import wall_edges
from layermotion.geometry import ImageArea, Spacing
from layermotion.network.grid import ModelGrid
from layermotion.network.look import lowest_shown
from layermotion.network.segmenter import Segmenter

# Every frame of this many is looked at twice, the first one always (our choice: a border is taken
# for another one for seconds, and each second look costs as much as the first).
EVERY = 10
# Part of the rows, from below, that the second look leaves out, so that the rest is scaled
# otherwise (our choice: less changes little, more cuts into the wall).
CUT_BELOW = 0.15


def look_again(
    frame: Frame, segmenter: Segmenter, grid: ModelGrid, spacing: Spacing | None
) -> Boundaries:
    """Edges of a wall in the frame mirrored and cut below, at the frame's own positions."""
    cut = cut_below(grid, spacing)
    image = cut.to_model(frame.pixels)
    mirrored, _ = segmenter.run(np.ascontiguousarray(image[:, ::-1])[None])
    probabilities = np.ascontiguousarray(mirrored[0][:, :, ::-1])
    return wall_edges(probabilities, lowest_shown(image), frame, cut)


def cut_below(grid: ModelGrid, spacing: Spacing | None) -> ModelGrid:
    """How the upper part of a grid's area lies on the model input by itself."""
    area = grid.area
    upper = ImageArea(area.top, area.left, round((1 - CUT_BELOW) * area.height), area.width)
    return ModelGrid.for_area(upper, spacing, grid.size_px)
