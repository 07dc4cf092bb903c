"""Owns the weights that several test files share: four scenes learnt by heart, and exported."""

from pathlib import Path

import numpy as np
import pytest
from drawing import Scene, draw_layers

from layermotion.training import quantise
from layermotion.training.composing import load_settings
from layermotion.training.data import seeded
from layermotion.training.export import export_weights
from layermotion.training.loop import train

# A small network, 64 rows, batches of four; it knows the scenes after so many steps at this rate.
# Its encoder is one that its library keeps for tests.
STEPS = 60
OVERRIDES = (
    *("encoder=tu-test_efficientnet", "decoder_channels=[32,32,16,16]"),
    *("workers=0", "tracking=csv", f"steps={STEPS}", "learning_rate=5e-3", "warmup_steps=5"),
    *("log_every_steps=20", f"validate_every_steps={STEPS}"),
)


def known_scenes() -> list[Scene]:
    """Draw the four scenes, of both views."""
    return [draw_layers(seeded(9, number), 64) for number in range(4)]


def draw_known(rng: np.random.Generator, size_px: int) -> Scene:
    """Draw one of the four scenes."""
    return SCENES[int(rng.integers(len(SCENES)))]


SCENES = known_scenes()


def make_weights(folder: Path) -> None:
    """Train in ``run`` below a folder, and export smoke-001 into the folder."""
    train(load_settings("smoke", OVERRIDES), folder / "run", draw_known, augment=False, report=str)
    with pytest.MonkeyPatch.context() as patch:
        # Fewer pictures set the scales of so small a network as well.
        patch.setattr(quantise, "SHOWN", 16)
        patch.setattr(quantise, "CHECKED", 8)
        export_weights(folder / "run", "smoke-001", folder)
