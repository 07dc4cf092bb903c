"""Owns telling textured parts of a screen, such as speckle, from flat ones and from thin text."""

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

# All constants are our choice, see tests/test_screen.py.
# Larger screens are looked at in reduced size: 800 pixels show speckle and text well enough.
WORK_SIZE = 800
# Grey levels that 3 x 3 neighbours, or one pixel over time, must differ by to count as textured:
# above the ripple of video compression, below faint speckle.
TEXTURE_LEVELS = 3
# A pixel moves when it changes by this many grey levels over time, above the ripple that
# compression leaves around still text.
MOVING_LEVELS = 6
# Texture is joined over this many pixels, and what is then narrower than this part of the
# shorter side (letters, ticks, grey bars) is dropped.
JOIN_PX = 5
THIN_PART = 0.045


class Texture(NamedTuple):
    """Masks of what is textured in space or time, clearly and at all, and of what moves.

    Each uint8 0 or 1, shape (rows, columns) of the reduced screen, whose pixels are ``factor``
    pixels of the screen.
    """

    clear: NDArray[np.uint8]
    faint: NDArray[np.uint8]
    moving: NDArray[np.uint8]
    factor: int


def find_texture(frames: Sequence[NDArray[np.uint8]]) -> Texture:
    """Find what is textured in a few frames of one clip.

    Parameters
    ----------
    frames
        At least one grey frame, all of shape (rows, columns).
    """
    factor = max(1, -(-max(frames[0].shape) // WORK_SIZE))
    stack = np.stack([_reduced(frame, factor) for frame in frames])
    square = np.ones((3, 3), np.uint8)
    contrast = np.max([cv2.morphologyEx(f, cv2.MORPH_GRADIENT, square) for f in stack], axis=0)
    change = stack.max(axis=0) - stack.min(axis=0)
    contrast = np.maximum(contrast, change)
    return Texture(
        clear=(contrast >= TEXTURE_LEVELS).astype(np.uint8),
        faint=(contrast >= 2).astype(np.uint8),
        moving=(change >= MOVING_LEVELS).astype(np.uint8),
        factor=factor,
    )


def _reduced(frame: NDArray[np.uint8], factor: int) -> NDArray[np.uint8]:
    if factor == 1:
        return frame
    rows, columns = frame.shape
    size = (max(1, columns // factor), max(1, rows // factor))
    return np.asarray(cv2.resize(frame, size, interpolation=cv2.INTER_AREA), np.uint8)


def joined(texture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Close the gaps between what is textured, such as those between the letters of a word."""
    square = np.ones((JOIN_PX, JOIN_PX), np.uint8)
    return np.asarray(cv2.morphologyEx(texture, cv2.MORPH_CLOSE, square), np.uint8)


def find_dense(texture: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Masks (rows, columns) of the areas that stay when thin texture is dropped.

    Dropping rounds their corners, also those of the face; the second mask has them back, and
    with them what touches an area.
    """
    thin = 2 * round(THIN_PART * min(texture.shape) / 2) + 1
    # A frame of zeros around keeps the image's own edges where they are.
    margin = thin + JOIN_PX
    # The 3 x 3 contrast reaches one pixel past the image.
    core = cv2.erode(joined(np.pad(texture, margin)), np.ones((3, 3), np.uint8))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (thin, thin))
    dense = cv2.morphologyEx(core, cv2.MORPH_OPEN, disc)
    outline = np.where(core, cv2.dilate(dense, disc), 0)
    inner = (slice(margin, -margin), slice(margin, -margin))
    return np.asarray(dense[inner], np.uint8), np.asarray(outline[inner], np.uint8)
