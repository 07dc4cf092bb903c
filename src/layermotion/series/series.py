"""Owns quantities over time: one value and one confidence for every frame."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.site import SLOPE_HALF_MM
from layermotion.geometry import Spacing

# Half-width of the stretch of muscle whose thickness is averaged, and of the stretch that gives
# the layer's direction, mm (our choice: well below the curvature of the wall).
SITE_HALF_MM = 2.0
# Without a calibration the same stretches as shares of the picture's width (our choice).
SITE_HALF_SHARE = 0.04
# Half-width of the stretch of bladder base that gives its depth, mm (our choice).
BASE_HALF_MM = 5.0
# The clip starts at rest; this much of it sets the first level, s (our choice: longer than a
# noise burst, shorter than the quiet time a protocol asks for before an effort).
FIRST_LEVEL_S = 0.6


@dataclass(frozen=True, eq=False)
class Quantity:
    """One quantity of one structure over the clip.

    Parameters
    ----------
    name
        ``thickness``, ``slide``, ``medial_edge``, ``base_displacement`` or ``probe_shift``.
    structure
        ``fat``, ``eo``, ``io``, ``tra``, ``bladder`` or ``image``.
    unit
        ``mm``, or ``px`` for an uncalibrated clip.
    value
        float64, shape (frames,), NaN where the frame cannot be measured.
    confidence
        float64, shape (frames,), 0 to 1; 0 where the value is NaN.
    """

    name: str
    structure: str
    unit: str
    value: NDArray[np.float64]
    confidence: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.value.shape != self.confidence.shape or self.value.ndim != 1:
            raise ValueError(f"{self.name} needs one confidence for each value")
        self.value.flags.writeable = False
        self.confidence.flags.writeable = False

    def without(self, frames: NDArray[np.intp]) -> "Quantity":
        """Withhold the values of some frames, given by their positions."""
        value, confidence = self.value.copy(), self.confidence.copy()
        value[frames], confidence[frames] = np.nan, 0.0
        return replace(self, value=value, confidence=confidence)


@dataclass(frozen=True, eq=False)
class Series:
    """All quantities of one clip on one time axis.

    Parameters
    ----------
    clip_id
        The clip's short hash.
    time_s
        float64, shape (frames,), increasing.
    quantities
        Each with ``frames`` values.
    """

    clip_id: str
    time_s: NDArray[np.float64]
    quantities: tuple[Quantity, ...]

    def __post_init__(self) -> None:
        for quantity in self.quantities:
            if quantity.value.shape != self.time_s.shape:
                raise ValueError(f"{quantity.name} does not have one value for each time")
        self.time_s.flags.writeable = False

    def get(self, name: str, structure: str) -> Quantity | None:
        """Return one quantity, or None where the view does not hold it."""
        for quantity in self.quantities:
            if (quantity.name, quantity.structure) == (name, structure):
                return quantity
        return None


@dataclass(frozen=True)
class Scale:
    """Length units of a series: mm when calibrated, else frame pixels taken as square.

    Parameters
    ----------
    row, column
        Length of one row and one column.
    unit
        ``mm`` or ``px``.
    site_half, slope_half, base_half
        Half-widths of the stretches used at the site, in ``unit``.
    """

    row: float
    column: float
    unit: str
    site_half: float
    slope_half: float
    base_half: float

    @classmethod
    def of(cls, spacing: Spacing | None, width_px: int) -> "Scale":
        """Scale of a clip whose image area is ``width_px`` wide."""
        if spacing:
            row, column = spacing.row_mm, spacing.column_mm
            return cls(row, column, "mm", SITE_HALF_MM, SLOPE_HALF_MM, BASE_HALF_MM)
        half = SITE_HALF_SHARE * width_px
        return cls(1.0, 1.0, "px", half, 2.5 * half, 2.5 * half)
