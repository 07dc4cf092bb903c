"""Owns segmentation: frames onto the model's grid and class probabilities out; no torch."""

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeVar

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from layermotion.errors import InputError, WeightsError
from layermotion.geometry import COLUMN_RATIO, ImageArea, Spacing
from layermotion.labels import STRUCTURES, View

WEIGHTS_FOLDER = Path(__file__).parent / "weights"
CLASSES = ("background", *(str(structure) for structure in STRUCTURES))
# Meaning of the view output, in order; None is an image without an abdominal view.
VIEW_CLASSES: tuple[View | None, ...] = (None, View.ABDOMINAL_WALL, View.BLADDER)
VIEW_NAMES = tuple("none" if view is None else str(view) for view in VIEW_CLASSES)
INPUT_NAME, OUTPUT_NAMES = "image", ("probabilities", "view_probabilities")
CARD_ENTRIES = {"sha256", "classes", "views", "size_px", "spacing_range_mm", "errors_px"}
# Weights are called WORD-NUMBER; a higher number is newer.
NAME_PATTERN = re.compile(r"[a-z][a-z0-9]*-(\d{3})")

Positions = TypeVar("Positions", float, NDArray[np.floating[Any]])


def input_shape(size_px: int) -> tuple[int, int]:
    """Rows and columns of the input of a model with ``size_px`` rows.

    Examples
    --------
    >>> input_shape(320)
    (320, 160)
    """
    return size_px, size_px // COLUMN_RATIO


