"""Owns thickness: of one layer in one frame, and of all layers over time."""

from collections.abc import Iterable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.blocks import Block, blocks_of
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

# Layers whose names hang on the number of borders: counted from below, one too many shifts them.
COUNTED = (Structure.FAT, Structure.EO)


def thickness_at(
    boundaries: Boundaries, structure: Structure, site_px: float, scale: Scale
) -> tuple[float, float]:
    """Perpendicular thickness of one layer in one frame; see ``thickness_in``."""
    value, confidence = thickness_in(Block((boundaries,)), structure, np.array([site_px]), scale)
    return float(value[0]), float(confidence[0])


def thickness_in(
    frames: Block,
    structure: Structure,
    site_px: NDArray[np.float64],
    scale: Scale,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Perpendicular thickness of one layer at one column of each frame, inside edge to inside edge.

    The layer's direction is that of a line fitted to its mid-line within ``slope_half`` of the
    site; the thickness is the median vertical distance within ``site_half`` times the cosine. It
    is withheld where the edges are far from parallel, and where the layers may be miscounted.

    Parameters
    ----------
    site_px
        Shape (frames,), column of the site, frame px; NaN where it is not known.

    Returns
    -------
    value, confidence
        Shape (frames,) each, in the scale's unit and 0 to 1; NaN and 0 where the layer is missing
        at the site.

    Notes
    -----
    Perpendicular, inside edge to inside edge of the bright fascia: Teyhen et al. 2007, J Orthop
    Sports Phys Ther 37(8), commentary (passage quoted from memory).
    """
    k = label_of(structure) - 1
    cut = _columns_near(frames.column_px, site_px, scale)
    top = scale.row * frames.superficial_px[:, k, cut].astype(float)  # (F, C)
    bottom = scale.row * frames.deep_px[:, k, cut].astype(float)
    doubt = frames.confidence[:, k, cut]
    offset = (frames.column_px[cut].astype(float) - site_px[:, None]) * scale.column
    seen = ~np.isnan(bottom - top)
    within = np.abs(offset) <= scale.site_half
    near, wide = within & seen, seen & (np.abs(offset) <= scale.slope_half)
    confidence = np.where(near, doubt, 0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    rows = np.flatnonzero(are_enough(near, within) & (confidence >= GIVEN_CONFIDENCE))
    top, bottom, offset = top[rows], bottom[rows], offset[rows]
    near, wide = near[rows], wide[rows]
    middle = np.where(wide, offset, 0).sum(axis=1) / wide.sum(axis=1)
    across = np.where(wide, offset - middle[:, None], 0)
    slopes = [
        (across * np.where(wide, edge, 0)).sum(axis=1) / (across**2).sum(axis=1)
        for edge in (top, bottom)
    ]
    given = np.abs(np.arctan(slopes[0]) - np.arctan(slopes[1])) <= WIDEST_ANGLE_RAD
    if structure is Structure.FAT and rows.size:
        skin = frames.superficial_px[rows, k].astype(float)
        begins = _median(top, near) - scale.row * np.nanmin(skin, axis=1)
        given &= begins <= DEEPEST_SKIN * scale.site_half
    if structure in COUNTED:
        doubted = (is_miscounted(frames.frames[i], float(site_px[i]), scale) for i in rows.tolist())
        given &= np.logical_not(list(doubted))
    vertical = _median(bottom - top, near)
    value = np.full(len(frames.frames), np.nan)
    value[rows] = np.where(given, vertical / np.hypot(1.0, (slopes[0] + slopes[1]) / 2), np.nan)
    return value, np.where(np.isnan(value), 0.0, confidence)


def _columns_near(
    column_px: NDArray[np.float32], site_px: NDArray[np.float64], scale: Scale
) -> slice:
    """Columns that any frame's site takes into account: those beyond them change nothing."""
    known = site_px[~np.isnan(site_px)]
    if not known.size:
        return slice(0, 0)
    reach = scale.slope_half / scale.column
    first, last = np.searchsorted(column_px, [known.min() - reach, known.max() + reach])
    return slice(max(int(first) - 1, 0), int(last) + 1)


def _median(values: NDArray[np.float64], kept: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Median of the values that are kept in each row, of which there is at least one."""
    columns = np.flatnonzero(kept.any(axis=0))
    ordered = np.sort(np.where(kept, values, np.nan)[:, columns], axis=1)  # NaN comes last
    count, row = kept.sum(axis=1), np.arange(len(values))
    return np.asarray((ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2)


def columns_at(column_px: NDArray[np.float32], site_px: float, scale: Scale) -> NDArray[np.bool_]:
    """Columns at the site, shape (C,)."""
    offset = (column_px.astype(float) - site_px) * scale.column
    return np.asarray(np.abs(offset) <= scale.site_half)


def is_miscounted(boundaries: Boundaries, site_px: float, scale: Scale) -> bool:
    """Tell whether layers may be miscounted in more than half of the columns at the site."""
    if boundaries.is_miscounted is None:
        return False
    within = columns_at(boundaries.column_px, site_px, scale)
    return bool(within.any() and boundaries.is_miscounted[within].mean() > 0.5)


def are_enough(near: NDArray[np.bool_], within: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether enough of the columns at the site show a layer, by the last axis."""
    least = np.maximum(2, LEAST_COLUMN_SHARE * np.count_nonzero(within, axis=-1))
    return np.asarray(np.count_nonzero(near, axis=-1) >= least)


def thickness_series(
    frames: Iterable[Boundaries],
    site_px: float | None,
    scale: Scale,
    shift_px: NDArray[np.float64] | None = None,
    fat_px: float | None = None,
) -> tuple[Quantity, ...]:
    """Thickness of fat, EO, IO and TrA at one screen column in every frame.

    Without a site (no TrA was seen) every value is missing but that of the fat at its own.

    Parameters
    ----------
    shift_px
        Shape (frames, 4), columns by which the site has moved in each layer, NaN where unknown;
        None where it stays.
    fat_px
        Column of the fat where there is no site; None where it has none of its own.
    """
    parts: list[NDArray[np.float64]] = []
    begin = 0
    for block in blocks_of(frames):
        count = len(block.frames)
        place = np.full((count, len(WALL_LAYERS)), np.nan if site_px is None else site_px)
        if site_px is None and fat_px is not None:
            place[:, WALL_LAYERS.index(Structure.FAT)] = fat_px
        if shift_px is not None:
            place += shift_px[begin : begin + count]
        find = partial(_thickness_of_layers, block, place, scale)
        parts.append(block.once(("thickness", place.tobytes(), scale), find))
        begin += count
    table = np.concatenate(parts, axis=2) if parts else np.empty((len(WALL_LAYERS), 2, 0))
    return tuple(
        Quantity("thickness", layer, scale.unit, table[k, 0].copy(), table[k, 1].copy())
        for k, layer in enumerate(WALL_LAYERS)
    )


def _thickness_of_layers(
    block: Block, place: NDArray[np.float64], scale: Scale
) -> NDArray[np.float64]:
    """Thickness and confidence of each layer, shape (4, 2, frames), at places (frames, 4)."""
    found = [thickness_in(block, each, place[:, k], scale) for k, each in enumerate(WALL_LAYERS)]
    return np.array(found)
