"""Owns the step from an exported network in float32 to one that computes in eight bits."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import onnx
import onnxruntime
from numpy.typing import NDArray
from onnxruntime.quantization import (
    CalibrationDataReader,
    QuantFormat,
    QuantType,
    quant_pre_process,
    quantize_static,
)

from layermotion.network.segmenter import INPUT_NAME, OUTPUT_NAMES
from layermotion.training.data import seeded
from layermotion.training.drawing import Draw

# First word of the seeds; neither training nor judging uses it. (scripts/ablation.py scores its
# variants on the same pictures, in float32.)
QUANTISE_STREAM = 20_261_125_8
# Pictures that show how large the numbers inside the network get, and others that check the result
# (our choice: with 64 of each the same pixels change class).
SHOWN, CHECKED = 128, 64
# What is computed in eight bits; the softmax at the end stays in float32.
EIGHT_BIT = ("Conv", "Relu", "Add", "Concat", "Resize")


class _Pictures(CalibrationDataReader):  # type: ignore[misc]
    """Hands pictures to the library one by one."""

    def __init__(self, images: NDArray[np.uint8]) -> None:
        self.images: Iterator[NDArray[np.uint8]] = iter(images)

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        """Next picture as the network takes it; None at the end."""
        image = next(self.images, None)
        return None if image is None else {INPUT_NAME: image[None, None].astype(np.float32)}


def quantise(source: Path, target: Path, draw: Draw, size_px: int) -> float:
    """Write an exported network again, with weights and features in eight bits.

    Each output channel of a convolution has a scale of its own; features have one for each tensor,
    from the least to the largest value met. Weights use seven of the eight bits, so that processors
    with narrow sums give the same numbers as others (ONNX Runtime's manual, "Quantize ONNX Models",
    on reduce_range).

    Parameters
    ----------
    source, target
        The network in float32, and where the other one goes.
    draw, size_px
        Source of pictures, and their rows.

    Returns
    -------
    float
        Mean difference of a probability between the two networks, on pictures that set no scale.
    """
    images = _draw(draw, size_px, SHOWN + CHECKED)
    with TemporaryDirectory() as folder:
        prepared = Path(folder) / "prepared.onnx"
        # Symbolic shapes help other kinds of network, and need another library.
        quant_pre_process(source, prepared, skip_symbolic_shape=True)
        quantize_static(
            prepared,
            target,
            _Pictures(images[:SHOWN]),
            quant_format=QuantFormat.QDQ,
            op_types_to_quantize=list(EIGHT_BIT),
            per_channel=True,
            reduce_range=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
        )
    double_by_copying(target)
    before, after = (_probabilities(path, images[SHOWN:]) for path in (source, target))
    return float(np.abs(before - after).mean())


def double_by_copying(path: Path) -> None:
    """Let a network in eight bits double its features by copying rows and columns.

    The same numbers come out. ONNX Runtime looks the nearest pixel up for each number by itself,
    in a seventh of the shipped network's time; where rows and columns are gathered, channels last,
    it copies whole pixels and whole rows of them.
    """
    model = onnx.load(path)
    graph = model.graph
    shapes = {
        value.name: [dim.dim_value for dim in value.type.tensor_type.shape.dim]
        for value in onnx.shape_inference.infer_shapes(model).graph.value_info
    }
    maker = {name: node for node in graph.node for name in node.output}
    readers: dict[str, list[onnx.NodeProto]] = {}
    for node in graph.node:
        for name in node.input:
            readers.setdefault(name, []).append(node)
    nodes: list[onnx.NodeProto] = []
    narrowed: list[str] = []
    for node in graph.node:
        steps = [node]
        if _doubles(node, shapes):
            # Its eight bits lie before the step that widens them and after the one that narrows.
            widen, (narrow, *others) = maker[node.input[0]], readers[node.output[0]]
            kinds = (widen.op_type, narrow.op_type)
            if kinds == ("DequantizeLinear", "QuantizeLinear") and not others:
                narrowed += narrow.output
                sides = shapes[node.input[0]][2:]
                steps, indices = _copying(widen.input[0], narrow.output[0], sides)
                graph.initializer.extend(indices)
        elif node.output[0] in narrowed:
            continue
        nodes += steps
    nodes = _needed(nodes, {output.name for output in graph.output})
    used = {name for node in nodes for name in node.input}
    initial = [each for each in graph.initializer if each.name in used]
    for field, kept in ((graph.node, nodes), (graph.initializer, initial)):
        del field[:]
        field.extend(kept)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def _doubles(node: onnx.NodeProto, shapes: dict[str, list[int]]) -> bool:
    """Tell whether a step makes two rows and columns of each."""
    if node.op_type != "Resize":
        return False
    known = {each.name: onnx.helper.get_attribute_value(each) for each in node.attribute}
    way = [known.get(key) for key in ("mode", "nearest_mode", "coordinate_transformation_mode")]
    before, after = (shapes.get(name, [])[2:] for name in (node.input[0], node.output[0]))
    doubled = [2 * side for side in before]
    return way == [b"nearest", b"floor", b"asymmetric"] and 0 not in before and after == doubled


def _copying(
    before: str, after: str, sides: list[int]
) -> tuple[list[onnx.NodeProto], list[onnx.TensorProto]]:
    """Give the steps that double features of so many rows and columns, and their indices."""
    make = onnx.helper.make_node
    steps = [
        make("Transpose", [before], [f"{after}_last"], perm=[0, 2, 3, 1]),
        make("Gather", [f"{after}_last", f"{after}_columns"], [f"{after}_wide"], axis=2),
        make("Gather", [f"{after}_wide", f"{after}_rows"], [f"{after}_high"], axis=1),
        make("Transpose", [f"{after}_high"], [after], perm=[0, 3, 1, 2]),
    ]
    indices = [
        onnx.numpy_helper.from_array(np.repeat(np.arange(side), 2), f"{after}_{name}")
        for name, side in zip(("rows", "columns"), sides, strict=True)
    ]
    return steps, indices


def _needed(nodes: list[onnx.NodeProto], outputs: set[str]) -> list[onnx.NodeProto]:
    """Leave out the steps whose results nothing asks for."""
    kept, asked = [], set(outputs)
    for node in reversed(nodes):
        if asked.intersection(node.output):
            kept.append(node)
            asked.update(node.input)
    return kept[::-1]


def _draw(draw: Draw, size_px: int, count: int) -> NDArray[np.uint8]:
    """Draw grey pictures, shape (count, rows, columns)."""
    return np.stack([draw(seeded(QUANTISE_STREAM, k), size_px).image for k in range(count)])


def _probabilities(path: Path, images: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Class probabilities, shape (N, K, rows, columns)."""
    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    batch = images.astype(np.float32)[:, None]  # (N, 1, R, C)
    parts = [session.run(OUTPUT_NAMES[:1], {INPUT_NAME: image[None]})[0] for image in batch]
    return np.concatenate(parts)
