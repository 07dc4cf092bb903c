"""Owns slide over time: how far a muscle moves along itself past the layer above."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import Spacing
from layermotion.labels import WALL_LAYERS, Structure
from layermotion.tissue.tracker import Motions, TissueMotion

Array = NDArray[np.float64]

# The layer that all slides are measured against, and what it is itself compared with to tell when
# an effort was; the same in all frames and clips.
REFERENCE = Structure.EO
ABOVE = {Structure.EO: Structure.FAT, Structure.IO: REFERENCE, Structure.TRA: REFERENCE}


def slide_mm(
    motions: Sequence[TissueMotion],
    spacing: Spacing,
    lateral: int,
    layer: Structure = Structure.TRA,
) -> tuple[Array, Array]:
    """Slide along a muscle relative to the layer above, in every frame.

    The difference of the two layers' shifts along the picture's columns, freed from the turn of
    the probe, which shifts a deep layer more than one near the probe, and divided by the cosine of
    the muscle's direction at the site. Where the layer above (``ABOVE``) is lost there is no value:
    another reference would change the number.

    Parameters
    ----------
    motions
        One for each frame.
    lateral
        +1 where lateral is to the right of the picture, -1 where it is to the left
        (``lateral_side``).

    Returns
    -------
    tuple
        Slide in mm, positive lateral, NaN where a layer or the turn is lost; confidence, 0 there.
        Shape (frames,) each.

    Notes
    -----
    That the fascia slides laterally with the TrA, by about 15 mm in a draw-in: Hides et al. 2006,
    Spine 31(6):E175-8. Slide relative to the layers above, along the muscle: our choice, because
    it does not change when the probe moves.
    """
    every = Motions.of(motions)
    own, other = WALL_LAYERS.index(layer), WALL_LAYERS.index(ABOVE[layer])
    across = every.column_px[:, own] - every.column_px[:, other]
    confidence = np.minimum(every.confidence[:, own], every.confidence[:, other])
    between = every.depth_px[:, own] - every.depth_px[:, other]
    turned = every.turn_rad * between * spacing.row_mm
    slope = every.slope[:, own] * spacing.row_mm / spacing.column_mm
    value = lateral * (across * spacing.column_mm + turned) * np.hypot(1, slope)
    return value, np.where(np.isnan(value), 0.0, confidence)
