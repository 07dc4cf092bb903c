"""Owns what a step rests on: the learning rate, what is trained, and the average of the weights."""

import math

import torch
from torch import nn

from layermotion.training.settings import TrainSettings


def learning_rate(step: int, settings: TrainSettings) -> float:
    """Rate of step ``step`` (from 0): linear warm-up, then half a cosine down to zero.

    Examples
    --------
    >>> settings = TrainSettings(steps=100, warmup_steps=10, learning_rate=1.0)
    >>> [round(learning_rate(step, settings), 3) for step in (0, 9, 10, 55)]
    [0.1, 1.0, 1.0, 0.5]
    """
    if step < settings.warmup_steps:
        return settings.learning_rate * (step + 1) / settings.warmup_steps
    done = (step - settings.warmup_steps) / max(1, settings.steps - settings.warmup_steps)
    return settings.learning_rate * 0.5 * (1 + math.cos(math.pi * done))


def set_training(model: nn.Module, keep_normalisation: bool) -> None:
    """Make a network ready for a step, with batch normalisation left as it is if so wished."""
    model.train()
    if keep_normalisation:
        for module in model.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eval()


@torch.no_grad()
def update_average(average: nn.Module, model: nn.Module, decay: float, step: int) -> None:
    """Move ``average`` toward ``model``; the first steps move it faster, to forget the start."""
    share = 1 - min(decay, (1 + step) / (10 + step))
    old, new = average.state_dict(), model.state_dict()
    moving = [name for name, tensor in old.items() if tensor.is_floating_point()]
    torch._foreach_lerp_([old[n] for n in moving], [new[n] for n in moving], share)
    for name in old.keys() - set(moving):
        old[name].copy_(new[name])
