"""Owns the displacement of the bladder base over time."""

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import SEEN_CONFIDENCE, Boundaries
from layermotion.labels import Structure, label_of
from layermotion.series.probe import Settle
from layermotion.series.series import FIRST_LEVEL_S, Quantity, Scale

# The base is sought in columns that show it in this share of the frames in which it can be seen,
# which must be half as large a share of the clip, and only where there are so many of them (our
# choice).
BASE_SEEN_SHARE, FEWEST_BASE_COLUMNS = 0.7, 5
# A gap in the lower wall wider than this share of the columns seen is where the base may be, if the
# wall beside it is within this share of the way down to the deepest point seen (our choice).
WIDEST_BASE_GAP, LOWEST_SHARE = 0.05, 0.35
# A bladder that this share of its seen width inside its end still has this share of its height is
# cut off there by a shadow or the side of the picture (our choice: round outlines have two thirds).
CUT_END_SHARE, OPEN_HEIGHT = 0.06, 0.75
# Where it is cut off where it is deepest in this share of the frames, a part of the efforts, and
# moves there by more than the second share of the most that any stretch moves, the base lies there
# or beyond (our choice).
CUT_OFTEN, MOVES_AT_END = 0.15, 0.8
# Depth over width, in equal units, beyond which the wall runs along the beam, as at the side of a
# shadow, and a small shift across looks like a large one in depth (our choice: a base that descends
# reaches half of it in synthetic clips, the side of a shadow twice).
STEEPEST = 4.0


def deep_edge(boundaries: Boundaries, structure: Structure, scale: Scale) -> NDArray[np.float64]:
    """Depth of the lower edge of a structure, shape (C,), in the scale's unit; NaN if unsure."""
    k = label_of(structure) - 1
    sure = boundaries.confidence[k] >= SEEN_CONFIDENCE
    return np.where(sure, boundaries.deep_px[k] * scale.row, np.nan).astype(np.float64)


def _without_steep(edge: NDArray[np.float64], pitch: float) -> NDArray[np.float64]:
    """Leave out of a lower edge what is steeper than ``STEEPEST``; columns are ``pitch`` apart."""
    steep = np.abs(np.diff(edge)) > STEEPEST * pitch
    return np.where(np.append(steep, False) | np.append(False, steep), np.nan, edge)


def _lowest_limit(edge: NDArray[np.float64]) -> float:
    """Depth below which a lower edge, seen somewhere, is about as deep as anywhere."""
    shallow, deep = float(np.nanmin(edge)), float(np.nanmax(edge))
    return deep - LOWEST_SHARE * (deep - shallow)


def _is_lowest_hidden(edge: NDArray[np.float64]) -> bool:
    """Tell whether a gap in a lower edge has the deepest seen points on both its sides."""
    seen = np.flatnonzero(~np.isnan(edge))
    if seen.size < FEWEST_BASE_COLUMNS:
        return False
    gaps = np.flatnonzero(np.diff(seen) > WIDEST_BASE_GAP * seen.size)
    limit = _lowest_limit(edge)
    return any(min(edge[seen[gap]], edge[seen[gap + 1]]) > limit for gap in gaps)


def _cut_low(edge: NDArray[np.float64], height: NDArray[np.float64]) -> list[bool]:
    """Tell of the left and the right end whether the bladder is cut off where it is deepest.

    Parameters
    ----------
    edge, height
        Shape (C,), depth of the lower edge, NaN where it is not seen, and its distance from the
        upper one.
    """
    seen = np.flatnonzero(~np.isnan(edge))
    if seen.size < FEWEST_BASE_COLUMNS:
        return [False, False]
    inside = int(CUT_END_SHARE * seen.size)
    limit, high = _lowest_limit(edge), OPEN_HEIGHT * float(np.nanmax(height[seen]))
    return [bool(height[at] > high and edge[at] > limit) for at in seen[[inside, -1 - inside]]]


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


def _travel(moved: NDArray[np.float32], half: int) -> NDArray[np.float64]:
    """How far the mean of what is seen within ``half`` columns goes to and fro in the clip.

    Parameters
    ----------
    moved
        Shape (F, W); where less than three quarters of a stretch are seen it counts as unmoved.

    Returns
    -------
    ndarray
        Shape (W,).
    """
    known = ~np.isnan(moved)
    total, share = (
        cv2.blur(values.astype(np.float32), (2 * half + 1, 1), borderType=cv2.BORDER_REFLECT_101)
        for values in (np.where(known, moved, 0), known)
    )
    wide = np.where(share >= 0.75, total / np.maximum(share, 0.75), 0)
    return np.asarray(np.percentile(wide, 97, axis=0) - np.percentile(wide, 3, axis=0))


