"""Owns training on a build: the weights in use go on learning from local and synthetic frames."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

from layermotion.lab.builds import open_build
from layermotion.lab.folder import Lab
from layermotion.lab.mixing import MixedDraw
from layermotion.lab.registry import Registry
from layermotion.training.drawing import SyntheticDraw
from layermotion.training.loop import Result, train
from layermotion.training.settings import TrainSettings


def fine_tune(
    lab: Lab,
    build_name: str,
    registry: Registry,
    settings: TrainSettings,
    synthetic_share: float,
    out: Path,
    today: date,
    report: Callable[[str], None] = print,
) -> Result:
    """Train from the weights in use on a build's training split; going on equals not stopping.

    Parameters
    ----------
    settings
        Of the run; the network must be that of the weights in use.
    synthetic_share
        Part of the examples that the generator makes, 0 to 1.
    out
        Run folder.
    today
        Day on which every subject's consent must hold.

    Raises
    ------
    LayermotionError
        If the build may not be used, or the weights in use cannot be trained further.
    """
    generator = SyntheticDraw(settings.factors)
    draw = MixedDraw(open_build(lab, build_name, today), synthetic_share, generator)
    name = registry.in_use()
    start = registry.place(name) / f"{name}.pt"
    return train(
        settings, out, draw=draw, report=report, start_from=str(start), keep_normalisation=True
    )