@dataclass(frozen=True)
class ModelGrid:
    """How the image area of a frame lies on the model input.

    Positions are pixel centres: row 0.0 is the middle of the first row. The area is scaled to
    pixels ``COLUMN_RATIO`` times as wide as high in mm, so that the input covers a square, then
    centred, and padded with black on two sides.

    Parameters
    ----------
    area
        Part of the frame that is shown to the model.
    size_px
        Rows of the model input.
    rows, columns
        Size of the scaled area on the model input; the longer side fills it.
    mm_per_pixel
        Height of a model pixel, mm; None where the clip is not calibrated. The shorter side is
        rounded to whole pixels, so this holds to within half a pixel over that side; the
        position maps below are exact.
    """

    area: ImageArea
    size_px: int
    rows: int
    columns: int
    mm_per_pixel: float | None

    @classmethod
    def for_area(cls, area: ImageArea, spacing: Spacing | None, size_px: int) -> Self:
        """Fit an image area to the model input; without a calibration pixels count as square."""
        row, column = (spacing.row_mm, spacing.column_mm) if spacing else (1.0, 1.0)
        height, width = area.height * row, area.width * column
        scale = max(height, width) / size_px
        return cls(
            area=area,
            size_px=size_px,
            rows=max(1, round(height / scale)),
            columns=max(1, round(width / scale / COLUMN_RATIO)),
            mm_per_pixel=scale if spacing else None,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the model input."""
        return input_shape(self.size_px)

    @property
    def row_step(self) -> float:
        """Frame rows in one model row."""
        return self.area.height / self.rows

    @property
    def row_size(self) -> float:
        """Height of a model row in the unit of thickness: mm, frame rows without a calibration."""
        return self.row_step if self.mm_per_pixel is None else self.mm_per_pixel

    @property
    def column_step(self) -> float:
        """Frame columns in one model column."""
        return self.area.width / self.columns

    @property
    def top(self) -> int:
        """First model row that shows tissue."""
        return (self.size_px - self.rows) // 2

    @property
    def left(self) -> int:
        """First model column that shows tissue."""
        return (self.shape[1] - self.columns) // 2

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices that cut the tissue out of a model image."""
        return slice(self.top, self.top + self.rows), slice(self.left, self.left + self.columns)

    def to_model(self, frame_pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Resample one frame.

        Parameters
        ----------
        frame_pixels
            uint8, shape (frame rows, frame columns).

        Returns
        -------
        NDArray[np.uint8]
            Shape ``self.shape``.
        """
        cut = frame_pixels[self.area.slices]
        # Averaging along a side that shrinks, interpolation along a side that grows.
        smaller = (min(self.area.width, self.columns), min(self.area.height, self.rows))
        shrunk = cv2.resize(cut, smaller, interpolation=cv2.INTER_AREA)
        image = np.zeros(self.shape, np.uint8)
        image[self.slices] = cv2.resize(
            shrunk, (self.columns, self.rows), interpolation=cv2.INTER_LINEAR
        )
        return image

    def row_to_frame(self, rows: Positions) -> Positions:
        """Frame rows of model rows, sub-pixel.

        Examples
        --------
        >>> grid = ModelGrid.for_area(ImageArea(10, 0, 640, 640), None, 320)
        >>> grid.row_to_frame(0.0)  # the first model row covers frame rows 10 and 11
        10.5
        """
        return (rows - self.top + 0.5) * self.row_step - 0.5 + self.area.top

    def column_to_frame(self, columns: Positions) -> Positions:
        """Frame columns of model columns, sub-pixel."""
        return (columns - self.left + 0.5) * self.column_step - 0.5 + self.area.left

    def row_to_model(self, rows: Positions) -> Positions:
        """Model rows of frame rows; the inverse of ``row_to_frame``."""
        return (rows - self.area.top + 0.5) / self.row_step - 0.5 + self.top

    def column_to_model(self, columns: Positions) -> Positions:
        """Model columns of frame columns; the inverse of ``column_to_frame``."""
        return (columns - self.area.left + 0.5) / self.column_step - 0.5 + self.left


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
        model pixels, and the rate at which it grows as confidence falls; ``scripts/evaluate.py``
        found and stored them.
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
        If there are no such weights, the file was altered, or the classes have another order.
    """
    names = weights_names(folder)
    if name is None and not names:
        raise WeightsError("This installation holds no weights; install layermotion again.")
    name = name or names[-1]
    if name not in names:
        raise WeightsError(
            f"There are no weights called {name}; choose from {', '.join(names) or 'none'}."
        )
    card = read_card(name, folder)
    content = (folder / f"{name}.onnx").read_bytes()
    found = hashlib.sha256(content).hexdigest()
    if found != card["sha256"]:
        raise WeightsError(
            f"The weights {name} have checksum {found[:12]}, but their card says "
            f"{str(card['sha256'])[:12]}; install layermotion again."
        )
    for key, needed in (("classes", CLASSES), ("views", VIEW_NAMES)):
        if tuple(card[key]) != needed:
            raise WeightsError(
                f"The weights {name} have the {key} {', '.join(card[key])}, this version needs "
                f"{', '.join(needed)}; use weights that came with this version."
            )
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
    low, high = card["spacing_range_mm"]
    stored = card["errors_px"].items()
    errors = {measure: (float(level), float(growth)) for measure, (level, growth) in stored}
    return Segmenter(name, found, int(card["size_px"]), (float(low), float(high)), errors, session)


def weights_names(folder: Path = WEIGHTS_FOLDER) -> list[str]:
    """Names of the weights in a folder, the newest last."""
    matches = (NAME_PATTERN.fullmatch(path.stem) for path in folder.glob("*.onnx"))
    return [m[0] for m in sorted((m for m in matches if m), key=lambda m: (int(m[1]), m[0]))]


def read_card(name: str, folder: Path = WEIGHTS_FOLDER) -> dict[str, Any]:
    """Read NAME.json and check that it has what loading needs.

    Raises
    ------
    WeightsError
        If the card is missing, is not JSON, or lacks an entry.
    """
    path = folder / f"{name}.json"
    try:
        card: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        missing = CARD_ENTRIES - card.keys()
    except (OSError, ValueError, AttributeError) as error:
        raise WeightsError(
            f"The card {path.name} of the weights cannot be read; install layermotion again."
        ) from error
    if missing:
        raise WeightsError(
            f"The card {path.name} lacks {', '.join(sorted(missing))}; use weights that came "
            f"with this version."
        )
    return card
