"""Owns quantities over time, one value and one confidence for every frame, and thickness."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.boundaries import Boundaries
from layermotion.geometry import Spacing
from layermotion.labels import WALL_LAYERS, Structure, label_of

# Gives for a frame's index the columns (frame px) and depths (the scale's unit) at which the tissue
# seen at some columns and depths would be seen had the probe stayed; NaN where that is unknown.
Settle = Callable[
    [int, NDArray[np.float64], NDArray[np.float64]],
    tuple[NDArray[np.float64], NDArray[np.float64]],
]

# Half-width of the stretch of muscle whose thickness is averaged, and of the stretch that gives
# the layer's direction, mm (our choice: well below the curvature of the wall).
SITE_HALF_MM = 2.0
SLOPE_HALF_MM = 5.0
# Without a calibration the same stretches as shares of the picture's width (our choice).
SITE_HALF_SHARE = 0.04
# Half-width of the stretch of bladder base that gives its depth, mm (our choice).
BASE_HALF_MM = 5.0
# Share of the columns at the site in which a layer must be seen (our choice).
FEWEST_COLUMNS = 0.6
# A layer whose edges lie at a wider angle to each other is cut by the side of the picture or ends
# here, so it has no thickness (our choice: 26 degrees).
WIDEST_ANGLE_RAD = 0.45
# Below this confidence a structure counts as not seen in a column, and a thickness is withheld
# (our choice; on synthetic stills with all factors at work the second leaves out a twelfth of the
# values, and the mean error of the rest is a fifth smaller).
LOWEST_CONFIDENCE = 0.5
LEAST_SURE = 0.78
# The skin follows the probe's face, which nowhere bends by more than this many half-widths of the
# site (8 mm); fat that begins deeper is cut by the side of the picture (our choice).
DEEPEST_SKIN = 4.0


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


def thickness_at(
    boundaries: Boundaries, structure: Structure, site_px: float, scale: Scale
) -> tuple[float, float]:
    """Perpendicular thickness of one layer at one frame column, inside edge to inside edge.

    The layer's direction is that of a line fitted to its mid-line within ``slope_half`` of the
    site; the thickness is the median vertical distance within ``site_half`` times the cosine. It
    is withheld where the edges are far from parallel.

    Parameters
    ----------
    site_px
        Column of the site, frame px.

    Returns
    -------
    value, confidence
        In the scale's unit and 0 to 1; NaN and 0 where the layer is missing at the site.

    Notes
    -----
    Perpendicular, inside edge to inside edge of the bright fascia: Teyhen et al. 2007, J Orthop
    Sports Phys Ther 37(8), commentary (passage quoted from memory).
    """
    k = label_of(structure) - 1
    offset = (boundaries.column_px.astype(float) - site_px) * scale.column
    top, bottom = boundaries.superficial_px[k] * scale.row, boundaries.deep_px[k] * scale.row
    known, distance = ~np.isnan(top), np.abs(offset)
    within = distance <= scale.site_half
    near = known & within
    wide = known & (distance <= scale.slope_half)
    if np.count_nonzero(near) < max(2, FEWEST_COLUMNS * np.count_nonzero(within)):
        return float("nan"), 0.0
    confidence = float(boundaries.confidence[k][near].mean())
    is_cut = structure is Structure.FAT and (
        np.median(top[near]) - np.nanmin(top) > DEEPEST_SKIN * scale.site_half
    )
    if confidence < LEAST_SURE or is_cut:
        return float("nan"), 0.0
    across = offset[wide] - offset[wide].mean()
    top_slope, bottom_slope = (float(across @ e[wide] / (across @ across)) for e in (top, bottom))
    slope = (top_slope + bottom_slope) / 2
    if abs(np.arctan(top_slope) - np.arctan(bottom_slope)) > WIDEST_ANGLE_RAD:
        return float("nan"), 0.0
    vertical = float(np.median(bottom[near] - top[near]))
    return vertical / float(np.hypot(1.0, slope)), confidence


def tra_centre_px(frames: Iterable[Boundaries]) -> float | None:
    """Column of the middle of the TrA in view, median over frames; None if it is never seen."""
    k = label_of(Structure.TRA) - 1
    centres = []
    for boundaries in frames:
        seen = boundaries.column_px[boundaries.confidence[k] >= LOWEST_CONFIDENCE]
        if seen.size:
            # The median column, which a stray column far from the muscle does not move.
            centres.append(float(np.median(seen)))
    return float(np.median(centres)) if centres else None


def thickness_series(
    frames: Iterable[Boundaries],
    site_px: float | None,
    scale: Scale,
    shift_px: NDArray[np.float64] | None = None,
) -> tuple[Quantity, ...]:
    """Thickness of fat, EO, IO and TrA at one screen column in every frame.

    Without a site (no TrA was seen) every value is missing.

    Parameters
    ----------
    shift_px
        Shape (frames, 4), columns by which the site has moved in each layer, NaN where unknown;
        None where it stays.
    """
    layers = WALL_LAYERS

    def at(index: int, k: int) -> float:
        assert site_px is not None
        return site_px if shift_px is None else site_px + float(shift_px[index, k])

    rows = [
        [(float("nan"), 0.0)] * len(layers)
        if site_px is None
        else [thickness_at(boundaries, layer, at(i, k), scale) for k, layer in enumerate(layers)]
        for i, boundaries in enumerate(frames)
    ]
    table = np.array(rows, float).reshape(-1, len(layers), 2)  # (F, 4, 2)
    return tuple(
        Quantity("thickness", layer, scale.unit, table[:, k, 0].copy(), table[:, k, 1].copy())
        for k, layer in enumerate(layers)
    )
