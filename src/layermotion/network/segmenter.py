"""Owns the network in use: shipped weights, checked and run; no torch."""

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import onnxruntime
from numpy.typing import NDArray
from pydantic import Field, PositiveFloat, ValidationError

from layermotion.consent.origins import check_weights, origins_of
from layermotion.errors import InputError, WeightsError
from layermotion.labels import MUSCLES, STRUCTURES, WALL_LAYERS, View
from layermotion.network.grid import input_shape
from layermotion.stored import Document

WEIGHTS_FOLDER = Path(__file__).parents[1] / "weights"
CLASSES = ("background", *(str(structure) for structure in STRUCTURES))
# Meaning of the view output, in order; None is an image without an abdominal view.
VIEW_CLASSES: tuple[View | None, ...] = (None, View.ABDOMINAL_WALL, View.BLADDER)
VIEW_NAMES = tuple("none" if view is None else str(view) for view in VIEW_CLASSES)
INPUT_NAME, OUTPUT_NAMES = "image", ("probabilities", "view_probabilities")
# Measures whose errors must be known before anything is measured with some weights.
JUDGED_MEASURES = (
    *(f"thickness_{layer}" for layer in WALL_LAYERS),
    *(f"change_{muscle}" for muscle in MUSCLES),
    "base_displacement",
)
# Weights are called WORD-NUMBER; a higher number is newer.
NAME_PATTERN = re.compile(r"[a-z][a-z0-9]*-(\d{3})")


class Card(Document):
    """The entries of a card that loading needs."""

    sha256: str
    classes: tuple[str, ...]
    views: tuple[str, ...]
    size_px: int = Field(ge=32, le=4096)
    spacing_range_mm: tuple[PositiveFloat, PositiveFloat]
    errors_px: dict[str, tuple[PositiveFloat, float]]


