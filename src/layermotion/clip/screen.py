"""Owns finding the ultrasound image within a screen, past text, rulers, bars and menus.

Speckle changes nearly every pixel of an ultrasound image, while the screen around it is flat with
thin text. The image therefore starts as the largest densely textured area. Dark parts that belong
to it are then added back: rows that are faint or that move, and columns that its beams reach,
since these run straight and equally far to both sides.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.clip.beams import fit_beams
from layermotion.clip.speckle import find_dense, find_texture
from layermotion.errors import InputError
from layermotion.geometry import ImageArea

# All constants are our choice, see tests/test_screen.py.
# A second image on the screen has at least this part of the largest one's box.
SECOND_PART = 0.35
# Two boxes count as equal in size, so that the left one leads, within this part.
EQUAL_PART = 0.10
# Rows next to the image belong to it while this part of its width is textured ...
SPREAD_PART = 0.25
# ... counted in equal bins, each filled to a part that the ticks of a ruler do not reach ...
BIN_COUNT = 32
FILLED_PART = 0.4
# ... with gaps up to this part of the image's height.
GAP_PART = 0.01
# Echoes at any depth belong to the image when they change over time, and fill this part of a bin
# over this part of the image's height: sparse echoes count.
SPARSE_PART = 0.1
SPARSE_HEIGHT_PART = 0.05
# A box this close to the edge of the frame (part of the frame) reaches it.
SNAP_PART = 0.012


def find_image_area(frames: Sequence[NDArray[np.uint8]]) -> ImageArea:
    """Find the ultrasound image; of several the largest, of equal ones the left.

    Parameters
    ----------
    frames
        A few grey frames of one clip, uint8, all of shape (rows, columns).

    Returns
    -------
    ImageArea
        A generous box; the whole frame where nothing on it looks like speckle.
    """
    return find_image_areas(frames)[0]


def find_image_areas(frames: Sequence[NDArray[np.uint8]]) -> tuple[ImageArea, ...]:
    """Find every ultrasound image on the screen, the one to measure first.

    Parameters
    ----------
    frames
        As for ``find_image_area``.

    Returns
    -------
    tuple of ImageArea
        At least one; the whole frame where nothing on it looks like speckle.
    """
    if not frames:
        raise InputError("No frame was given to find the image area in; export the clip again.")
    return seen_images(frames) or (ImageArea(0, 0, *frames[0].shape),)


def seen_images(frames: Sequence[NDArray[np.uint8]]) -> tuple[ImageArea, ...]:
    """Do the same for at least one frame, and give none where nothing looks like speckle."""
    rows, columns = frames[0].shape
    texture, faint, moving, factor = find_texture(frames)
    dense, outline = find_dense(texture)
    boxes = [_extended(part, faint) for box in _boxes(dense) for part in _split(box, texture)]
    if not boxes:
        return ()
    boxes.sort(key=_size, reverse=True)
    largest = _size(boxes[0])
    kept = [box for box in boxes if _size(box) >= SECOND_PART * largest]
    kept = _merged([_deepened(box, moving) for box in kept])
    kept = [_widened(box, kept, outline) for box in kept]
    largest = max(map(_size, kept))
    kept.sort(key=lambda box: (_size(box) < (1 - EQUAL_PART) * largest, box[1]))
    return tuple(_to_area(box, factor, (rows, columns)) for box in kept)


# A box is (top, left, bottom, right) in reduced pixels, ends excluded.
Box = tuple[int, int, int, int]


def _size(box: Box) -> int:
    top, left, bottom, right = box
    return (bottom - top) * (right - left)


def _boxes(dense: NDArray[np.uint8]) -> list[Box]:
    """Boxes of the parts of the mask, those of one image joined."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(dense, connectivity=8)
    return _merged(
        [
            (top, left, top + height, left + width)
            for left, top, width, height, _ in stats[1:].tolist()
        ]
    )


def _merged(boxes: list[Box]) -> list[Box]:
    """Join boxes that overlap, or lie above each other with a dark band (bladder) between."""
    merged: list[Box] = []
    for box in sorted(boxes, key=_size, reverse=True):
        for position, other in enumerate(merged):
            if _belong_together(other, box):
                merged[position] = (
                    min(box[0], other[0]),
                    min(box[1], other[1]),
                    max(box[2], other[2]),
                    max(box[3], other[3]),
                )
                break
        else:
            merged.append(box)
    return merged


