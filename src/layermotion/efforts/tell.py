"""Owns the network that tells the parts of efforts: its weights, checked and run."""

import hashlib
import json
from functools import cache
from pathlib import Path

import numpy as np
import onnxruntime
from numpy.typing import NDArray

from layermotion.efforts.channels import Signals
from layermotion.efforts.decode import Decoded, decode, surest
from layermotion.efforts.parts import looks_of, shown_of
from layermotion.errors import WeightsError
from layermotion.labels import Task

NAME = "efforts-005"
FOLDER = Path(__file__).parent
INPUT_NAME, OUTPUT_NAME = "signals", "parts"


def course_of(signals: Signals, task: Task | None) -> Decoded:
    """Likeliest course of the efforts that the signals of a clip show.

    The network is asked twice, with all signals and with the whole picture alone, and the surer
    answer is taken: an outline on a wrong border is measured like a right one, but leaves the
    picture as it is.

    Parameters
    ----------
    task
        What the patient is known to have been asked for; None where that is not known.

    Raises
    ------
    WeightsError
        If the network is missing or was altered.
    """
    shown = shown_of(signals.time_s)
    return surest([decode(likely_parts(look)[:shown]) for look in looks_of(signals, task)])


def likely_parts(inputs: NDArray[np.float32]) -> NDArray[np.float64]:
    """How likely each part is in each frame, shape (T, parts), from shape (INPUTS, T)."""
    (likely,) = _session().run([OUTPUT_NAME], {INPUT_NAME: inputs[None]})
    return np.asarray(likely[0].T, np.float64)


@cache
def _session() -> onnxruntime.InferenceSession:
    try:
        card = json.loads((FOLDER / f"{NAME}.json").read_text(encoding="utf-8"))
        content = (FOLDER / f"{NAME}.onnx").read_bytes()
        expected = card["sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise WeightsError(
            f"The network {NAME} cannot be read; install layermotion again."
        ) from error
    if hashlib.sha256(content).hexdigest() != expected:
        raise WeightsError(f"The network {NAME} was altered; install layermotion again.")
    options = onnxruntime.SessionOptions()
    # A clip takes it some hundredths of a second.
    options.intra_op_num_threads = 1
    return onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
