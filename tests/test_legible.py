"""Which synthetic layers a person could measure."""

import numpy as np
import pytest

from layermotion_synthetic.beams import Grid
from layermotion_synthetic.legible import can_be_measured

GRID = Grid(200, 200, 0.1, 0.1, -10.0, 0.0)
EDGES_MM = np.stack([np.full(200, 8.0), np.full(200, 13.0)])


def picture(upper_grey: float, lower_grey: float, noise: float = 20.0) -> np.ndarray:
    """Draw a layer of grey 60 in speckle, with borders 0.6 mm thick above and below it."""
    rng = np.random.default_rng(5)
    image = 60 + noise * rng.standard_normal((200, 200))
    image[74:80] += upper_grey - 60
    image[130:136] += lower_grey - 60
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)


def test_bright_borders_are_legible() -> None:
    assert can_be_measured(picture(180, 180), EDGES_MM, GRID, 0.0)


@pytest.mark.parametrize(("upper", "lower"), [(60, 180), (180, 60), (40, 180), (60, 60)])
def test_a_border_that_is_no_brighter_is_not_legible(upper: float, lower: float) -> None:
    assert not can_be_measured(picture(upper, lower), EDGES_MM, GRID, 0.0)


def test_only_the_deep_border_counts_where_asked() -> None:
    assert can_be_measured(picture(60, 180), EDGES_MM, GRID, 0.0, deep_only=True)
    assert not can_be_measured(picture(180, 60), EDGES_MM, GRID, 0.0, deep_only=True)


def test_faint_borders_drown_in_speckle() -> None:
    assert can_be_measured(picture(66, 66, noise=2.0), EDGES_MM, GRID, 0.0)
    assert not can_be_measured(picture(63, 63, noise=60.0), EDGES_MM, GRID, 0.0)


def test_a_layer_that_is_missing_at_the_site_is_not_legible() -> None:
    edges_mm = EDGES_MM.copy()
    edges_mm[:, :120] = np.nan
    assert not can_be_measured(picture(180, 180), edges_mm, GRID, 0.0)
    assert can_be_measured(picture(180, 180), edges_mm, GRID, 8.0)
    assert not can_be_measured(picture(180, 180), EDGES_MM, GRID, 40.0)


def test_a_layer_below_the_picture_is_not_legible() -> None:
    assert not can_be_measured(picture(180, 180), EDGES_MM + 8.0, GRID, 0.0)
