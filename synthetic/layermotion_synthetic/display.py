"""Owns what the scanner does after the echo: grey map, speckle reduction, sharpening."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.anatomy import chance, uniform
from layermotion_synthetic.factors import Factors, split
from layermotion_synthetic.grain import Image

Grey = NDArray[np.uint8]
# Ways of speckle reduction.
FILTERS = ("bilateral", "guided", "median", "gaussian", "sideways")


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
        One of ``FILTERS``.
    strength
        Strength of the smoothing, 0 (off) to 1.
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


def draw_display(rng: np.random.Generator, factors: Factors) -> Display:
    """Draw a look between raw speckle and a smooth, edge-enhanced picture."""
    shown, filters = split(rng, 2)
    smooth = factors.speckle_filter
    sharp = factors.edge_enhancement
    return Display(
        range_db=max(65 + 25 * factors.dynamic_range, 20.0),
        headroom_db=-8 * factors.gain,
        gamma=float(np.exp(0.12 + 0.6 * factors.grey_map)),
        s_curve=uniform(shown, -0.5, 0.8) if chance(shown, 0.5) else 0.0,
        smoothing=str(filters.choice(FILTERS, p=[0.25, 0.3, 0.1, 0.15, 0.2])),
        strength=smooth,
        sharpen=1.5 * sharp,
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
    amount = display.strength
    if not amount:
        pass
    elif display.smoothing == "bilateral":
        out = cv2.bilateralFilter(out, 5 if amount < 0.5 else 7, 15 + 60 * amount, 3)
    elif display.smoothing == "guided":
        out = _guided(out, 1 + round(2 * amount), 5 + 30 * amount)
    elif display.smoothing == "median":
        out = cv2.medianBlur(out, 3 if amount < 0.5 else 5)
    elif display.smoothing == "gaussian":
        out = cv2.GaussianBlur(out, (0, 0), 0.4 + 1.1 * amount)
    else:  # along the layers: across the picture rather than down
        out = cv2.GaussianBlur(out, (0, 0), sigmaX=0.6 + 2.0 * amount, sigmaY=0.4 + 0.3 * amount)
    if display.sharpen:
        soft = cv2.GaussianBlur(out, (0, 0), 2.0)
        out = cv2.addWeighted(out, 1 + display.sharpen, soft, -display.sharpen, 0)
    return np.asarray(out, np.uint8)


def _guided(grey: Grey, radius: int, edge: float) -> Grey:
    """Smooth what varies by less than ``edge`` grey levels and keep what varies more.

    The self-guided filter of He, Sun and Tang 2013, IEEE Trans Pattern Anal 35:1397-409.
    """
    size = (2 * radius + 1, 2 * radius + 1)
    image = grey.astype(np.float32)
    mean = cv2.boxFilter(image, -1, size)
    variance = cv2.boxFilter(image * image, -1, size) - mean * mean
    share = variance / (variance + np.float32(edge**2))
    flat = cv2.boxFilter(mean * (1 - share), -1, size)
    result = cv2.boxFilter(share, -1, size) * image + flat
    return np.asarray(np.clip(result, 0, 255), np.uint8)
