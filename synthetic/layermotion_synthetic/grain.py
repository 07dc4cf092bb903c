"""Owns random fields of unit size: noise, noise stretched along a layer, scatterers."""

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def noise(rng: np.random.Generator, shape: tuple[int, ...]) -> Image:
    """Even noise of unit variance: bytes, ten times as fast as normal draws.

    Blurred over a few samples it is normal (central limit), which a test of the speckle confirms.
    """
    count = int(np.prod(shape))
    raw = np.frombuffer(rng.bytes(count), np.int8).reshape(shape)
    # Bytes run from -128 to 127: mean -0.5, variance (256^2 - 1) / 12.
    return (raw.astype(np.float32) + np.float32(0.5)) * np.float32(np.sqrt(12 / (256**2 - 1)))


def streaks(
    rng: np.random.Generator, rows: int, columns: int, along: float, across: float
) -> Image:
    """Unit-variance noise stretched along the layer, shape (rows, columns)."""
    # Drawn as coarsely as its own grain allows: a spread of 1.5 steps is smooth when enlarged.
    step_x, step_y = max(along / 1.5, 1.0), max(across / 1.5, 1.0)
    coarse = noise(rng, (int(rows / step_y) + 3, int(columns / step_x) + 3))
    soft = cv2.GaussianBlur(
        coarse, (0, 0), sigmaX=max(along / step_x, 0.3), sigmaY=max(across / step_y, 0.3)
    )
    # Wide blurs leave little but the mean, which must not be blown up to unit size.
    unit = (soft - soft.mean()) / np.float32(soft.std() + 1e-4)
    size = (max(columns, round(unit.shape[1] * step_x)), max(rows, round(unit.shape[0] * step_y)))
    return np.asarray(cv2.resize(unit, size)[:rows, :columns], np.float32)


def scatterers(rng: np.random.Generator, shape: tuple[int, int]) -> Image:
    """Complex scatterer field, float32 of shape (rows, columns, 2), unit mean power.

    Smoothed a little so that sampling it between grid points keeps its power.
    """
    soft = np.asarray(cv2.GaussianBlur(noise(rng, (*shape, 2)), (3, 3), 0.6), np.float32)
    # Root of summed squared kernel weights of the blur above, one axis after the other.
    kernel = cv2.getGaussianKernel(3, 0.6).ravel()
    soft *= np.float32(1 / (np.sqrt(2) * np.sum(kernel**2)))
    return soft
