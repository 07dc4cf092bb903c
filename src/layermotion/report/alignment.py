"""Owns where what was seen at rest would be seen in another frame, had only the probe moved."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import ImageArea, Spacing
from layermotion.tissue.tracker import TissueMotion

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Alignment:
    """How the tissue near the probe has moved on the picture from the frame at rest to another.

    Parameters
    ----------
    column_px, row_px
        Shift beside the middle of the probe's face.
    turn_rad
        Turn about that point, clockwise on the picture.
    middle_px, top_px
        Where that point lies.
    aspect
        Height of a pixel over its width.
    """

    column_px: float
    row_px: float
    turn_rad: float
    middle_px: float
    top_px: float
    aspect: float

    def carry(self, column_px: Array, row_px: Array) -> tuple[Array, Array]:
        """Take points of the frame at rest along with the tissue near the probe."""
        down, across = row_px - self.top_px, column_px - self.middle_px
        return (
            column_px + self.column_px - self.turn_rad * down * self.aspect,
            row_px + self.row_px + self.turn_rad * across / self.aspect,
        )


def align(
    motions: Sequence[TissueMotion], index: int, rest: int, area: ImageArea, spacing: Spacing | None
) -> Alignment | None:
    """Alignment of a frame with the one at rest; None where the near tissue was lost in either.

    Parameters
    ----------
    motions
        One for each frame; empty for stills, of which nothing is known.
    """
    if not motions:
        return None
    before, now = motions[rest], motions[index]
    found = Alignment(
        column_px=now.near.column_px - before.near.column_px,
        row_px=now.near.row_px - before.near.row_px,
        turn_rad=now.turn_rad - before.turn_rad,
        middle_px=area.left + (area.width - 1) / 2,
        top_px=float(area.top),
        aspect=spacing.row_mm / spacing.column_mm if spacing else 1.0,
    )
    is_known = not np.isnan([found.column_px, found.row_px, found.turn_rad]).any()
    return found if is_known else None
