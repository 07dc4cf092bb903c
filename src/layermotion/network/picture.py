"""Owns segmenting one image area: probabilities on the model grid, labels at full size."""

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import ImageArea, Spacing
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter


def area_probabilities(
    pixels: NDArray[np.uint8], area: ImageArea, spacing: Spacing | None, segmenter: Segmenter
) -> NDArray[np.float32]:
    """Class probabilities of an image area on the model's grid, shape (6, rows, columns)."""
    grid = ModelGrid.for_area(area, spacing, segmenter.size_px)
    probabilities = segmenter.run(grid.to_model(pixels)[None])[0][0]
    return np.asarray(probabilities[(slice(None), *grid.slices)], np.float32)


def full_size_label(probabilities: NDArray[np.float32], area: ImageArea) -> NDArray[np.uint8]:
    """Likeliest class of every pixel of an image area, uint8 (height, width)."""
    scaled = np.stack([cv2.resize(p, (area.width, area.height)) for p in probabilities])
    return np.asarray(scaled.argmax(axis=0), np.uint8)
