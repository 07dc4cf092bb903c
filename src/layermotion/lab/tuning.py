"""Owns training on a build: the weights in use go on learning from local and synthetic frames."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from layermotion.lab.builds import open_build
from layermotion.lab.folder import Lab
from layermotion.lab.mixing import MixedDraw
from layermotion.lab.scoring import draw_scenes, score_scenes
from layermotion.models.judging import compare, forgetting
from layermotion.models.registry import Registry
from layermotion.training.drawing import SyntheticDraw
from layermotion.training.loop import Result, Start, train
from layermotion.training.settings import TrainSettings

# Shares of what was learnt that are tried, the largest first; none is kept if each forgets.
SHARES = (1.0, 0.8, 0.6, 0.4, 0.2)
# Largest growth of the error on synthetic pictures that a share may bring (our choice: far below
# the 5 % that judging allows, since it differs between sets of some hundred pictures by more).
FORGETTING_LIMIT = 0.01
# Pictures that choose the share, and the first word of their seeds, which neither training nor
# judging uses.
CHOOSING_PICTURES, CHOOSING_STREAM = 500, 20_261_127


def fine_tune(
    lab: Lab,
    build_name: str,
    registry: Registry,
    settings: TrainSettings,
    synthetic_share: float,
    out: Path,
    report: Callable[[str], None] = print,
) -> Result:
    """Train from the weights in use on a build's training split; going on equals not stopping.

    Afterwards the weights are moved back toward those in use as far as it takes not to forget, see
    ``settle``.

    Parameters
    ----------
    settings
        Of the run; the network must be that of the weights in use.
    synthetic_share
        Part of the examples that the generator makes, 0 to 1.
    out
        Run folder.

    Raises
    ------
    LayermotionError
        If the build may not be used, or the weights in use cannot be trained further.
    """
    generator = SyntheticDraw(settings.factors)
    draw = MixedDraw(open_build(lab, build_name), synthetic_share, generator)
    name = registry.in_use()
    start = registry.place(name) / f"{name}.pt"
    return train(
        settings, out, draw=draw, report=report, start=Start(
            str(start), True, partial(settle, size_px=settings.size_px, report=report)
        ),
    )  # fmt: skip


def settle(
    average: nn.Module,
    start: dict[str, torch.Tensor],
    size_px: int,
    report: Callable[[str], None] = print,
) -> dict[str, float]:
    """Keep the largest share of what was learnt with which synthetic pictures are not forgotten.

    The weights become a point on the straight line from ``start`` to ``average``, on which much of
    the gain comes before most of the loss (Wortsman et al. 2022, Robust fine-tuning of zero-shot
    models, arXiv 2109.01903). How far is decided on synthetic pictures of their own, by the errors
    that ``judging`` watches.

    Parameters
    ----------
    average
        The trained network; changed in place.
    start
        The weights that it began from.

    Returns
    -------
    dict
        ``kept_share``, and ``forgetting``, the growth of the error with it.
    """
    learnt = {name: tensor.clone() for name, tensor in average.state_dict().items()}
    scenes = list(draw_scenes(CHOOSING_STREAM, CHOOSING_PICTURES, size_px))
    find = partial(_find, average)
    _move(average, start, learnt, 0.0)
    before = score_scenes(find, scenes)
    for share in SHARES:
        _move(average, start, learnt, share)
        growth = forgetting(compare(before, score_scenes(find, scenes)))
        if growth <= FORGETTING_LIMIT:
            break
    else:
        share, growth = 0.0, 0.0
        _move(average, start, learnt, share)
    report(
        f"keeping {100 * share:.0f} % of what was learnt, with which the error on synthetic "
        f"pictures changes by {100 * growth:+.1f} %"
    )
    return {"kept_share": share, "forgetting": growth}


def _move(
    network: nn.Module,
    start: dict[str, torch.Tensor],
    learnt: dict[str, torch.Tensor],
    share: float,
) -> None:
    """Set the weights of a network between two others."""
    for name, tensor in network.state_dict().items():
        if tensor.is_floating_point():
            tensor.copy_(torch.lerp(start[name].to(tensor.device), learnt[name], share))


@torch.no_grad()
def _find(network: nn.Module, image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Likeliest class of each pixel."""
    device = next(network.parameters()).device
    class_logits, _ = network(torch.from_numpy(image)[None, None].to(device))
    return np.asarray(class_logits[0].argmax(0).cpu().numpy(), np.uint8)
