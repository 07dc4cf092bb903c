"""Owns writing pictures: PNG and JPEG, whole or not at all."""

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from layermotion.files import atomic_path

Pixels = NDArray[np.uint8]


# Good enough to judge an outline, a tenth of the size of PNG (our choice).
JPEG_QUALITY: Final = 85


def write_png(target: Path, image: Pixels) -> None:
    """Write a grey or RGB image atomically, uint8 of shape (R, C) or (R, C, 3).

    Raises
    ------
    InputError
        If ``target`` cannot be written.
    """
    with atomic_path(target) as temporary:
        Image.fromarray(image).save(temporary, format="PNG")


def write_jpeg(target: Path, image: Pixels) -> None:
    """Write an RGB image atomically, small enough to stand in a page.

    Raises
    ------
    InputError
        If ``target`` cannot be written.
    """
    with atomic_path(target) as temporary:
        Image.fromarray(image).save(temporary, format="JPEG", quality=JPEG_QUALITY)
