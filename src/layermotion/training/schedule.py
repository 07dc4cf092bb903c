"""Owns what a step rests on: the learning rate, what is trained, and the average of the weights."""

import math
from typing import NamedTuple

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


class AveragedTensors(NamedTuple):
    """Tensors of a moving average and of the network it follows, in one order.

    Listed once for a run: both stay where they are, and going through the modules in every step
    costs the GPU some of its time.
    """

    average: list[torch.Tensor]
    model: list[torch.Tensor]
    average_counts: list[torch.Tensor]
    model_counts: list[torch.Tensor]

    @classmethod
    def of(cls, average: nn.Module, model: nn.Module) -> "AveragedTensors":
        """List the weights of both, and the counts of their batch normalisation."""
        both = [list(module.state_dict().values()) for module in (average, model)]
        moving = ([t for t in tensors if t.is_floating_point()] for tensors in both)
        counts = ([t for t in tensors if not t.is_floating_point()] for tensors in both)
        return cls(*moving, *counts)

    @torch.no_grad()
    def update(self, decay: float, step: int) -> None:
        """Move the average toward the network; the first steps move it faster, to forget."""
        share = 1 - min(decay, (1 + step) / (10 + step))
        torch._foreach_lerp_(self.average, self.model, share)
        torch._foreach_copy_(self.average_counts, self.model_counts)
