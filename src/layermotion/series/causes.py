"""Owns why a frame gives no thickness of a layer."""

from collections.abc import Mapping, Sequence
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.recording import ClipEdges
from layermotion.labels import WALL_LAYERS, Structure, label_of
from layermotion.series.series import Quantity, Scale
from layermotion.series.thickness import (
    COUNTED,
    GIVEN_CONFIDENCE,
    is_at_site,
    is_miscounted,
    thickness_at,
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
    for index in np.flatnonzero(missing.any(axis=0)).tolist():
        boundaries = frames[index]
        for k in np.flatnonzero(missing[:, index]).tolist():
            cause = cause_in(boundaries, WALL_LAYERS[k], site_px, scale)
            if cause is not Cause.GIVEN:
                causes[k, index] = cause
    return dict(zip(WALL_LAYERS, causes, strict=True))


def cause_in(boundaries: Boundaries, structure: Structure, site_px: float, scale: Scale) -> Cause:
    """Why one frame gives no thickness in a first look; ``GIVEN`` where it gives one."""
    value, _ = thickness_at(boundaries, structure, site_px, scale)
    if not np.isnan(value):
        return Cause.GIVEN
    k = label_of(structure) - 1
    if np.isnan(boundaries.superficial_px[k]).all():
        return Cause.ABSENT
    near, is_enough = is_at_site(boundaries, structure, site_px, scale)
    if not is_enough:
        return Cause.ELSEWHERE
    if structure in COUNTED and is_miscounted(boundaries, site_px, scale):
        return Cause.MISCOUNTED
    is_sure = float(boundaries.confidence[k][near].mean()) >= GIVEN_CONFIDENCE
    return Cause.ENDS if is_sure else Cause.UNCLEAR
