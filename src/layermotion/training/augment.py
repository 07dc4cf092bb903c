"""Owns augmentation: fresh looks of one drawn example, for image and label alike."""

import os
import random
from typing import NamedTuple

import albumentations as A  # noqa: E402, N812
import cv2  # noqa: E402
import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")  # the library must not ask the network


class Changed(NamedTuple):
    """A picture and its label after a change; uint8, (rows, columns) each.

    ``plain`` has the new shapes and the old greys, for an answer that fits pixel by pixel.
    """

    image: NDArray[np.uint8]
    plain: NDArray[np.uint8]
    label: NDArray[np.uint8] | None


class Augmentation:
    """A chain of mild changes, each with a modest chance; never a grey inversion.

    Ranges are our choice: they cover scanner settings and screen capture (gain, gamma, tone
    map, sharpening, resampling, compression), and geometry within which a muscle stays a
    muscle. Shapes are changed only mildly, because the generator already varies anatomy.
    """

    def __init__(self) -> None:
        geometry = [
            A.HorizontalFlip(p=0.5),
            A.Affine(
                scale=(0.85, 1.15),
                translate_percent=(-0.06, 0.06),
                # Pixels are wider than high: 14 degrees down the picture are 7 in tissue.
                shear={"x": (-4, 4), "y": (-14, 14)},
                border_mode=cv2.BORDER_CONSTANT,
                p=0.5,
            ),
            A.OneOf(
                [
                    A.GridDistortion(num_steps=5, distort_limit=0.12, p=1.0),
                    A.OpticalDistortion(distort_limit=(-0.12, 0.12), p=1.0),
                ],
                p=0.25,
            ),
        ]
        tone = [
            A.RandomBrightnessContrast(brightness_limit=0.2, contrast_limit=0.25, p=0.4),
            A.RandomGamma(gamma_limit=(60, 160), p=0.3),
            A.RandomToneCurve(scale=0.2, p=0.15),
            A.CLAHE(clip_limit=(1.0, 3.0), p=0.1),
        ]
        screen = [
            A.MultiplicativeNoise(multiplier=(0.8, 1.2), elementwise=True, p=0.15),
            A.GaussNoise(std_range=(0.01, 0.06), p=0.2),
            A.OneOf(
                [
                    A.GaussianBlur(blur_limit=(3, 5), p=1.0),
                    A.MedianBlur(blur_limit=(3, 5), p=1.0),
                    A.Sharpen(alpha=(0.2, 0.5), p=1.0),
                ],
                p=0.3,
            ),
            A.Downscale(scale_range=(0.5, 0.9), p=0.15),
            A.ImageCompression(quality_range=(30, 95), p=0.25),
            A.CoarseDropout(
                num_holes_range=(1, 3),
                hole_height_range=(0.04, 0.2),
                hole_width_range=(0.02, 0.1),
                fill=0,
                fill_mask=None,
                p=0.1,
            ),
        ]
        self._shapes = A.Compose(geometry, seed=0)
        self._greys = A.Compose([*tone, *screen], seed=0)

    def __call__(
        self, image: NDArray[np.uint8], label: NDArray[np.uint8] | None, rng: np.random.Generator
    ) -> Changed:
        """Return a changed image and the label that goes with it.

        Parameters
        ----------
        image, label
            uint8, shape (rows, columns); None for no label.
        rng
            Decides every change; the same state gives the same result.
        """
        # One pair of generators for everything. The library's set_random_seed would start every
        # link from the same number, so that all chances fall together (half the images unchanged).
        state = (rng, random.Random(int(rng.integers(2**32))))
        for chain in (self._shapes, self._greys):
            chain.set_random_state(*state)
        given = {"image": image} if label is None else {"image": image, "mask": label}
        shaped = self._shapes(**given)
        # Always applied as a whole, so that nothing is drawn for that.
        changed = self._greys(force_apply=True, image=shaped["image"].copy())["image"]
        return Changed(changed, shaped["image"], shaped.get("mask"))
