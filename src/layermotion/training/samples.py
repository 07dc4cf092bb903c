"""Owns the sheet of sample pictures of a run: what was found beside what is true."""

from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn.functional import max_pool2d
from torchvision.transforms.v2 import InterpolationMode
from torchvision.transforms.v2.functional import resize
from torchvision.utils import draw_segmentation_masks, make_grid

from layermotion.geometry import COLUMN_RATIO
from layermotion.images import write_png
from layermotion.labels import STRUCTURES, label_of
from layermotion.report.palette import LOOKS
from layermotion.training.data import Batch
from layermotion.training.tracking import SHEET_NAME

SAMPLES, GAP_PX = 6, 6


def draw_samples(model: nn.Module, batches: list[Batch], device: torch.device) -> NDArray[np.uint8]:
    """First pictures with the outlines found (upper row) and the true ones (lower row).

    Parameters
    ----------
    batches
        Of one size R x C; as many are used as give ``SAMPLES`` pictures of the generator. A local
        picture is never shown.

    Returns
    -------
    ndarray
        RGB, uint8 (rows, columns, 3); pixels as high as wide in mm.
    """
    drawn = [batch.where(~batch.is_local) for batch in batches]
    images = torch.cat([batch.image for batch in drawn])[:SAMPLES]  # (n, 1, R, C)
    labels = torch.cat([batch.label for batch in drawn])[:SAMPLES]  # (n, R, C)
    with torch.no_grad():
        found = model(images.to(device))[0].argmax(1).cpu()
    pictures = [
        _outlined(*pair) for shown in (found, labels) for pair in zip(images, shown, strict=True)
    ]
    sheet: NDArray[np.uint8] = make_grid(pictures, len(images), GAP_PX).permute(1, 2, 0).numpy()
    return sheet


def write_samples(out: Path, model: nn.Module, batches: list[Batch], device: torch.device) -> None:
    """Write the sheet of a run, replacing the one before; none where every picture is local."""
    if all(bool(batch.is_local.all()) for batch in batches):
        return
    write_png(out / SHEET_NAME, draw_samples(model, batches, device))


def _outlined(image: torch.Tensor, label: torch.Tensor) -> torch.Tensor:
    """Picture with square pixels, uint8 (3, R, C), and the outline of each structure."""
    rows, columns = label.shape
    size = [rows, columns * COLUMN_RATIO]
    values = torch.tensor([label_of(structure) for structure in STRUCTURES])
    masks = resize((label == values[:, None, None]).byte(), size, InterpolationMode.NEAREST)
    inside = -max_pool2d(-masks.float(), 3, stride=1, padding=1)
    colours = [LOOKS[structure].image_rgb for structure in STRUCTURES]
    picture: torch.Tensor = draw_segmentation_masks(
        resize(image, size).expand(3, -1, -1), masks.bool() & (inside == 0), 1.0, colours
    )
    return picture
