"""Owns the fixture of weights that two test files use."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def trained_weights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the weights smoke-001, from a run of a few steps on drawn scenes."""
    from drawing import draw_layers

    from layermotion.training.composing import load_settings
    from layermotion.training.export import export_weights
    from layermotion.training.loop import train

    run, folder = tmp_path_factory.mktemp("run"), tmp_path_factory.mktemp("weights")
    train(load_settings("smoke", ["workers=0", "tracking=csv"]), run, draw_layers, report=str)
    export_weights(run, "smoke-001", folder)
    return folder
