"""Owns export: the moving average of a run becomes NAME.onnx, NAME.pt and NAME.json.

The network in NAME.onnx computes in eight bits, see ``quantise``.
"""

import hashlib
import json
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import onnx
import onnxruntime
import torch
from torch import nn

from layermotion import __version__
from layermotion.consent.origins import check_weights, note_made, origins_of
from layermotion.errors import InputError, WeightsError
from layermotion.files import atomic_path, write_text
from layermotion.geometry import COLUMN_RATIO
from layermotion.network.grid import input_shape
from layermotion.network.segmenter import (
    CLASSES,
    INPUT_NAME,
    NAME_PATTERN,
    OUTPUT_NAMES,
    VIEW_NAMES,
    WEIGHTS_FOLDER,
    load_segmenter,
    weights_names,
)
from layermotion.training.checkpoint import (
    CHECKPOINT_NAME,
    RUN_PARTS,
    load_checkpoint,
    write_tensors,
)
from layermotion.training.drawing import SyntheticDraw
from layermotion.training.network import GREY_MEAN, GREY_SCALE, GREY_SPREAD, LayerNet
from layermotion.training.quantise import quantise
from layermotion.training.settings import TrainSettings

OPSET = 18
# Weights above this do not travel in the package (design).
SIZE_LIMIT_BYTES = 16 * 2**20
# Largest difference of a probability between the trained and the exported network (our choice).
TOLERANCE = 1e-4
# Largest mean difference of a probability that computing in eight bits may make (our choice: some
# ten times that of the shipped weights).
EIGHT_BIT_TOLERANCE = 0.01
LIBRARIES = ("torch", "segmentation-models-pytorch", "albumentations", "onnx", "onnxruntime")


