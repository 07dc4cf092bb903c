"""Owns why a frame gives no thickness of a layer."""

from collections.abc import Mapping, Sequence
from enum import IntEnum
from functools import partial

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.blocks import Block, blocks_of
from layermotion.edges.recording import ClipEdges
from layermotion.labels import WALL_LAYERS, Structure, label_of
from layermotion.series.series import Quantity, Scale
from layermotion.series.thickness import (
    COUNTED,
    GIVEN_CONFIDENCE,
    are_enough,
    columns_at,
    is_miscounted,
    thickness_in,
)


class Cause(IntEnum):
    """Why a thickness is missing.

    ``ABSENT``: the layer is nowhere in the picture. ``ELSEWHERE``: it is, but not at the site.
    ``UNCLEAR``: its borders there are in doubt. ``ENDS``: it ends or is cut off there.
    ``DISPUTED``: a second look found it elsewhere. ``JUMPED``: its border sprang to another one.
    ``MISCOUNTED``: a further border lies within a layer, so that it may be the one beside it.
    """

    GIVEN = 0
    ABSENT = 1
    ELSEWHERE = 2
    UNCLEAR = 3
    ENDS = 4
    DISPUTED = 5
    JUMPED = 6
    MISCOUNTED = 7


Causes = Mapping[Structure, NDArray[np.int8]]


def causes_of(
    frames: ClipEdges,
    site_px: float,
    scale: Scale,
    agreed: Sequence[Quantity],
    given: Sequence[Quantity],
) -> Causes:
    """Cause of every missing thickness, by layer, shape (frames,).

    Parameters
    ----------
    agreed, given
        Thickness of each wall layer, in their order: after the second look, and in the end.
    """
    missing = np.array([np.isnan(quantity.value) for quantity in agreed])  # (4, F)
    causes = np.where(missing, Cause.DISPUTED, Cause.GIVEN).astype(np.int8)
    jumped = ~missing & np.array([np.isnan(quantity.value) for quantity in given])
    causes[jumped] = Cause.JUMPED
    if missing.any():
        key = ("causes", site_px, scale)
        blocks = blocks_of(frames)
        parts = [b.once(key, partial(_causes_in, b, site_px, scale)) for b in blocks]
        seen_first = np.concatenate(parts, axis=1)
        causes = np.where(missing & (seen_first != Cause.GIVEN), seen_first, causes)
    return dict(zip(WALL_LAYERS, causes, strict=True))


def _causes_in(block: Block, site_px: float, scale: Scale) -> NDArray[np.int8]:
    """Why frames give no thickness in a first look, ``GIVEN`` where they do; shape (4, frames)."""
    place = np.full(len(block.frames), site_px)
    within = columns_at(block.column_px, site_px, scale)
    causes = []
    for layer in WALL_LAYERS:
        k = label_of(layer) - 1
        value, _ = thickness_in(block, layer, place, scale)
        superficial = block.superficial_px[:, k]
        near = within & ~np.isnan(block.deep_px[:, k] - superficial)
        confidence = np.where(near, block.confidence[:, k], 0).sum(axis=1)
        miscounted = np.zeros(len(value), bool)
        for index in np.flatnonzero(np.isnan(value)) if layer in COUNTED else ():
            miscounted[index] = is_miscounted(block.frames[index], site_px, scale)
        conditions = {
            Cause.GIVEN: ~np.isnan(value),
            Cause.ABSENT: np.isnan(superficial).all(axis=1),
            Cause.ELSEWHERE: ~are_enough(near, within),
            Cause.MISCOUNTED: miscounted,
            Cause.ENDS: confidence >= GIVEN_CONFIDENCE * near.sum(axis=1),
        }
        causes.append(np.select(list(conditions.values()), list(conditions), Cause.UNCLEAR))
    return np.array(causes, np.int8)
