"""Owns telling whether one picture lies in two splits, under two subjects or names.

Whole pictures are compared by the signs of their slow waves. That misses a part cut out of a
picture, so points of the texture are compared as well: a cut, a scale or a gain leaves them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

# The picture is reduced to SIDE_PX squared, and its slowest COEFFICIENTS squared waves are kept.
SIDE_PX, COEFFICIENTS = 64, 16
# Bits of 255 in which two pictures may differ and still count as one (our choice; looked at once on
# 60 synthetic scenes, and on 12 of them in tests/test_lab_leakage.py): different scenes differ in
# at least 80, a picture saved again, scaled or with another gain in at most 26.
LARGEST_DISTANCE = 51
# Points of the texture: how many, and the longer side of the picture in which they are sought, px.
POINTS, POINTS_SIDE_PX = 400, 320
# Bits of 256 in which two points may differ, and how far from where the others put it one may lie.
POINT_DISTANCE, TOLERANCE_PX = 48, 3.0
# Points that must agree on one place, and the part of the picture that they must span, so that a
# ruler or a mark of the scanner makes no pair (our choice; of 24 synthetic scenes, mirrored or not,
# different ones agreed in at most 9 points; all cuts to 0.8 of the sides were found, and 23 of the
# 24 to 0.7).
SHARED_POINTS, SPANNED_PART = 16, 0.1


class Shared(StrEnum):
    """How two frames show the same."""

    WHOLE = "whole"
    PART = "part"


@dataclass(frozen=True)
class Leak:
    """Two frames of different splits that show the same picture, or a part of it."""

    one: str
    other: str
    shared: Shared


@dataclass(frozen=True, eq=False)
class Texture:
    """Points of the texture of a picture.

    Parameters
    ----------
    places
        Where they are in the reduced picture, column and row, px, float32 (points, 2).
    codes
        What surrounds each, uint8 (points, 32).
    """

    places: NDArray[np.float32]
    codes: NDArray[np.uint8]


def find_leaks(
    one: Iterable[tuple[str, NDArray[np.uint8]]], other: Sequence[tuple[str, NDArray[np.uint8]]]
) -> tuple[Leak, ...]:
    """Pairs of frames, one of each split, that show the same picture or a part, mirrored or not.

    Takes about a millisecond a pair.

    Parameters
    ----------
    one, other
        (key, image area) of the frames of two splits.
    """
    first = [(key, picture_hash(image), texture_of(image)) for key, image in one]
    found: dict[tuple[str, str], Shared] = {}
    for mirrored in (False, True):
        for key, image in other:
            shown = np.ascontiguousarray(image[:, ::-1]) if mirrored else image
            bits, texture = picture_hash(shown), texture_of(shown)
            for known, known_bits, known_texture in first:
                pair = (known, key)
                if int((known_bits != bits).sum()) <= LARGEST_DISTANCE:
                    found[pair] = Shared.WHOLE
                elif pair not in found and shares_texture(known_texture, texture):
                    found[pair] = Shared.PART
    return tuple(Leak(*pair, shared) for pair, shared in sorted(found.items()))


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


def texture_of(image: NDArray[np.uint8]) -> Texture:
    """Find the points of the texture of a picture."""
    scale = POINTS_SIDE_PX / max(image.shape)
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    points, found = cv2.ORB.create(nfeatures=POINTS, fastThreshold=5).detectAndCompute(small, None)
    places = np.array([point.pt for point in points], np.float32).reshape(-1, 2)
    codes = np.zeros((0, 32), np.uint8) if found is None else np.asarray(found, np.uint8)
    return Texture(places, codes)


def shared_points(one: Texture, other: Texture) -> NDArray[np.float32]:
    """Places in ``other`` of the points that one affine map brings together, (points, 2)."""
    nothing = np.zeros((0, 2), np.float32)
    if not len(one.codes) or not len(other.codes):
        return nothing
    matches = [
        match
        for match in cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(one.codes, other.codes)
        if match.distance <= POINT_DISTANCE
    ]
    if len(matches) < SHARED_POINTS:
        return nothing
    here = one.places[[match.queryIdx for match in matches]]
    there = other.places[[match.trainIdx for match in matches]]
    cv2.setRNGSeed(0)  # the search for the map is random; the same pair gets the same answer
    affine, agrees = cv2.estimateAffine2D(here, there, ransacReprojThreshold=TOLERANCE_PX)
    return nothing if affine is None else there[agrees.ravel() > 0]


def shares_texture(one: Texture, other: Texture) -> bool:
    """Whether one picture holds a part of the other."""
    shared = shared_points(one, other)
    if len(shared) < SHARED_POINTS:
        return False
    height, width = np.ptp(other.places, axis=0)
    spanned = cv2.contourArea(cv2.convexHull(shared)) / max(float(height * width), 1.0)
    return spanned >= SPANNED_PART