def _belong_together(large: Box, small: Box) -> bool:
    shared_columns = min(large[3], small[3]) - max(large[1], small[1])
    shared_rows = min(large[2], small[2]) - max(large[0], small[0])
    width, height = small[3] - small[1], small[2] - small[0]
    narrow = min(width, large[3] - large[1])
    is_below_or_above = shared_columns >= 0.25 * narrow and width >= 0.15 * (large[3] - large[1])
    is_beside = shared_rows >= 0.8 * height and shared_columns > -0.02 * (large[3] - large[1])
    is_inside = shared_rows > 0 and shared_columns > 0
    # A full bladder may take two thirds of the picture, all of it without an echo.
    is_near = -shared_rows < 2.0 * (large[2] - large[0] + height)
    return is_inside or (is_below_or_above and is_near) or (is_beside and width < 0.5 * height)


def _split(box: Box, texture: NDArray[np.uint8]) -> list[Box]:
    """Cut a box at a flat column between two images that lie side by side."""
    top, left, bottom, right = box
    width = right - left
    is_flat = texture[top:bottom, left:right].mean(axis=0) < 0.02
    middle = np.flatnonzero(is_flat[width // 4 : width - width // 4]) + width // 4
    if not middle.size:
        return [box]
    first_end, second_start = left + int(middle[0]), left + int(middle[-1]) + 1
    return [(top, left, bottom, first_end), (top, second_start, bottom, right)]


def _extended(box: Box, faint: NDArray[np.uint8]) -> Box:
    """Add the rows above and below over which faint texture still spreads."""
    top, left, bottom, right = box
    filled = _filled(faint[:, left:right]) >= FILLED_PART
    top, bottom = _reach(filled.mean(axis=1), top, bottom)
    return top, left, bottom, right


def _deepened(box: Box, moving: NDArray[np.uint8]) -> Box:
    """Reach the farthest rows over which something moves, past any dark gap."""
    top, left, bottom, right = box
    height = 2 * round(SPARSE_HEIGHT_PART * (bottom - top) / 2) + 1
    filled = _filled(moving[:, left:right])
    nearby = cv2.blur(filled, (1, height), borderType=cv2.BORDER_CONSTANT)
    is_image = (nearby >= SPARSE_PART).mean(axis=1) >= SPREAD_PART
    # Rows next to it, which only the blur reaches, stay outside.
    rows = np.flatnonzero(is_image & (filled.mean(axis=1) >= SPREAD_PART * SPARSE_PART))
    if not rows.size:
        return box
    return min(top, int(rows[0])), left, max(bottom, int(rows[-1]) + 1), right


def _filled(mask: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Part of each of ``BIN_COUNT`` bins across a row that is set, shape (rows, bins)."""
    bins = np.array_split(mask, min(BIN_COUNT, mask.shape[1]), axis=1)
    return np.stack([part.mean(axis=1) for part in bins], axis=1)


def _widened(box: Box, all_boxes: Sequence[Box], outline: NDArray[np.uint8]) -> Box:
    """Add the columns that beams reach, half way to another image or up to the screen's edge."""
    top, left, bottom, right = box
    beams = fit_beams(outline[top:bottom, left:right])
    if beams is None:
        return box
    axis = left + beams.axis
    half = max(beams.reach(bottom - top), axis - left, right - axis)
    beside = [other for other in all_boxes if min(bottom, other[2]) > max(top, other[0])]
    low = max([0, *((other[3] + left) // 2 for other in beside if other[3] <= left)])
    high = min(
        [outline.shape[1], *((right + other[1]) // 2 for other in beside if other[1] >= right)]
    )
    return top, max(low, round(axis - half)), bottom, min(high, round(axis + half))


def _reach(spread: NDArray[np.float64], start: int, end: int) -> tuple[int, int]:
    """Move both ends outward while the spread holds, past short gaps."""
    gap = max(1, round(GAP_PART * (end - start)))
    is_image = spread >= SPREAD_PART

    def step(position: int, direction: int) -> int:
        last = position
        while 0 <= position + direction < len(spread) and abs(position - last) <= gap:
            position += direction
            if is_image[position]:
                last = position
        return last

    return step(start, -1), step(end - 1, 1) + 1


def _to_area(box: Box, factor: int, shape: tuple[int, int]) -> ImageArea:
    """Box in pixels of the frame; edges next to the frame's edge reach it."""
    edges = []
    for low, high, length in ((box[0], box[2], shape[0]), (box[1], box[3], shape[1])):
        low, high = low * factor, min(high * factor, length)
        snap = max(2, SNAP_PART * length)
        low = 0 if low <= snap else low
        high = length if length - high <= snap + factor else high
        edges.append((low, max(high, min(low + 8, length))))
    (top, bottom), (left, right) = edges
    return ImageArea(top, left, bottom - top, right - left)
