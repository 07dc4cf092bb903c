"""Owns the step from an exported network in float32 to one that computes in eight bits."""

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
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
    before, after = (_probabilities(path, images[SHOWN:]) for path in (source, target))
    return float(np.abs(before - after).mean())


def _draw(draw: Draw, size_px: int, count: int) -> NDArray[np.uint8]:
    """Draw grey pictures, shape (count, rows, columns)."""
    return np.stack([draw(seeded(QUANTISE_STREAM, k), size_px).image for k in range(count)])


def _probabilities(path: Path, images: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Class probabilities, shape (N, K, rows, columns)."""
    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    batch = images.astype(np.float32)[:, None]  # (N, 1, R, C)
    parts = [session.run(OUTPUT_NAMES[:1], {INPUT_NAME: image[None]})[0] for image in batch]
    return np.concatenate(parts)
