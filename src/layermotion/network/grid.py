"""Owns how a frame lies on the input of the network."""

from dataclasses import dataclass
from typing import Any, Self, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import COLUMN_RATIO, ImageArea, Spacing

Positions = TypeVar("Positions", float, NDArray[np.floating[Any]])


def input_shape(size_px: int) -> tuple[int, int]:
    """Rows and columns of the input of a model with ``size_px`` rows.

    Examples
    --------
    >>> input_shape(320)
    (320, 160)
    """
    return size_px, size_px // COLUMN_RATIO


@dataclass(frozen=True)
class ModelGrid:
    """How the image area of a frame lies on the model input.

    Positions are pixel centres: row 0.0 is the middle of the first row. The area is scaled to
    pixels ``COLUMN_RATIO`` times as wide as high in mm, so that the input covers a square, then
    centred, and padded with black on two sides.

    Parameters
    ----------
    area
        Part of the frame that is shown to the model.
    size_px
        Rows of the model input.
    rows, columns
        Size of the scaled area on the model input; the longer side fills it.
    mm_per_pixel
        Height of a model pixel, mm; None where the clip is not calibrated. The shorter side is
        rounded to whole pixels, so this holds to within half a pixel over that side; the
        position maps below are exact.
    """

    area: ImageArea
    size_px: int
    rows: int
    columns: int
    mm_per_pixel: float | None

    @classmethod
    def for_area(cls, area: ImageArea, spacing: Spacing | None, size_px: int) -> Self:
        """Fit an image area to the model input; without a calibration pixels count as square."""
        row, column = (spacing.row_mm, spacing.column_mm) if spacing else (1.0, 1.0)
        height, width = area.height * row, area.width * column
        scale = max(height, width) / size_px
        return cls(
            area=area,
            size_px=size_px,
            rows=max(1, round(height / scale)),
            columns=max(1, round(width / scale / COLUMN_RATIO)),
            mm_per_pixel=scale if spacing else None,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the model input."""
        return input_shape(self.size_px)

    @property
    def row_step(self) -> float:
        """Frame rows in one model row."""
        return self.area.height / self.rows

    @property
    def row_size(self) -> float:
        """Height of a model row in the unit of thickness: mm, frame rows without a calibration."""
        return self.row_step if self.mm_per_pixel is None else self.mm_per_pixel

    @property
    def column_step(self) -> float:
        """Frame columns in one model column."""
        return self.area.width / self.columns

    @property
    def top(self) -> int:
        """First model row that shows tissue."""
        return (self.size_px - self.rows) // 2

    @property
    def left(self) -> int:
        """First model column that shows tissue."""
        return (self.shape[1] - self.columns) // 2

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices that cut the tissue out of a model image."""
        return slice(self.top, self.top + self.rows), slice(self.left, self.left + self.columns)

    def to_model(self, frame_pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Resample one frame.

        Parameters
        ----------
        frame_pixels
            uint8, shape (frame rows, frame columns).

        Returns
        -------
        NDArray[np.uint8]
            Shape ``self.shape``.
        """
        cut = frame_pixels[self.area.slices]
        # Averaging along a side that shrinks, interpolation along a side that grows.
        smaller = (min(self.area.width, self.columns), min(self.area.height, self.rows))
        shrunk = cv2.resize(cut, smaller, interpolation=cv2.INTER_AREA)
        image = np.zeros(self.shape, np.uint8)
        image[self.slices] = cv2.resize(
            shrunk, (self.columns, self.rows), interpolation=cv2.INTER_LINEAR
        )
        return image

    def row_to_frame(self, rows: Positions) -> Positions:
        """Frame rows of model rows, sub-pixel.

        Examples
        --------
        >>> grid = ModelGrid.for_area(ImageArea(10, 0, 640, 640), None, 320)
        >>> grid.row_to_frame(0.0)  # the first model row covers frame rows 10 and 11
        10.5
        """
        return (rows - self.top + 0.5) * self.row_step - 0.5 + self.area.top

    def column_to_frame(self, columns: Positions) -> Positions:
        """Frame columns of model columns, sub-pixel."""
        return (columns - self.left + 0.5) * self.column_step - 0.5 + self.area.left

    def row_to_model(self, rows: Positions) -> Positions:
        """Model rows of frame rows; the inverse of ``row_to_frame``."""
        return (rows - self.area.top + 0.5) / self.row_step - 0.5 + self.top

    def column_to_model(self, columns: Positions) -> Positions:
        """Model columns of frame columns; the inverse of ``column_to_frame``."""
        return (columns - self.area.left + 0.5) / self.column_step - 0.5 + self.left
