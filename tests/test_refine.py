"""Edges moved onto the borders in the picture."""

import numpy as np
import pytest

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.refine import REACH_ROWS, refine_edges
from layermotion.geometry import ImageArea
from layermotion.network.grid import ModelGrid

# Two frame rows for each model row, four frame columns for each model column.
GRID = ModelGrid.for_area(ImageArea(0, 0, 640, 640), None, 320)
COLUMN_PX = GRID.column_to_frame(np.arange(160, dtype=np.float32))
# Frame rows at which the upper and lower edge of fat, EO, IO and TrA lie in the middle, and slope.
MIDDLE = np.array([[60, 140], [160, 240], [260, 340], [360, 420]], float)
SLOPE = 0.05


def true_rows(columns: np.ndarray) -> np.ndarray:
    """Frame rows of all edges at some frame columns, shape (4, 2, C)."""
    return MIDDLE[..., None] + SLOPE * (columns - 320)


def picture(noise: float = 12.0) -> np.ndarray:
    """Layers of grey 60 between borders of grey 190, with speckle."""
    rows = np.arange(640)[:, None]
    image = np.full((640, 640), 190.0)
    for top, bottom in true_rows(np.arange(640)):
        # A pixel on an edge is partly layer.
        inside = np.clip(rows + 0.5 - top, 0, 1) * np.clip(bottom - rows + 0.5, 0, 1)
        image -= 130 * inside
    image += noise * np.random.default_rng(2).standard_normal(image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)


def edges_off_by(rows: float) -> Boundaries:
    """Edges of which the upper ones lie too high and the lower ones too low by some frame rows."""
    true = true_rows(COLUMN_PX)
    superficial, deep = (np.full((5, COLUMN_PX.size), np.nan, np.float32) for _ in range(2))
    superficial[:4], deep[:4] = true[:, 0] - rows, true[:, 1] + rows
    return Boundaries(COLUMN_PX, superficial, deep, np.ones((5, COLUMN_PX.size), np.float32))


def errors(edges: Boundaries) -> np.ndarray:
    """How far all edges lie from the true ones, frame rows."""
    true = true_rows(COLUMN_PX)
    return np.stack([edges.superficial_px[:4] - true[:, 0], edges.deep_px[:4] - true[:, 1]])


@pytest.mark.parametrize("off_px", [-1.6, -0.8, 0.8, 1.6])
def test_edges_move_towards_the_borders_in_the_picture(off_px: float) -> None:
    refined = refine_edges(edges_off_by(off_px), picture(), GRID)
    assert np.abs(errors(refined)).mean() < 0.8 * abs(off_px)


def test_edges_on_the_borders_stay() -> None:
    refined = refine_edges(edges_off_by(0.0), picture(), GRID)
    assert np.abs(errors(refined)).max() < 0.6
    assert abs(errors(refined).mean()) < 0.1


def test_a_picture_without_borders_moves_nothing() -> None:
    edges = edges_off_by(1.0)
    refined = refine_edges(edges, np.full((640, 640), 90, np.uint8), GRID)
    np.testing.assert_allclose(refined.superficial_px[:4], edges.superficial_px[:4], atol=1e-3)
    np.testing.assert_allclose(refined.deep_px[:4], edges.deep_px[:4], atol=1e-3)


def test_no_edge_moves_farther_than_is_looked() -> None:
    noise = np.random.default_rng(4).integers(0, 256, (640, 640), dtype=np.uint8)
    refined = refine_edges(edges_off_by(0.0), noise, GRID)
    assert np.abs(errors(refined)).max() <= REACH_ROWS * GRID.row_step


def test_missing_edges_stay_missing_and_order_is_kept() -> None:
    edges = edges_off_by(0.5)
    superficial, deep = edges.superficial_px.copy(), edges.deep_px.copy()
    superficial[2], deep[2] = np.nan, np.nan
    superficial[3, :80], deep[3, :80] = np.nan, np.nan
    # TrA begins where the EO ends.
    superficial[3, 80:] = deep[1, 80:] = (superficial[3, 80:] + deep[1, 80:]) / 2
    partial = Boundaries(COLUMN_PX, superficial, deep, edges.confidence.copy())
    refined = refine_edges(partial, picture(), GRID)
    np.testing.assert_array_equal(np.isnan(refined.superficial_px), np.isnan(superficial))
    np.testing.assert_array_equal(np.isnan(refined.deep_px), np.isnan(deep))
    assert (refined.superficial_px[3, 80:] >= refined.deep_px[1, 80:]).all()


def test_nothing_to_move_is_no_error() -> None:
    nothing = np.full((5, COLUMN_PX.size), np.nan, np.float32)
    edges = Boundaries(COLUMN_PX, nothing, nothing.copy(), np.zeros_like(nothing))
    assert refine_edges(edges, picture(), GRID) is edges
