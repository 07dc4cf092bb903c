"""Owns the teacher: trained weights whose answers a run learns beside the truth."""

from typing import Any, NamedTuple

import torch

from layermotion.consent.origins import check_weights, origins_of
from layermotion.training.checkpoint import Progress, load_checkpoint, starting_point
from layermotion.training.network import Answers, LayerNet, Losses, held_loss
from layermotion.training.settings import TrainSettings


class Teacher(NamedTuple):
    """Settings of the run that trained it, and its averaged weights, as a checkpoint holds them."""

    settings: dict[str, Any]
    average: dict[str, torch.Tensor]

    def network(self, device: torch.device) -> LayerNet:
        """Build it; nothing trains it any more."""
        network = LayerNet(TrainSettings(**self.settings)).to(device)
        network.load_state_dict(self.average)
        return network.eval().requires_grad_(False)


def read_teacher(source: str) -> tuple[Teacher, Progress]:
    """Read a teacher, and what it was trained on.

    Parameters
    ----------
    source
        The folder of a run, or the name of shipped weights.

    Raises
    ------
    ConfigError
        If there are no such weights.
    WeightsError
        If they learnt from local pictures of somebody who has withdrawn since.
    """
    state = load_checkpoint(starting_point(source))
    check_weights(f"The weights of {source}", origins_of(state["progress"]))
    return Teacher(state["settings"], state["average"]), Progress(**state["progress"])


def add_taught(
    losses: Losses, answers: Answers, wanted: Answers, settings: TrainSettings
) -> dict[str, torch.Tensor]:
    """Losses by name, with the distance from a teacher's answers added to their total.

    Source: Hinton et al. 2015, Distilling the knowledge in a neural network, arXiv 1503.02531
    (from memory); at the temperature 1.

    Parameters
    ----------
    losses
        Those of the truth.
    answers, wanted
        Class and view logits of the network and of the teacher, for the same pictures.
    """
    classes, views = (held_loss(own, its) for own, its in zip(answers, wanted, strict=True))
    taught = classes + settings.view_weight * views
    total = losses.total + settings.teacher_weight * taught
    return losses._asdict() | {"taught": taught, "total": total}
