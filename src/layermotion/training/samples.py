"""Owns the sheet of sample pictures of a run: what was found beside what is true."""

from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

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
    labels = torch.cat([batch.label for batch in drawn])[:SAMPLES].numpy()  # (n, R, C)
    with torch.no_grad():
        found = model(images.to(device))[0].argmax(1).cpu().numpy().astype(np.uint8)
    rows = [
        np.hstack([_outlined(i[0], label) for i, label in zip(images.numpy(), shown, strict=True)])
        for shown in (found, labels)
    ]
    return np.vstack(rows)


def write_samples(out: Path, model: nn.Module, batches: list[Batch], device: torch.device) -> None:
    """Write the sheet of a run, replacing the one before; none where every picture is local."""
    if all(bool(batch.is_local.all()) for batch in batches):
        return
    write_png(out / SHEET_NAME, draw_samples(model, batches, device))


def _outlined(image: NDArray[np.uint8], label: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Picture with square pixels, the outline of each structure, and a gap around it."""
    rows, columns = image.shape
    size = (columns * COLUMN_RATIO, rows)
    picture = cv2.cvtColor(cv2.resize(image, size), cv2.COLOR_GRAY2RGB)
    for structure in STRUCTURES:
        mask = cv2.resize((label == label_of(structure)).astype(np.uint8), size)
        lines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(picture, lines, -1, LOOKS[structure].image_rgb, 1)
    gap = (GAP_PX, GAP_PX)
    return np.pad(np.asarray(picture, np.uint8), (gap, gap, (0, 0)))