class _Probabilities(nn.Module):
    """The network with softmax at both ends, as it is exported."""

    def __init__(self, network: LayerNet) -> None:
        super().__init__()
        self.network = network

    def forward(self, image: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        class_logits, view_logits = self.network(image)
        # Written out, because ONNX Runtime turns the array round for a softmax over classes.
        powers = (class_logits - class_logits.amax(1, keepdim=True)).exp()
        return powers / powers.sum(1, keepdim=True), view_logits.softmax(1)


def read_run(run: Path) -> dict[str, Any]:
    """Read the checkpoint of a run.

    Raises
    ------
    InputError
        If it holds none.
    """
    checkpoint = run / CHECKPOINT_NAME
    if not checkpoint.exists():
        raise InputError(f"{run} holds no {CHECKPOINT_NAME}; name the folder of a training run.")
    return load_checkpoint(checkpoint, RUN_PARTS)


def export_weights(run: Path, name: str, folder: Path = WEIGHTS_FOLDER) -> Path:
    """Write the moving average of a run as weights that ``load_segmenter`` accepts.

    Parameters
    ----------
    run
        Run folder with ``last.pt``.
    name
        WORD-NUMBER with three digits, such as ``layers-001``; one that is not taken.
    folder
        Where NAME.onnx, its card NAME.json and NAME.pt go; training can start from the last.

    Returns
    -------
    Path
        The card.

    Raises
    ------
    InputError
        If the run holds no checkpoint, or the name is taken or misshapen.
    WeightsError
        If the file is too large or does not give what the trained network gives, or the run
        learnt from local pictures of somebody who has withdrawn since.
    """
    if not NAME_PATTERN.fullmatch(name):
        raise InputError(f"{name} cannot name weights; give a word and three digits: layers-001.")
    if name in weights_names(folder):
        raise InputError(f"The name {name} is taken; new weights need a new number.")
    state = read_run(run)
    origins = origins_of(state["progress"])
    check_weights(f"The run {run}", origins)
    note_made(folder / f"{name}.onnx", origins)
    settings = TrainSettings(**state["settings"])
    network = LayerNet(settings)
    network.load_state_dict(state["average"])
    model = _Probabilities(network).eval()
    with atomic_path(folder / f"{name}.onnx") as temporary:
        with TemporaryDirectory() as exact_folder:
            exact = Path(exact_folder) / "exact.onnx"
            _write_onnx(model, settings.size_px, exact)
            difference = _check(model, settings.size_px, exact)
            eight_bit_difference = quantise(
                exact, temporary, SyntheticDraw(settings.factors), settings.size_px
            )
        strip_notes(temporary)
        _check_file(temporary, eight_bit_difference)
        digest = hashlib.sha256(temporary.read_bytes()).hexdigest()
        rows, columns = input_shape(settings.size_px)
        settings_text = json.dumps(state["settings"], sort_keys=True)
        progress = state["progress"]
        card = {
            "name": name,
            "sha256": digest,
            "date": datetime.now(UTC).date().isoformat(),
            "classes": list(CLASSES),
            "views": list(VIEW_NAMES),
            "size_px": settings.size_px,
            "input": f"{INPUT_NAME}: float32 (N, 1, {rows}, {columns}), grey 0 to 255, "
            f"pixels {COLUMN_RATIO} times as wide as high in mm",
            "normalisation": f"(grey / {GREY_SCALE:g} - {GREY_MEAN:g}) / {GREY_SPREAD:g}, "
            "inside the network",
            "errors_px": {},  # filled by layermotion models calibrate
            "spacing_range_mm": [round(value, 5) for value in progress["spacing_range_mm"]],
            "training_steps": progress["step"],
            "examples_seen": progress["step"] * settings.batch_size * state["world"],
            "image_sources": progress["sources"],
            "local_origins": progress.get("local_origins", []),
            "settings": state["settings"],
            "settings_sha256": hashlib.sha256(settings_text.encode()).hexdigest(),
            "export_difference": difference,
            "eight_bit_difference": eight_bit_difference,
            "layermotion": __version__,
            "libraries": {library: version(library) for library in LIBRARIES},
        }
        with atomic_path(folder / f"{name}.pt") as start:
            _write_start(state, start)
        # The card comes first: weights without a card would be refused, a card alone is ignored.
        write_text(folder / f"{name}.json", json.dumps(card, indent=2) + "\n")
    load_segmenter(name, folder=folder)
    return folder / f"{name}.json"


def _write_start(state: dict[str, Any], path: Path) -> None:
    """Write what another run can start from, in half precision: training goes on anyway."""
    average = {
        key: tensor.half() if tensor.is_floating_point() else tensor
        for key, tensor in state["average"].items()
    }
    kept = {"settings": state["settings"], "progress": state["progress"], "average": average}
    write_tensors(path, kept)


def _write_onnx(model: nn.Module, size_px: int, path: Path) -> None:
    # Two images: one would fix the number of images at one.
    example = torch.zeros(2, 1, *input_shape(size_px))
    torch.onnx.export(
        model,
        (example,),
        path,
        dynamo=True,
        opset_version=OPSET,
        input_names=[INPUT_NAME],
        output_names=list(OUTPUT_NAMES),
        dynamic_shapes=({0: torch.export.Dim("images")},),
        external_data=False,
        verbose=False,
    )


def strip_notes(path: Path) -> None:
    """Remove the exporter's notes from an ONNX file; they name files of the exporting machine."""
    model = onnx.load(path)
    graph = model.graph
    for part in (model, graph, *graph.node, *graph.value_info, *graph.input, *graph.output):
        part.ClearField("metadata_props")
        part.ClearField("doc_string")
    onnx.save(model, path)


def _check(model: nn.Module, size_px: int, path: Path) -> float:
    """Largest difference of a probability between torch and ONNX Runtime, if acceptable."""
    rng = np.random.default_rng(0)
    image = rng.integers(0, 256, (3, 1, *input_shape(size_px))).astype(np.float32)
    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    exported = session.run(OUTPUT_NAMES, {INPUT_NAME: image})
    with torch.no_grad():
        trained = model(torch.from_numpy(image))
    difference = max(
        float(np.abs(mine - theirs.numpy()).max())
        for mine, theirs in zip(exported, trained, strict=True)
    )
    if not difference < TOLERANCE:
        raise WeightsError(
            f"The exported network differs from the trained one by {difference:.2g} in a "
            f"probability, above {TOLERANCE:g}; export with the library versions of the card."
        )
    return difference


def _check_file(path: Path, eight_bit_difference: float) -> None:
    """Refuse a file that is too large, or whose eight bits change too much."""
    size = path.stat().st_size
    if size > SIZE_LIMIT_BYTES:
        raise WeightsError(
            f"The exported weights take {size / 2**20:.1f} MiB, above the limit of "
            f"{SIZE_LIMIT_BYTES / 2**20:.0f} MiB; train a smaller encoder."
        )
    if not eight_bit_difference < EIGHT_BIT_TOLERANCE:
        raise WeightsError(
            f"In eight bits the network's probabilities differ by {eight_bit_difference:.2g} on "
            f"average, above {EIGHT_BIT_TOLERANCE:g}; train longer, or with a lower rate."
        )
