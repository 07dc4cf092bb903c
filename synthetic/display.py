"""Owns what the scanner does after the echo: grey map, speckle reduction, sharpening."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy import chance, uniform
from synthetic.texture import Image

Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class Display:
    """Grey map and post-processing.

    Parameters
    ----------
    range_db
        Dynamic range shown.
    headroom_db
        White lies this far above the bright percentile of the picture.
    gamma
        Exponent of the grey map.
    s_curve
        Strength of an S-shaped grey map, -1 to 1 (negative flattens the middle).
    smoothing
        ``none``, ``bilateral``, ``median`` or ``gaussian``.
    strength
        Strength of the smoothing, 0 to 1.
    sharpen
        Weight of the unsharp mask.
    """

    range_db: float
    headroom_db: float
    gamma: float
    s_curve: float
    smoothing: str
    strength: float
    sharpen: float


def draw_display(rng: np.random.Generator) -> Display:
    """Draw a look between raw speckle and a smooth, edge-enhanced picture."""
    smoothing = str(
        rng.choice(["none", "bilateral", "median", "gaussian"], p=[0.4, 0.3, 0.12, 0.18])
    )
    return Display(
        range_db=uniform(rng, 40, 88),
        headroom_db=uniform(rng, -8, 8),
        gamma=float(np.exp(rng.normal(0.12, 0.3))),
        s_curve=uniform(rng, -0.5, 0.8) if chance(rng, 0.5) else 0.0,
        smoothing=smoothing,
        strength=uniform(rng, 0, 1),
        sharpen=uniform(rng, 0, 1.5) if chance(rng, 0.4) else 0.0,
    )


def white_level_db(echo_db: Image, display: Display) -> float:
    """Echo level shown white, dB: set once a clip, as a scanner's gain is."""
    return float(np.percentile(echo_db[::5, ::3], 99.0)) + display.headroom_db


def to_grey(echo_db: Image, white_db: float, display: Display) -> Grey:
    """Map echo in dB to grey levels: g = 255 clip(1 + (dB - white) / range, 0, 1), then curves.

    Returns
    -------
    ndarray
        uint8, the shape of ``echo_db``.
    """
    level = 1 + (echo_db - np.float32(white_db)) * np.float32(1 / display.range_db)
    grey = np.clip(level * 255, 0, 255).astype(np.uint8)
    ramp = np.linspace(0, 1, 256) ** display.gamma
    ramp = ramp - display.s_curve * np.sin(2 * np.pi * ramp) / (2 * np.pi)
    return np.asarray(cv2.LUT(grey, np.clip(ramp * 255, 0, 255).astype(np.uint8)))


def smooth_and_sharpen(grey: Grey, display: Display) -> Grey:
    """Apply the speckle-reduction and edge-enhancement filters, uint8 in and out."""
    out: np.ndarray = grey
    if display.smoothing == "bilateral":
        sigma = 15 + 60 * display.strength
        out = cv2.bilateralFilter(out, 5 if display.strength < 0.6 else 7, sigma, 3)
    elif display.smoothing == "median":
        out = cv2.medianBlur(out, 3 if display.strength < 0.5 else 5)
    elif display.smoothing == "gaussian":
        out = cv2.GaussianBlur(out, (0, 0), 0.4 + 1.1 * display.strength)
    if display.sharpen:
        soft = cv2.GaussianBlur(out, (0, 0), 2.0)
        out = cv2.addWeighted(out, 1 + display.sharpen, soft, -display.sharpen, 0)
    return np.asarray(out, np.uint8)
