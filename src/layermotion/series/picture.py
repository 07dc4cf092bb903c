"""Owns how the whole picture changes: that tells efforts where no layer shows them, but no size."""

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Rows and columns of a small picture, and how far it is smoothed, px: no speckle is left (our
# choice, with the next two; of those tried they show best what is true of 36 filmed clips).
SMALL_SHAPE, SMOOTH_PX = (18, 24), 1.0
# Changes within this time count, s: efforts begin and end faster than a breath goes.
QUICK_S = 0.25
# Ways of changing that are told apart.
WAYS = 4
# A picture whose greys spread by less shows nothing, grey levels (our choice).
LEAST_SPREAD = 1.0


def small_picture(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Make an image area small, shape ``SMALL_SHAPE``, from shape (H, W)."""
    small = cv2.resize(pixels, SMALL_SHAPE[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8)


def quick_changes(pictures: NDArray[np.uint8], time_s: Array) -> Array:
    """Courses over time of the ways in which the picture changes most quickly.

    Tissue that no outline follows still moves the greys: beside a bone, below it, outside of the
    layers. Breath and drift move more of them, but not within a quarter of a second.

    Parameters
    ----------
    pictures
        uint8, shape (F, rows, columns), small; all 0 where a frame does not show the view.
    time_s
        Shape (F,), s.

    Returns
    -------
    ndarray
        Shape (WAYS, F), root mean square change of all pixels from the middle picture, in standard
        deviations of its greys, either way; NaN where a frame does not show the view, and
        everywhere in a clip that is too short.

    Notes
    -----
    Principal components of the differences over ``QUICK_S``, applied to the pictures themselves
    (Jolliffe, Principal component analysis, 2002, from memory).
    """
    courses = np.full((WAYS, len(pictures)), np.nan)
    is_shown = pictures.any(axis=(1, 2))
    step_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else QUICK_S
    lag = max(1, round(QUICK_S / step_s))
    if is_shown.sum() <= lag:
        return courses
    soft = [cv2.GaussianBlur(each.astype(np.float32), (0, 0), SMOOTH_PX)
            for each in pictures[is_shown]]  # fmt: skip
    greys = np.reshape(soft, (len(soft), -1)).astype(float)
    # What makes the whole picture brighter or harder is the scanner's doing.
    greys -= greys.mean(axis=1, keepdims=True)
    greys /= np.maximum(greys.std(axis=1, keepdims=True), LEAST_SPREAD)
    greys -= np.median(greys, axis=0)
    quick = greys[lag:] - greys[:-lag]
    _, ways = np.linalg.eigh(quick.T @ quick)
    courses[:, is_shown] = (greys @ ways[:, : -WAYS - 1 : -1]).T / np.sqrt(greys.shape[1])
    return courses
