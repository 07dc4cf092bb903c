"""Owns what stands beside the beams of a curved probe: text, rulers, body marks within the image.

A word there may name a person or a side, and none of it is tissue: it is covered before anything
else sees the frame. What crosses the edge of the beams stays, because tissue ends there too.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.clip.beams import fit_beams
from layermotion.clip.speckle import find_dense, find_texture, joined
from layermotion.geometry import ImageArea

# All constants are our choice, see tests/test_marks.py.
# Beams that spread less leave no corner beside them, degrees.
LEAST_ANGLE = 5.0
# Tissue may reach past the beams as they are found by this part of the image's shorter side.
MARGIN_PART = 0.03
# Part of a mark that lies outside; more of it within may be tissue.
OUTSIDE_PART = 0.95
# Pixels of the reduced screen around a mark that are covered with it ...
AROUND_PX = 3
# ... and that are as grey as the ground beside the beams, within this many levels.
GROUND_LEVELS = 6


@dataclass(frozen=True, eq=False)
class Cover:
    """What is hidden of every frame, often nothing.

    Parameters
    ----------
    mask
        bool, shape (rows, columns) of ``area``.
    grey
        What is shown instead.
    """

    area: ImageArea
    mask: NDArray[np.bool_]
    grey: int

    def over(self, read: Callable[[], Iterator[Frame]]) -> Callable[[], Iterator[Frame]]:
        """Hide it in the frames that ``read`` gives."""
        if not self.mask.any():
            return read
        return lambda: (replace(frame, pixels=self.hide(frame.pixels)) for frame in read())

    def hide(self, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return a copy of one frame with the grey of the ground instead."""
        hidden = pixels.copy()
        hidden[self.area.slices][self.mask] = self.grey
        return hidden


def find_marks(frames: Sequence[NDArray[np.uint8]], area: ImageArea) -> Cover:
    """Find what stands beside the beams; nothing does where they run straight down.

    Parameters
    ----------
    frames
        A few grey frames of one clip, uint8, all of shape (rows, columns).
    area
        Where the image lies in them.
    """
    nothing = Cover(area, np.zeros((area.height, area.width), bool), 0)
    inner = [frame[area.slices] for frame in frames]
    texture = find_texture(inner)
    outline = find_dense(texture.clear)[1]
    beams = fit_beams(outline)
    if beams is None or np.degrees(beams.angle) < LEAST_ANGLE:
        return nothing
    rows, columns = outline.shape
    outside = ~beams.field(rows, columns, MARGIN_PART * min(rows, columns))
    _, parts, stats, _ = cv2.connectedComponentsWithStats(joined(texture.clear), connectivity=8)
    is_flat = parts == 0
    if not (outside & is_flat).any():
        return nothing
    grey = cv2.resize(inner[0], (columns, rows), interpolation=cv2.INTER_NEAREST).astype(int)
    ground = int(np.median(grey[outside & is_flat]))
    part_outside = np.bincount(parts[outside], minlength=len(stats)) / stats[:, cv2.CC_STAT_AREA]
    mask = np.zeros((rows, columns), np.uint8)
    for left, top, width, height, _ in stats[1:][part_outside[1:] >= OUTSIDE_PART].tolist():
        box = (
            slice(max(0, top - AROUND_PX), top + height + AROUND_PX),
            slice(max(0, left - AROUND_PX), left + width + AROUND_PX),
        )
        beside = grey[box][is_flat[box]]
        if beside.size and abs(np.median(beside) - ground) <= GROUND_LEVELS:
            mask[box] = 1
    size = (area.width, area.height)
    whole = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST).astype(bool)
    return Cover(area, whole, ground)
