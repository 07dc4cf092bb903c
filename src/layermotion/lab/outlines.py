"""Owns filling outlines and run lengths of COCO JSON; all is checked before a library sees it."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pycocotools import mask as coco_mask

# Compressed counts (COCO API, maskApi.c): six bits a letter from "0" on, of which five are of the
# number, the highest tells that more follow, and the fifth of the last letter is its sign.
FIRST_LETTER, LETTERS, MORE, SIGN, BITS = 48, 64, 32, 16, 5


def filled(segmentation: Any, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Mask of one annotation, bool (rows, columns): polygons, plain or compressed run lengths.

    Raises
    ------
    ValueError
        If it does not fit the image; the library would write beyond its memory.
    """
    if isinstance(segmentation, dict):
        if segmentation.get("size") != list(shape):
            raise ValueError("run lengths of another size than the image")
        return _runs(segmentation.get("counts"), shape)
    if not isinstance(segmentation, list) or not segmentation:
        raise ValueError("an outline that is no list of polygons")
    for ring in segmentation:
        _check_ring(ring, shape)
    rings = coco_mask.frPyObjects(segmentation, *shape)
    return np.asarray(coco_mask.decode(coco_mask.merge(rings)), bool)


def _check_ring(ring: Any, shape: tuple[int, int]) -> None:
    if not isinstance(ring, list) or len(ring) < 6 or len(ring) % 2:
        raise ValueError("a polygon of fewer than three points")
    if not all(type(value) in (int, float) for value in ring):
        raise ValueError("a polygon whose points are no numbers")
    rows, columns = shape
    for values, size in ((ring[::2], columns), (ring[1::2], rows)):
        # A hand may slip over the edge, but not farther than the image is large.
        if not all(math.isfinite(value) and -size <= value <= 2 * size for value in values):
            raise ValueError("a polygon that lies outside the image")


def _runs(counts: Any, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Fill runs of pixels, outside and inside by turns, down the columns."""
    if isinstance(counts, str):
        counts = _uncompressed(counts)
    if not isinstance(counts, list) or not all(type(run) is int and run >= 0 for run in counts):
        raise ValueError("run lengths that are no numbers of pixels")
    rows, columns = shape
    if sum(counts) != rows * columns:
        raise ValueError("run lengths that do not cover the image")
    inside = np.arange(len(counts)) % 2 == 1
    return np.repeat(inside, counts).reshape(columns, rows).T


def _uncompressed(text: str) -> list[int]:
    """Unpack counts; each but the first three is told from the one before the last."""
    differences: list[int] = []
    value, place = 0, 0
    for letter in text:
        bits = ord(letter) - FIRST_LETTER
        if not 0 <= bits < LETTERS:
            raise ValueError("run lengths of unknown letters")
        value |= (bits & (MORE - 1)) << (BITS * place)
        place += 1
        if bits & MORE:
            continue
        if bits & SIGN:
            value -= 1 << (BITS * place)
        differences.append(value)
        value, place = 0, 0
    if place:
        raise ValueError("run lengths that end in the middle")
    counts: list[int] = []
    for index, difference in enumerate(differences):
        counts.append(difference + (counts[index - 2] if index > 2 else 0))
    return counts
