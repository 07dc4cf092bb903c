"""Owns training on a build: the weights in use go on learning from local and synthetic frames."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import torch
from torch import nn

from layermotion.lab.builds import Build
from layermotion.lab.mixing import MixedDraw
from layermotion.lab.scoring import draw_scenes
from layermotion.models.judging import growth
from layermotion.models.registry import Registry
from layermotion.training.checkpoint import CHECKPOINT_NAME
from layermotion.training.data import collate
from layermotion.training.drawing import SyntheticDraw
from layermotion.training.loop import Result, Start, train
from layermotion.training.scoring import evaluate
from layermotion.training.settings import TrainSettings

# Shares of what was learnt that may be kept; none is, if each forgets.
SHARES = (0.2, 0.4, 0.6, 0.8, 1.0)
# Largest growth of the error on synthetic pictures that a share may bring (our choice: far below
# the 5 % that judging allows, since it differs between sets of some hundred pictures by more).
FORGETTING_LIMIT = 0.01
# Pictures that choose the share, and the first word of their seeds, which neither training nor
# judging uses.
CHOOSING_PICTURES, CHOOSING_STREAM = 300, 20_261_127
# Pictures that are looked at together; a matter of memory alone.
BATCH = 16


def fine_tune(
    build: Build,
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
    build
        An opened build.
    settings
        Of the run; the network must be that of the weights in use.
    synthetic_share
        Part of the examples that are no labelled local frames, 0 to 1.
    out
        Run folder.

    Raises
    ------
    LayermotionError
        If the weights in use cannot be trained further.
    """
    generator = SyntheticDraw(settings.factors)
    draw = MixedDraw(build, synthetic_share, generator, settings.agree_weight > 0)
    name = registry.in_use()
    # A run goes on from what it began with, whatever has come into use since.
    is_begun = (out / CHECKPOINT_NAME).exists()
    start = None if is_begun else str(registry.place(name) / f"{name}.pt")
    chosen = partial(settle, size_px=settings.size_px, report=report)
    begun = Start(start, keep_normalisation=True, settle=chosen)
    return train(settings, out, draw=draw, report=report, start=begun)


def settle(
    average: nn.Module,
    start: dict[str, torch.Tensor],
    size_px: int,
    report: Callable[[str], None] = print,
) -> dict[str, float]:
    """Keep the largest share of what was learnt with which synthetic pictures are not forgotten.

    The weights become a point on the straight line from ``start`` to ``average``, on which much of
    the gain comes before most of the loss (Wortsman et al. 2022, Robust fine-tuning of zero-shot
    models, arXiv 2109.01903). How far is decided on synthetic pictures of their own; the error is
    taken to grow with the share, so that few are tried.

    Parameters
    ----------
    average
        The trained network; changed in place.
    start
        The weights that it began from.

    Returns
    -------
    dict
        ``kept_share``, and ``forgetting``, the growth of the error (1 - Dice) with it.
    """
    learnt = {name: tensor.clone() for name, tensor in average.state_dict().items()}
    report(f"drawing {CHOOSING_PICTURES} synthetic pictures, to see what was forgotten")
    scenes = list(draw_scenes(CHOOSING_STREAM, CHOOSING_PICTURES, size_px))
    batches = [collate(scenes[k : k + BATCH]) for k in range(0, len(scenes), BATCH)]
    device = next(average.parameters()).device

    def error(share: float) -> float:
        _move(average, start, learnt, share)
        return 1 - evaluate(average, batches, device)["dice_mean"]

    before = error(0.0)
    growths = {0.0: 0.0}
    untried = list(SHARES)
    share = untried[-1]
    while untried:
        growths[share] = growth(before, error(share))
        report(
            f"with {100 * share:.0f} % of what was learnt, their error changes by "
            f"{100 * growths[share]:+.1f} %"
        )
        fits = growths[share] <= FORGETTING_LIMIT
        untried = [other for other in untried if other != share and (other > share) is fits]
        share = untried[len(untried) // 2] if untried else share
    kept = max(share for share, grown in growths.items() if grown <= FORGETTING_LIMIT)
    _move(average, start, learnt, kept)
    report(f"keeping {100 * kept:.0f} % of what was learnt")
    return {"kept_share": kept, "forgetting": growths[kept]}


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
