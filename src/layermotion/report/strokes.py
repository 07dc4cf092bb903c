"""Owns how a line becomes strokes that cv2 can draw: sub-pixel, cut at gaps, in a pattern."""

from collections.abc import Iterator
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.report.palette import Colour

Pixels = NDArray[np.uint8]

# Fractional bits that cv2 reads from a coordinate: edges are placed to 1/16 pixel.
SHIFT_BITS: Final = 4


def draw_strokes(
    image: Pixels, lines: Iterator[NDArray[np.int32]], colour: Colour, thickness: int = 1
) -> None:
    """Draw smooth lines into ``image``; their points are in 1/16 pixel."""
    cv2.polylines(image, list(lines), False, colour, thickness, cv2.LINE_AA, SHIFT_BITS)


def strokes(
    column: NDArray[np.generic],
    row: NDArray[np.generic],
    pattern_px: tuple[int, ...],
    along: NDArray[np.generic] | None = None,
) -> Iterator[NDArray[np.int32]]:
    """Cut a line at gaps and into its pattern; points in 1/16 pixel, shape (points, 1, 2)."""
    drawn = np.isfinite(row)
    if pattern_px:
        phase = np.mod(column if along is None else along, sum(pattern_px))
        drawn &= np.searchsorted(np.cumsum(pattern_px), phase, side="right") % 2 == 0
    places = np.flatnonzero(drawn)
    if places.size == 0:
        return
    fine = np.stack([column[places], row[places]], axis=1) * 2.0**SHIFT_BITS
    points = np.round(fine).astype(np.int32).reshape(-1, 1, 2)
    yield from np.split(points, np.flatnonzero(np.diff(places) > 1) + 1)
