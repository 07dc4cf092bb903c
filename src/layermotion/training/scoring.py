"""Owns validation scores: Dice of each structure and accuracy of the view."""

import math

import numpy as np
import torch
from torch import nn

from layermotion.network.segmenter import CLASSES
from layermotion.training.data import Batch


@torch.no_grad()
def evaluate(model: nn.Module, batches: list[Batch], device: torch.device) -> dict[str, float]:
    """Mean Dice of each structure, and the share of views named rightly.

    A structure's mean is over the images that have it in the truth or in the prediction; their
    number stands beside it as ``images_NAME``, and without any the Dice is NaN. ``dice_mean`` is
    the mean over the structures that have one.
    """
    scores: list[list[float]] = [[] for _ in CLASSES[1:]]
    right, count = 0, 0
    for batch in batches:
        class_logits, view_logits = model(batch.image.to(device))
        predicted = class_logits.argmax(1).cpu()  # (N, R, C)
        right += int((view_logits.argmax(1).cpu() == batch.view).sum())
        count += len(batch.view)
        for position, structure_scores in enumerate(scores):
            mine, truth = predicted == position + 1, batch.label == position + 1
            size = (mine.sum((1, 2)) + truth.sum((1, 2))).numpy()  # (N,)
            overlap = (mine & truth).sum((1, 2)).numpy()
            structure_scores += list(2 * overlap[size > 0] / size[size > 0])
    values: dict[str, float] = {"view_accuracy": right / count}
    for name, structure_scores in zip(CLASSES[1:], scores, strict=True):
        values[f"dice_{name}"] = float(np.mean(structure_scores)) if structure_scores else math.nan
        values[f"images_{name}"] = float(len(structure_scores))
    found = [score for name in CLASSES[1:] if not math.isnan(score := values[f"dice_{name}"])]
    values["dice_mean"] = float(np.mean(found)) if found else math.nan
    return values
