"""Owns quantities over time: one value and one confidence for every frame."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.boundaries import Boundaries
from layermotion.events import FIRST_LEVEL_S
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
# The base is sought in columns that show it in this share of the frames in which it can be seen,
# which must be half as large a share of the clip, and only where there are so many of them (our
# choice).
OFTEN, FEWEST_BASE_COLUMNS = 0.7, 5
# A gap in the lower wall wider than this share of the columns seen is where the base may be, if the
# wall beside it is within this share of the way down to the deepest point seen (our choice).
WIDEST_GAP, LOWEST_SHARE = 0.05, 0.35
# Share of the columns at the site in which a layer must be seen (our choice).
FEWEST_COLUMNS = 0.6
# A layer whose edges lie at a wider angle to each other is cut by the side of the picture or ends
# here, so it has no thickness (our choice: 26 degrees).
WIDEST_ANGLE_RAD = 0.45
# Below this confidence a structure counts as not seen in a column, and a thickness is withheld
# (our choice; on synthetic stills with all factors at work the second leaves out a fifth of the
# values and halves the mean error of the rest).
LOWEST_CONFIDENCE = 0.5
LEAST_SURE = 0.83
# The skin follows the probe's face, which nowhere bends by more than this many half-widths of the
# site (8 mm); fat that begins deeper is cut by the side of the picture (our choice).
DEEPEST_SKIN = 4.0


@dataclass(frozen=True, eq=False)
class Quantity:
    """One quantity of one structure over the clip.

    Parameters
    ----------
    name
        ``thickness``, ``slide``, ``base_displacement`` or ``probe_shift``.
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


def deep_edge(boundaries: Boundaries, structure: Structure, scale: Scale) -> NDArray[np.float64]:
    """Depth of the lower edge of a structure, shape (C,), in the scale's unit; NaN if unsure."""
    k = label_of(structure) - 1
    sure = boundaries.confidence[k] >= LOWEST_CONFIDENCE
    return np.where(sure, boundaries.deep_px[k] * scale.row, np.nan).astype(np.float64)


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


def _is_lowest_hidden(edge: NDArray[np.float64]) -> bool:
    """Tell whether a gap in a lower edge has the deepest seen points on both its sides."""
    seen = np.flatnonzero(~np.isnan(edge))
    if seen.size < FEWEST_BASE_COLUMNS:
        return False
    gaps = np.flatnonzero(np.diff(seen) > WIDEST_GAP * seen.size)
    shallow, deep = float(np.nanmin(edge)), float(np.nanmax(edge))
    limit = deep - LOWEST_SHARE * (deep - shallow)
    return any(min(edge[seen[gap]], edge[seen[gap + 1]]) > limit for gap in gaps)


def _resampled(
    at_px: NDArray[np.float32], column_px: NDArray[np.float64], edge: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Edge at the columns ``at_px`` from its points elsewhere; gaps stay gaps, shape (C,)."""
    known = ~np.isnan(edge) & ~np.isnan(column_px)
    if not known.any():
        return np.full(edge.shape, np.nan)
    # Where a steep side wall turns over, the outermost column counts.
    order = np.maximum.accumulate(column_px[known])
    value = np.interp(at_px, order, edge[known], left=np.nan, right=np.nan)
    step = float(at_px[1] - at_px[0])
    nearest = np.abs(at_px[:, None] - column_px[known][None, :]).min(axis=1)
    return np.where(nearest <= step, value, np.nan)


def _crest(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Height in the middle of a parabola fitted to each row, so that a hump is not flattened.

    Parameters
    ----------
    profile
        Shape (F, W), W odd; gaps count as the mean of their row.

    Returns
    -------
    ndarray
        Shape (F,); NaN where more than half of a row is missing.
    """
    known = ~np.isnan(profile)
    share = known.mean(axis=1)
    mean = np.where(known, profile, 0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    filled = np.where(known, profile, mean[:, None])
    offset = np.linspace(-1, 1, profile.shape[1])
    weights = np.linalg.pinv(np.stack([np.ones_like(offset), offset, offset**2], axis=1))[0]
    return np.where(share >= 0.5, filled @ weights, np.nan)


def base_series(
    frames: Iterable[Boundaries],
    scale: Scale,
    time_s: NDArray[np.float64],
    settle: Settle | None = None,
) -> tuple[Quantity, float | None]:
    """Displacement of the bladder base from its first position, positive towards the probe.

    The base is the stretch of the bladder's deep wall that moves most in the clip; where nothing
    moves more than its neighbours by chance, the middle of the wall. A frame whose lowest stretch
    of wall is hidden or lies below the picture has no value: the base may be there.

    Parameters
    ----------
    settle
        Tells where tissue would be seen had the probe kept its first place; None where the probe
        is known to be still.

    Returns
    -------
    quantity, column
        Displacement and the frame column of the base; None where no bladder was seen.

    Notes
    -----
    Where the greatest displacement is seen: common practice, no source.
    """
    depth_rows, confidences = [], []
    column_px: NDArray[np.float32] = np.zeros(0, np.float32)
    k = label_of(Structure.BLADDER) - 1
    for index, boundaries in enumerate(frames):
        column_px = boundaries.column_px
        wall = deep_edge(boundaries, Structure.BLADDER, scale)
        if _is_lowest_hidden(wall):
            wall = np.full_like(wall, np.nan)
        if settle is not None:
            wall = _resampled(column_px, *settle(index, column_px.astype(float), wall))
        depth_rows.append(wall.astype(np.float32))
        seen = boundaries.confidence[k]
        confidences.append(float(seen[seen > 0].mean()) if (seen > 0).any() else 0.0)
    depth = np.array(depth_rows).reshape(time_s.size, -1)  # (F, C)
    usable = ~np.isnan(depth).all(axis=1)
    shown = np.count_nonzero(~np.isnan(depth), axis=0)
    often = np.flatnonzero(shown >= max(1.0, OFTEN * float(usable.sum())))
    if often.size < FEWEST_BASE_COLUMNS or usable.mean() < OFTEN / 2:
        missing = np.full(time_s.shape, np.nan)
        nothing = np.zeros(time_s.shape)
        return Quantity("base_displacement", Structure.BLADDER, scale.unit, missing, nothing), None
    # The outer tenths are side wall rather than base.
    edge = max(1, often.size // 10)
    inner = often[edge:-edge]
    # Each column against its own middle position, so that a gap in one shifts no mean.
    moved = np.nanmedian(depth[:, inner], axis=0) - depth[:, inner]  # (F, I)
    pitch = float(column_px[1] - column_px[0]) * scale.column
    half = min(max(2, round(scale.base_half / pitch)), (inner.size - 1) // 2)
    wide = cv2.blur(np.nan_to_num(moved), (2 * half + 1, 1), borderType=cv2.BORDER_REFLECT_101)
    travel = np.percentile(wide, 97, axis=0) - np.percentile(wide, 3, axis=0)
    still = travel.max() < 1.5 * np.median(travel) and travel.max() < scale.base_half / 4
    base = inner.size // 2 if still else int(np.argmax(travel))
    base = int(np.clip(base, half, inner.size - 1 - half))
    value = _crest(moved[:, base - half : base + half + 1].astype(float))
    column = float(column_px[inner[base]])
    measured = ~np.isnan(value)
    if measured.any():
        start = measured & (time_s <= time_s[measured][0] + FIRST_LEVEL_S)
        value = value - np.median(value[start])
    confidence = np.where(measured, np.array(confidences), 0.0)
    return Quantity("base_displacement", Structure.BLADDER, scale.unit, value, confidence), column
