"""Owns a start for training from weights that exist as ONNX alone: a run folder for ``--from``.

The exporter folds every batch normalisation into the convolution before it. Here each
normalisation is put back with the mean and variance that its input has on synthetic pictures, and
with the scale and shift that undo them: the network computes what the weights compute, and in
training its batches are normalised by numbers close to those.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from onnx import numpy_helper
from torch import nn

from layermotion.errors import WeightsError
from layermotion.files import atomic_path
from layermotion.segment import Segmenter, load_segmenter, read_card
from layermotion.training.loop import CHECKPOINT_NAME
from layermotion.training.network import LayerNet
from layermotion.training.settings import TrainSettings

PREFIX, BIAS_SUFFIX = "network.", "_bias"
# Pictures that the means and variances are taken over (our choice: every value rests on at least
# 1600 pixels of a feature map).
PICTURES = 16
PICTURE_STREAM = 20_261_127
# Largest difference of a probability between the weights and the network (our choice, as in
# training.export).
TOLERANCE = 1e-3


def write_start(name: str, folder: Path, out: Path) -> Path:
    """Write a run folder that ``layermotion train --from`` takes, from weights with a card.

    Parameters
    ----------
    name, folder
        Weights to start from, and where they lie.
    out
        Run folder to make.

    Raises
    ------
    WeightsError
        If the network cannot be put together again so that it gives the same probabilities.
    """
    from synthetic.dataset import draw_example

    segmenter = load_segmenter(name, folder=folder)
    card = read_card(name, folder)
    seeds = np.random.SeedSequence(PICTURE_STREAM).spawn(PICTURES)
    images = np.stack(
        [draw_example(np.random.default_rng(s), segmenter.size_px).image for s in seeds]
    )
    network = rebuild(segmenter, folder / f"{name}.onnx", TrainSettings(**card["settings"]), images)
    state = {
        "settings": card["settings"],
        "world": 1,
        "progress": {
            "step": int(card["training_steps"]),
            "sources": list(card["image_sources"]),
            "spacing_range_mm": list(card["spacing_range_mm"]),
        },
        "average": network.state_dict(),
    }
    with atomic_path(out / CHECKPOINT_NAME) as temporary:
        torch.save(state, temporary)
    return out / CHECKPOINT_NAME


def rebuild(
    segmenter: Segmenter, path: Path, settings: TrainSettings, images: NDArray[np.uint8]
) -> LayerNet:
    """Network that computes what weights compute.

    Parameters
    ----------
    segmenter
        The weights, to compare with.
    path
        Their ONNX file.
    settings
        Those of their training run, for the layout of the network.
    images
        Pictures to take means and variances from, uint8 (N, size, size).
    """
    arrays = {
        entry.name.removeprefix(PREFIX): numpy_helper.to_array(entry)
        for entry in onnx.load(path).graph.initializer
    }
    network = LayerNet(settings).eval()
    batch = torch.from_numpy(images[:, None])  # (N, 1, S, S)
    names = {module: name for name, module in network.named_modules()}
    pairs = _pairs(network, batch[:1])
    missing = _fill(network, arrays, {norm: names[conv] for norm, conv in pairs.items()})
    if missing:
        raise WeightsError(
            f"The weights {segmenter.name} were exported in another way (no {missing[0]}), so no "
            f"training can start from them; start from the folder of a run."
        )
    inputs = _input_statistics(network, batch)
    with torch.no_grad():
        for norm, (mean, variance) in inputs.items():
            norm.running_mean, norm.running_var = mean, variance
            norm.weight.copy_(torch.sqrt(variance + norm.eps))
            norm.bias.add_(mean)
        logits = network(batch)
    given = segmenter.run(images)
    difference = max(
        float(np.abs(ours.softmax(1).numpy() - theirs).max())
        for ours, theirs in zip(logits, given, strict=True)
    )
    if not difference < TOLERANCE:
        raise WeightsError(
            f"The network put together from {segmenter.name} differs by {difference:.2g} in a "
            f"probability, above {TOLERANCE:g}; start from the folder of a run."
        )
    return network


def _pairs(network: nn.Module, image: torch.Tensor) -> dict[nn.BatchNorm2d, nn.Conv2d]:
    """Find the convolution whose output each normalisation takes."""
    made: dict[int, tuple[nn.Conv2d, torch.Tensor]] = {}
    pairs: dict[nn.BatchNorm2d, nn.Conv2d] = {}

    def after(module: nn.Module, _: Any, output: torch.Tensor) -> None:
        if isinstance(module, nn.Conv2d):
            made[id(output)] = (module, output)  # kept alive, so that its id stays its own

    def before(module: nn.Module, inputs: tuple[torch.Tensor, ...]) -> None:
        if isinstance(module, nn.BatchNorm2d) and id(inputs[0]) in made:
            pairs[module] = made[id(inputs[0])][0]

    with _hooked(network, before, after), torch.no_grad():
        network(image)
    return pairs


def _fill(
    network: LayerNet, arrays: dict[str, NDArray[np.float32]], convolutions: dict[nn.Module, str]
) -> list[str]:
    """Put the exported values in place, normalisations as a shift alone; name what is missing."""
    missing = []
    with torch.no_grad():
        for name, module in network.named_modules():
            if isinstance(module, nn.BatchNorm2d):
                bias = f"{convolutions.get(module, name)}.weight{BIAS_SUFFIX}"
                if bias not in arrays:
                    missing.append(bias)
                    continue
                module.running_mean = torch.zeros(module.num_features)
                module.running_var = torch.full((module.num_features,), 1 - module.eps)
                nn.init.ones_(module.weight)
                module.bias.copy_(torch.from_numpy(arrays[bias].copy()))
                continue
            for part, parameter in module.named_parameters(recurse=False):
                key = f"{name}.{part}"
                if key not in arrays or arrays[key].shape != tuple(parameter.shape):
                    missing.append(key)
                else:
                    parameter.copy_(torch.from_numpy(arrays[key].copy()))
    return missing


def _input_statistics(
    network: nn.Module, batch: torch.Tensor
) -> dict[nn.BatchNorm2d, tuple[torch.Tensor, torch.Tensor]]:
    """Mean and variance of each channel that a normalisation takes in."""
    found: dict[nn.BatchNorm2d, tuple[torch.Tensor, torch.Tensor]] = {}

    def before(module: nn.Module, inputs: tuple[torch.Tensor, ...]) -> None:
        if isinstance(module, nn.BatchNorm2d):
            found[module] = (inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3)))

    with _hooked(network, before, None), torch.no_grad():
        network(batch)
    return found


@contextmanager
def _hooked(network: nn.Module, before: Any, after: Any) -> Iterator[None]:
    handles = [module.register_forward_pre_hook(before) for module in network.modules()]
    if after is not None:
        handles += [module.register_forward_hook(after) for module in network.modules()]
    try:
        yield
    finally:
        for handle in handles:
            handle.remove()
