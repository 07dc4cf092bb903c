"""Owns new speckle: another grain in a picture, whose greys and borders stay about where they are.

The grain of the generator is one of many that scanners show: a network that has seen it alone may
take it for what tells a layer. Ranges are our choice, see DEVELOPERS.md, "Grain".
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.anatomy import log_uniform
from layermotion_synthetic.grain import noise

Image = NDArray[np.float32]

# How the old grain is taken away: reach, px, and the step of grey that counts as a border; and
# how much of it stays.
LEVEL_PX, BORDER_GREY, KEPT = 2.5, 70.0, (0.0, 0.7)
# How far the new grain reaches down and along (standard deviation), px; how much it spreads, grey;
# and the number of standard deviations at which it is cut off.
GRAIN_ROWS, GRAIN_COLUMNS, GRAIN_GREY, MOST_SD = (0.4, 2.5), (0.4, 3.0), (5.0, 25.0), 3.0
# Chance of bright streaks, as fibres and septa make them; how far one reaches down and along, px;
# beyond how many standard deviations noise becomes one; and its grey for each beyond that.
STREAKED, STREAK_ROWS, STREAK_COLUMNS = 0.5, (0.5, 1.0), (4.0, 20.0)
STREAK_SD, STREAK_GREY = (1.0, 2.0), (15.0, 60.0)
# Below this grey there is no echo; where the picture varies by less than this there is no grain, as
# beside the image.
ECHO_GREY, LEAST_GRAIN_GREY = 24.0, 0.5


def respeckle(image: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return a picture with other speckle, and in some with streaks along the rows.

    Parameters
    ----------
    image
        uint8, shape (rows, columns).
    rng
        Decides the grain.
    """
    level = cv2.bilateralFilter(image, -1, BORDER_GREY, LEVEL_PX).astype(np.float32)
    old = image - level
    new = _grain(rng, image.shape)
    if rng.random() < STREAKED:
        new += _streaks(rng, image.shape)
    is_tissue = cv2.blur(np.abs(old), (9, 9)) > LEAST_GRAIN_GREY
    echo = np.clip(level / ECHO_GREY - 0.5, 0, 1) * is_tissue
    grey = level + rng.uniform(*KEPT) * old + new * echo
    return np.where(is_tissue, np.clip(grey, 0, 255), image).astype(np.uint8)


def _grain(rng: np.random.Generator, shape: tuple[int, ...]) -> Image:
    """Grey of speckle.

    It is the power of echoes that add up at random, so it is distributed exponentially, and
    pictures show its logarithm (Wagner et al. 1983, IEEE Trans Sonics Ultrason 30(3):156-163, from
    memory).
    """
    rows, columns = log_uniform(rng, *GRAIN_ROWS), log_uniform(rng, *GRAIN_COLUMNS)
    echoes = [
        cv2.GaussianBlur(noise(rng, shape), (0, 0), sigmaX=columns, sigmaY=rows) for _ in range(2)
    ]
    power = np.square(echoes).sum(axis=0)
    grain = np.log(power / power.mean() + 1e-3)
    grain = np.clip((grain - grain.mean()) / grain.std(), -MOST_SD, MOST_SD)
    return np.asarray(grain * rng.uniform(*GRAIN_GREY), np.float32)


def _streaks(rng: np.random.Generator, shape: tuple[int, ...]) -> Image:
    """Grey of bright streaks along the rows."""
    rows, columns = log_uniform(rng, *STREAK_ROWS), log_uniform(rng, *STREAK_COLUMNS)
    soft = cv2.GaussianBlur(noise(rng, shape), (0, 0), sigmaX=columns, sigmaY=rows)
    beyond = np.maximum(soft / soft.std() - rng.uniform(*STREAK_SD), 0)
    return np.asarray(beyond * rng.uniform(*STREAK_GREY), np.float32)
