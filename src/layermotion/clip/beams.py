"""Owns how far the beams of a probe reach to both sides of an image."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Our choice, see tests/test_screen.py.
# Between these parts of the image's height its sides show where the probe's face ends, below
# the ringing at its very top, ...
FACE_PARTS = (0.05, 0.10)
# ... and between these how far the outer beams spread, above most bladders.
BEAM_PARTS = (0.15, 0.35)


@dataclass(frozen=True)
class Beams:
    """Outer beams of an image.

    Parameters
    ----------
    row, axis, half_face
        Row of the ends of the probe's face, the column midway between them, and half their
        distance, px from the image's upper left corner.
    angle
        By which the outer beams leave the axis, radians; 0 where they run straight down.
    """

    row: float
    axis: float
    half_face: float
    angle: float

    def reach(self, height: float) -> float:
        """Columns beside the axis that the beams reach in an image of ``height`` rows.

        A beam that leaves the face at angle a ends, in an image of height H below a face of half
        width w, H sin(a) + w cos(a) beside the axis (exact for a curved face, where w = radius
        sin(a)).
        """
        return height * math.sin(self.angle) + self.half_face * math.cos(self.angle)

    def field(self, rows: int, columns: int, margin: float) -> NDArray[np.bool_]:
        """Tell what lies within the outer beams and above the deepest echo on the axis.

        Parameters
        ----------
        margin
            By which the field is made wider and deeper, px.
        """
        row, column = np.mgrid[:rows, :columns].astype(np.float64)
        side = np.abs(column - self.axis)
        outward = self.half_face + (row - self.row) * math.tan(self.angle)
        within: NDArray[np.bool_] = (side - outward) * math.cos(self.angle) <= margin
        if self.angle:
            # Outer beams meet above the face; all are as long as the one on the axis.
            apex = self.row - self.half_face / math.tan(self.angle)
            within &= np.hypot(row - apex, side) <= rows - apex + margin
        return within


def fit_beams(outline: NDArray[np.uint8]) -> Beams | None:
    """Read the outer beams off the outline of an image; None where its sides show too little.

    Parameters
    ----------
    outline
        Mask of what is textured, shape (rows, columns) of the image.
    """
    height = len(outline)
    ends = _ends(outline)
    face, beams = (
        ends[(ends[:, 0] >= low * height) & (ends[:, 0] < high * height)]
        for low, high in (FACE_PARTS, BEAM_PARTS)
    )
    if not face.size or not beams.size:
        return None
    row, first, last = np.median(face, axis=0)
    outward = np.maximum(first - beams[:, 1], beams[:, 2] - last) / (beams[:, 0] - row)
    angle = max(0.0, float(np.arctan(np.median(outward))))
    return Beams(float(row), float(first + last) / 2, float(last - first) / 2, angle)


def _ends(mask: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Row, first set column and end (excluded) of each row that is not empty, shape (n, 3)."""
    rows = np.flatnonzero(mask.any(axis=1))
    first = mask[rows].argmax(axis=1)
    end = mask.shape[1] - mask[rows, ::-1].argmax(axis=1)
    return np.stack([rows, first, end], axis=1)
