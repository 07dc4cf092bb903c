"""A start from ONNX weights: the network computes the same, and training goes on from there."""

from pathlib import Path

import numpy as np
import onnx
import pytest
import torch
from drawing import draw_layers
from trained import trained_weights  # noqa: F401

from layermotion.errors import WeightsError
from layermotion.lab.starting import rebuild, write_start
from layermotion.segment import load_segmenter, read_card
from layermotion.training.loop import load_checkpoint, train
from layermotion.training.network import LayerNet
from layermotion.training.settings import TrainSettings, load_settings


def test_training_goes_on_from_exported_weights(
    tmp_path: Path,
    trained_weights: Path,  # noqa: F811
) -> None:
    write_start("smoke-001", trained_weights, tmp_path / "start")
    state = load_checkpoint(tmp_path / "start" / "last.pt")
    network = LayerNet(TrainSettings(**state["settings"])).eval()
    network.load_state_dict(state["average"])
    rng = np.random.default_rng(0)
    images = rng.integers(0, 256, (2, 64, 64), np.uint8)
    given, view = load_segmenter("smoke-001", folder=trained_weights).run(images)
    with torch.no_grad():
        class_logits, view_logits = network(torch.from_numpy(images[:, None]))
    np.testing.assert_allclose(class_logits.softmax(1).numpy(), given, atol=1e-3)
    np.testing.assert_allclose(view_logits.softmax(1).numpy(), view, atol=1e-3)
    settings = load_settings("smoke", ["workers=0", "tracking=csv", "steps=1"])
    train(settings, tmp_path / "run", draw_layers, report=str, start_from=tmp_path / "start")
    sources = load_checkpoint(tmp_path / "run" / "last.pt")["progress"]["sources"]
    assert sources == read_card("smoke-001", trained_weights)["image_sources"]


def test_normalisations_keep_the_scale_of_their_input(trained_weights: Path) -> None:  # noqa: F811
    settings = TrainSettings(**read_card("smoke-001", trained_weights)["settings"])
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    images = np.random.default_rng(1).integers(0, 256, (8, 64, 64), np.uint8)
    network = rebuild(segmenter, trained_weights / "smoke-001.onnx", settings, images)
    batch = torch.from_numpy(images[:, None])
    with torch.no_grad():
        in_use = network.eval()(batch)[0].softmax(1)
        in_training = network.train()(batch)[0].softmax(1)
    # Normalised by the batch that the stored numbers came from, both ways agree.
    assert (in_use - in_training).abs().mean() < 0.01


def test_weights_exported_in_another_way_are_refused(
    tmp_path: Path,
    trained_weights: Path,  # noqa: F811
) -> None:
    model = onnx.load(trained_weights / "smoke-001.onnx")
    for entry in model.graph.initializer:
        if entry.name.endswith("conv_stem.weight_bias"):
            entry.name = "elsewhere"
    for node in model.graph.node:
        for place, name in enumerate(node.input):
            if name.endswith("conv_stem.weight_bias"):
                node.input[place] = "elsewhere"
    path = tmp_path / "smoke-001.onnx"
    onnx.save(model, path)
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    settings = TrainSettings(**read_card("smoke-001", trained_weights)["settings"])
    with pytest.raises(WeightsError, match="exported in another way .no .*conv_stem.weight_bias"):
        rebuild(segmenter, path, settings, np.zeros((1, 64, 64), np.uint8))