@dataclass(frozen=True, eq=False)
class Segmenter:
    """Checked weights, ready to run.

    Parameters
    ----------
    name, sha256
        Which weights these are; a report prints both.
    size_px
        Rows of the input.
    spacing_range_mm
        Smallest and largest height of a pixel met in training, mm.
    errors_px
        For each measure, the standard deviation of its error on synthetic clips at full confidence,
        model pixels, and the rate at which it grows as confidence falls; ``models calibrate`` found
        and stored them.
    session
        The network; the grey scale is normalised inside it.
    """

    name: str
    sha256: str
    size_px: int
    spacing_range_mm: tuple[float, float]
    errors_px: Mapping[str, tuple[float, float]]
    session: onnxruntime.InferenceSession

    def error_px(self, measure: str, confidence: float) -> float:
        """Return the standard deviation of a measure's error at some confidence, model pixels."""
        level, growth = self.errors_px[measure]
        return level * math.exp(growth * (1 - confidence))

    def run(
        self, images: NDArray[np.uint8] | NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Class and view probabilities of a stack of model images.

        Parameters
        ----------
        images
            uint8, or float32 in 0..255; shape (N, rows, columns), as ``ModelGrid.to_model``
            gives.

        Returns
        -------
        tuple
            Class probabilities, float32, shape (N, 6, rows, columns), in the order of ``CLASSES``;
            view probabilities, float32, shape (N, 3), in the order of ``VIEW_CLASSES``.

        Raises
        ------
        InputError
            If the shape is another one.
        """
        rows, columns = input_shape(self.size_px)
        if images.ndim != 3 or images.shape[1:] != (rows, columns):
            raise InputError(
                f"Images of shape {images.shape} do not fit the weights {self.name}; "
                f"give (N, {rows}, {columns}), as ModelGrid.to_model does."
            )
        batch = images.astype(np.float32)[:, None]  # (N, 1, R, C)
        probabilities, view = self.session.run(OUTPUT_NAMES, {INPUT_NAME: batch})
        return probabilities, view


def load_segmenter(
    name: str | None = None, threads: int = 0, folder: Path = WEIGHTS_FOLDER
) -> Segmenter:
    """Load weights and check that they are what their card says.

    Parameters
    ----------
    name
        Weights to load; the highest number in ``folder`` if None.
    threads
        Threads of one ``run``; 0 for one on each core.
    folder
        Where NAME.onnx and NAME.json lie.

    Raises
    ------
    WeightsError
        If there are no such weights, the file was altered, the classes have another order, or
        the weights learnt from local pictures of somebody who has withdrawn since.
    """
    names = weights_names(folder)
    if name is None and not names:
        raise WeightsError("This installation holds no weights; install layermotion again.")
    name = name or names[-1]
    if name not in names:
        raise WeightsError(
            f"There are no weights called {name}; choose from {', '.join(names) or 'none'}."
        )
    stated = read_card(name, folder)
    check_weights(f"The weights {name}", origins_of(stated))
    card = Card.model_validate(stated, strict=False)
    content = (folder / f"{name}.onnx").read_bytes()
    found = hashlib.sha256(content).hexdigest()
    if found != card.sha256:
        raise WeightsError(
            f"The weights {name} have checksum {found[:12]}, but their card says "
            f"{card.sha256[:12]}; install layermotion again."
        )
    for key, own, needed in (
        ("classes", card.classes, CLASSES),
        ("views", card.views, VIEW_NAMES),
    ):
        if own != needed:
            raise WeightsError(
                f"The weights {name} have the {key} {', '.join(own)}, this version needs "
                f"{', '.join(needed)}; use weights that came with this version."
            )
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 4  # what is wrong is said in one sentence below
    try:
        session = onnxruntime.InferenceSession(
            content, options, providers=["CPUExecutionProvider"], enable_fallback=False
        )
        _check_network(session, card.size_px)
    # The runtime's errors have no parent of their own.
    except Exception as error:
        raise WeightsError(
            f"The weights {name} are damaged, though their checksum fits their card; install "
            f"layermotion again, or export them again."
        ) from error
    return Segmenter(name, found, card.size_px, card.spacing_range_mm, card.errors_px, session)


def _check_network(session: onnxruntime.InferenceSession, size_px: int) -> None:
    """Ask for one empty picture; ValueError if what comes is not of the shape that is needed."""
    rows, columns = input_shape(size_px)
    empty = np.zeros((1, 1, rows, columns), np.float32)
    probabilities, view = session.run(OUTPUT_NAMES, {INPUT_NAME: empty})
    if probabilities.shape != (1, len(CLASSES), rows, columns) or view.shape != (
        1,
        len(VIEW_NAMES),
    ):
        raise ValueError("the network has other outputs")
    if not (np.isfinite(probabilities).all() and np.isfinite(view).all()):
        raise ValueError("the network gives no numbers")


def missing_errors(errors_px: Mapping[str, tuple[float, float]]) -> list[str]:
    """Name the measures whose errors are not among those of a card."""
    return [name for name in JUDGED_MEASURES if name not in errors_px]


def weights_names(folder: Path = WEIGHTS_FOLDER) -> list[str]:
    """Names of the weights in a folder, the newest last."""
    matches = (NAME_PATTERN.fullmatch(path.stem) for path in folder.glob("*.onnx"))
    return [m[0] for m in sorted((m for m in matches if m), key=lambda m: (int(m[1]), m[0]))]


def read_card(name: str, folder: Path = WEIGHTS_FOLDER) -> dict[str, Any]:
    """Read NAME.json and check that it has what loading needs.

    Raises
    ------
    WeightsError
        If the card is missing, is not JSON, or lacks an entry or holds one of another type.
    """
    path = folder / f"{name}.json"
    try:
        text = path.read_text(encoding="utf-8")
        Card.model_validate_json(text)
        card: dict[str, Any] = json.loads(text)
    except ValidationError as error:
        entries = sorted({str(fault["loc"][0]) for fault in error.errors() if fault["loc"]})
        what = f"has no usable {', '.join(entries)}" if entries else "is no JSON"
        raise WeightsError(
            f"The card {path.name} of the weights {what}; use weights that came with this version."
        ) from error
    except (OSError, ValueError, RecursionError) as error:
        raise WeightsError(
            f"The card {path.name} of the weights cannot be read; install layermotion again."
        ) from error
    return card