def _crest(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Height in the middle of a parabola fitted to each row, so that a hump is not flattened.

    Parameters
    ----------
    profile
        Shape (F, W), W odd; gaps take no part.

    Returns
    -------
    ndarray
        Shape (F,); NaN where more than half of a row, or all but two of it, is missing.
    """
    known = ~np.isnan(profile)
    offset = np.linspace(-1, 1, profile.shape[1])
    powers = np.stack([np.ones_like(offset), offset, offset**2])  # (3, W)
    enough = known.sum(axis=1) >= max(3.0, profile.shape[1] / 2)
    weight = known[enough].astype(float)
    normal = np.einsum("fw,iw,jw->fij", weight, powers, powers)
    moment = np.where(known, profile, 0)[enough] @ powers.T  # (F, 3)
    height = np.full(len(profile), np.nan)
    height[enough] = np.linalg.solve(normal, moment[..., None])[:, 0, 0]
    return height


def base_series(
    frames: Iterable[Boundaries],
    scale: Scale,
    time_s: NDArray[np.float64],
    settle: Settle | None = None,
    *,
    even_hidden: bool = False,
) -> tuple[Quantity, float | None]:
    """Displacement of the bladder base from its first position, positive towards the probe.

    The base is the stretch of the bladder's deep wall that moves most in the clip; where nothing
    moves more than its neighbours by chance, the middle of the wall. A frame whose lowest stretch
    of wall is hidden or lies below the picture has no value: the base may be there. So does a clip
    in which the bladder is cut off at its deepest, if it moves there as much as anywhere.

    Parameters
    ----------
    settle
        Tells where tissue would be seen had the probe kept its first place; None where the probe
        is known to be still.
    even_hidden
        Whether frames whose lowest stretch is hidden count: what moves most of the wall that is
        seen tells when an effort was, not how far the base moved.

    Returns
    -------
    quantity, column
        Displacement and the frame column of the base; None where the base was not seen.

    Notes
    -----
    Where the greatest displacement is seen: common practice, no source.
    """
    depth_rows, confidences, cut_low = [], [], []
    column_px: NDArray[np.float32] = np.zeros(0, np.float32)
    pitch = 0.0
    k = label_of(Structure.BLADDER) - 1
    for index, boundaries in enumerate(frames):
        column_px = boundaries.column_px
        pitch = float(column_px[1] - column_px[0]) * scale.column
        wall = _without_steep(deep_edge(boundaries, Structure.BLADDER, scale), pitch)
        height = boundaries.deep_px[k] - boundaries.superficial_px[k]
        cut_low.append(_cut_low(wall, height.astype(float)))
        if not even_hidden and _is_lowest_hidden(wall):
            wall = np.full_like(wall, np.nan)
        if settle is not None:
            wall = _resampled(column_px, *settle(index, column_px.astype(float), wall))
        depth_rows.append(wall.astype(np.float32))
        seen = boundaries.confidence[k]
        confidences.append(float(seen[seen > 0].mean()) if (seen > 0).any() else 0.0)
    depth = np.array(depth_rows).reshape(time_s.size, -1)  # (F, C)
    usable = ~np.isnan(depth).all(axis=1)
    shown = np.count_nonzero(~np.isnan(depth), axis=0)
    often = np.flatnonzero(shown >= max(1.0, BASE_SEEN_SHARE * float(usable.sum())))
    missing, nothing = np.full(time_s.shape, np.nan), np.zeros(time_s.shape)
    unseen = Quantity("base_displacement", Structure.BLADDER, scale.unit, missing, nothing)
    if often.size < FEWEST_BASE_COLUMNS or usable.mean() < BASE_SEEN_SHARE / 2:
        return unseen, None
    # The outer tenths are side wall rather than base.
    edge = max(1, often.size // 10)
    inner = often[edge:-edge]
    # Each column against its own middle position, so that a gap in one shifts no mean. Columns that
    # are seldom seen keep their place, so that those on both sides are not taken for neighbours.
    first = int(inner[0])
    moved = np.full((time_s.size, int(inner[-1]) - first + 1), np.nan, np.float32)
    moved[:, inner - first] = np.nanmedian(depth[:, inner], axis=0) - depth[:, inner]
    half = min(max(2, round(scale.base_half / pitch)), (moved.shape[1] - 1) // 2)
    travel = _travel(moved, half)
    is_cut = np.mean(np.array(cut_low)[usable], axis=0) > CUT_OFTEN
    if not even_hidden and np.any(is_cut & (travel[[0, -1]] > MOVES_AT_END * travel.max())):
        return unseen, None
    usual = float(np.median(travel[inner - first]))
    still = travel.max() < 1.5 * usual and travel.max() < scale.base_half / 4
    # Within half of the stretch, so that what lies beside a gap is not taken for what lies in it.
    most = int(np.argmax(_travel(moved, half // 2)))
    base = int(inner[inner.size // 2]) - first if still else most
    base = int(np.clip(base, half, moved.shape[1] - 1 - half))
    value = _crest(moved[:, base - half : base + half + 1].astype(float))
    column = float(column_px[first + base])
    measured = ~np.isnan(value)
    if measured.any():
        start = measured & (time_s <= time_s[measured][0] + FIRST_LEVEL_S)
        value = value - np.median(value[start])
    confidence = np.where(measured, np.array(confidences), 0.0)
    return Quantity("base_displacement", Structure.BLADDER, scale.unit, value, confidence), column
