"""Owns thickness: of one layer in one frame, and of all layers over time."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import WALL_LAYERS, Structure, label_of
from layermotion.series.series import Quantity, Scale

# Share of the columns at the site in which a layer must be seen (our choice).
LEAST_COLUMN_SHARE = 0.6

# A layer whose edges lie at a wider angle to each other is cut by the side of the picture or ends
# here, so it has no thickness (our choice: 26 degrees).
WIDEST_ANGLE_RAD = 0.45

# Below this confidence a thickness is withheld (our choice: on synthetic stills with all factors at
# work a twelfth of the values, and the mean error of the rest is a fifth smaller).
GIVEN_CONFIDENCE = 0.78

# The skin follows the probe's face, which nowhere bends by more than this many half-widths of the
# site (8 mm); fat that begins deeper is cut by the side of the picture (our choice).
DEEPEST_SKIN = 4.0


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
    near, is_enough = is_at_site(boundaries, structure, site_px, scale)
    if not is_enough:
        return float("nan"), 0.0
    offset = (boundaries.column_px.astype(float) - site_px) * scale.column
    top, bottom = boundaries.superficial_px[k] * scale.row, boundaries.deep_px[k] * scale.row
    wide = ~np.isnan(top) & (np.abs(offset) <= scale.slope_half)
    confidence = float(boundaries.confidence[k][near].mean())
    is_cut = structure is Structure.FAT and (
        np.median(top[near]) - np.nanmin(top) > DEEPEST_SKIN * scale.site_half
    )
    if confidence < GIVEN_CONFIDENCE or is_cut:
        return float("nan"), 0.0
    across = offset[wide] - offset[wide].mean()
    top_slope, bottom_slope = (float(across @ e[wide] / (across @ across)) for e in (top, bottom))
    slope = (top_slope + bottom_slope) / 2
    if abs(np.arctan(top_slope) - np.arctan(bottom_slope)) > WIDEST_ANGLE_RAD:
        return float("nan"), 0.0
    vertical = float(np.median(bottom[near] - top[near]))
    return vertical / float(np.hypot(1.0, slope)), confidence


def is_at_site(
    boundaries: Boundaries, structure: Structure, site_px: float, scale: Scale
) -> tuple[NDArray[np.bool_], bool]:
    """Columns at the site that show a layer, shape (C,), and whether they are enough."""
    within = np.abs(boundaries.column_px.astype(float) - site_px) * scale.column <= scale.site_half
    near = within & ~np.isnan(boundaries.superficial_px[label_of(structure) - 1])
    least = max(2, LEAST_COLUMN_SHARE * np.count_nonzero(within))
    return near, bool(np.count_nonzero(near) >= least)


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
