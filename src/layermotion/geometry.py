"""Owns physical scale: how large a pixel is in each direction, and where the image lies."""

import math
from dataclasses import dataclass

from layermotion.errors import InputError

# Spacing outside this range is refused as a mistake: 0.005 mm is finer than any clinical
# scanner's display, 2 mm would show a 4 mm muscle as two rows (our choice).
SPACING_RANGE_MM = (0.005, 2.0)
# Width of a model pixel over its height, in mm. Layers run across the picture and edges are
# sought along columns, so detail counts in depth; scanners resolve less across (our choice).
COLUMN_RATIO = 2


@dataclass(frozen=True)
class Spacing:
    """Size of one pixel; rows run with depth, columns with lateral position.

    Parameters
    ----------
    row_mm
        Depth covered by one row, mm.
    column_mm
        Lateral distance covered by one column, mm.
    source
        Where the calibration comes from, in words a report can print.

    Raises
    ------
    InputError
        If either value is not finite or lies outside ``SPACING_RANGE_MM``.
    """

    row_mm: float
    column_mm: float
    source: str

    def __post_init__(self) -> None:
        low, high = SPACING_RANGE_MM
        for side, value in (("row", self.row_mm), ("column", self.column_mm)):
            if not (math.isfinite(value) and low <= value <= high):
                raise InputError(
                    f"A {side} spacing of {value:g} mm per pixel is not possible; "
                    f"give a value from {low:g} to {high:g} mm."
                )


@dataclass(frozen=True)
class ImageArea:
    """The part of the frame that shows tissue: rows ``top`` to ``top + height`` (end excluded)."""

    top: int
    left: int
    height: int
    width: int

    def __post_init__(self) -> None:
        if min(self.top, self.left) < 0 or min(self.height, self.width) < 8:
            raise InputError(
                f"An image area of {self.height} x {self.width} pixels at row {self.top}, "
                f"column {self.left} is not usable; it needs at least 8 x 8 pixels in the frame."
            )

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices that cut the area out of a frame."""
        return (
            slice(self.top, self.top + self.height),
            slice(self.left, self.left + self.width),
        )
