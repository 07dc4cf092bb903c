"""Owns telling whether one picture lies in two splits, under two subjects or names."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

# The picture is reduced to SIDE_PX squared, and its slowest COEFFICIENTS squared waves are kept.
SIDE_PX, COEFFICIENTS = 64, 16
# Bits of 255 in which two pictures may differ and still count as one (our choice; looked at once on
# 60 synthetic scenes, and on 12 of them in tests/test_lab_builds.py): different scenes differ in at
# least 80, a picture saved again, scaled or with another gain in at most 26.
LARGEST_DISTANCE = 51


@dataclass(frozen=True)
class Leak:
    """Two frames of different splits that show the same picture, and how many bits differ."""

    one: str
    other: str
    distance: int


def picture_hash(image: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Signs of the slow waves of a picture against their median, bool (255,).

    Gain, compression and scale change few of them.

    Parameters
    ----------
    image
        Image area of a frame, uint8 (rows, columns).
    """
    small = cv2.resize(image, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
    waves = cv2.dct(small.astype(np.float32))[:COEFFICIENTS, :COEFFICIENTS].ravel()[1:]
    return np.asarray(waves > np.median(waves))


def find_leaks(
    one: Sequence[tuple[str, NDArray[np.uint8]]], other: Sequence[tuple[str, NDArray[np.uint8]]]
) -> tuple[Leak, ...]:
    """Pairs of frames, one of each split, that show the same picture, mirrored or not.

    Parameters
    ----------
    one, other
        (key, image area) of the frames of two splits.
    """
    if not one or not other:
        return ()
    first = np.stack([picture_hash(image) for _, image in one])  # (n, 255)
    found: dict[tuple[int, int], int] = {}
    for mirrored in (False, True):
        second = np.stack([picture_hash(i[:, ::-1] if mirrored else i) for _, i in other])
        for row, bits in enumerate(first):
            distances = (second != bits).sum(axis=1)  # (m,)
            for column in np.flatnonzero(distances <= LARGEST_DISTANCE):
                place = (row, int(column))
                found[place] = min(found.get(place, 255), int(distances[column]))
    return tuple(Leak(one[a][0], other[b][0], d) for (a, b), d in sorted(found.items()))
