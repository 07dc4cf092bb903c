"""A network in eight bits doubles its features by copying, and gives the numbers it gave before."""

from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
from onnx import TensorProto, helper, numpy_helper

from layermotion.network.segmenter import WEIGHTS_FOLDER, weights_names
from layermotion.training.quantise import double_by_copying

CHANNELS, ROWS, COLUMNS = 3, 4, 6


def write_network(path: Path, factor: int, nearest_mode: str = "floor", readers: int = 1) -> None:
    """Write a network that takes features in eight bits and makes each side longer."""
    nodes = [
        helper.make_node("QuantizeLinear", ["image", "scale", "zero"], ["eight"]),
        helper.make_node("DequantizeLinear", ["eight", "scale", "zero"], ["wide"]),
        helper.make_node(
            "Resize",
            ["wide", "", "factors"],
            ["larger"],
            mode="nearest",
            nearest_mode=nearest_mode,
            coordinate_transformation_mode="asymmetric",
        ),
        helper.make_node("QuantizeLinear", ["larger", "scale", "zero"], ["narrow"]),
        helper.make_node("DequantizeLinear", ["narrow", "scale", "zero"], ["out"]),
    ]
    outputs = ["out"]
    if readers > 1:
        nodes.append(helper.make_node("Identity", ["larger"], ["again"]))
        outputs.append("again")
    constants = {
        "scale": np.float32(0.5),
        "zero": np.uint8(3),
        "factors": np.array([1, 1, factor, factor], np.float32),
    }
    graph = helper.make_graph(
        nodes,
        "doubling",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, ["N", CHANNELS, ROWS, COLUMNS])],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, [None] * 4) for name in outputs],
        [numpy_helper.from_array(np.asarray(value), name) for name, value in constants.items()],
    )
    opset = helper.make_opsetid("", 18)
    onnx.save(helper.make_model(graph, opset_imports=[opset], ir_version=8), path)


def run(path: Path) -> list[np.ndarray]:
    """Ask a network for two images of features that are all different."""
    count = 2 * CHANNELS * ROWS * COLUMNS
    image = np.arange(count, dtype=np.float32).reshape(2, CHANNELS, ROWS, COLUMNS) / 2
    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    return list(session.run(None, {"image": image}))


def steps(path: Path) -> set[str]:
    """Kinds of steps in a network."""
    return {node.op_type for node in onnx.load(path).graph.node}


def test_copies_give_the_same_numbers(tmp_path: Path) -> None:
    path = tmp_path / "network.onnx"
    write_network(path, factor=2)
    before = run(path)
    assert before[0].shape == (2, CHANNELS, 2 * ROWS, 2 * COLUMNS)
    double_by_copying(path)
    assert "Resize" not in steps(path)
    np.testing.assert_array_equal(run(path), before)


@pytest.mark.parametrize(
    ("factor", "nearest_mode", "readers"), [(3, "floor", 1), (2, "ceil", 1), (2, "floor", 2)]
)
def test_other_steps_stay(tmp_path: Path, factor: int, nearest_mode: str, readers: int) -> None:
    path = tmp_path / "network.onnx"
    write_network(path, factor, nearest_mode, readers)
    before = run(path)
    double_by_copying(path)
    assert "Resize" in steps(path)
    for now, then in zip(run(path), before, strict=True):
        np.testing.assert_array_equal(now, then)


def test_shipped_weights_copy() -> None:
    assert "Resize" not in steps(WEIGHTS_FOLDER / f"{weights_names()[-1]}.onnx")


def test_exported_weights_copy(trained_weights: Path) -> None:
    assert "Resize" not in steps(trained_weights / "smoke-001.onnx")
