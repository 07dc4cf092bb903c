"""Owns training on a build: the weights in use go on learning from local and synthetic frames."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

from layermotion.lab.builds import open_build
from layermotion.lab.folder import Lab
from layermotion.lab.mixing import MixedDraw
from layermotion.lab.registry import Registry
from layermotion.lab.starting import write_start
from layermotion.training.loop import CHECKPOINT_NAME, Result, train
from layermotion.training.settings import TrainSettings

# Run folder inside a run folder that holds what the training started from.
START_NAME = "start"


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
        Run folder; what it started from is kept in it.
    today
        Day on which every subject's consent must hold.

    Raises
    ------
    LayermotionError
        If the build may not be used, or the weights in use cannot be trained further.
    """
    draw = MixedDraw(open_build(lab, build_name, today), synthetic_share)
    start = out / START_NAME
    if not (start / CHECKPOINT_NAME).exists():
        name = registry.in_use()
        report(f"starting from the weights in use, {name}")
        write_start(name, registry.place(name), start)
    return train(settings, out, draw=draw, report=report, start_from=start)
