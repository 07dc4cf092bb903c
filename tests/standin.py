"""Owns drawn clips of known layers, and a stand-in for the network that knows their truth.

Each frame holds its number in black and white blocks along its top, which the stand-in reads, so
it works on whatever the readers make of the file.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from unittest import mock

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, UltrasoundMultiFrameImageStorage, generate_uid

from layermotion.analysis import footage
from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip, Frame
from layermotion.edges.recording import Recording
from layermotion.edges.second_look import cut_below
from layermotion.edges.site import parse_site
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import WALL_LAYERS, Task, View
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import VIEW_CLASSES

# Unequal, so that a swap of rows and columns cannot hide.
SPACING = Spacing(0.08, 0.11, "test")
ROWS, COLUMNS = 320, 240
AREA = ImageArea(0, 0, ROWS, COLUMNS)
BITS, BLOCK_ROWS = 8, 10
ERRORS_PX = {
    **{f"{kind}_{layer}": 0.8 for kind in ("thickness", "change") for layer in WALL_LAYERS},
    "base_displacement": 1.5,
}

Labels = NDArray[np.uint8]
Probabilities = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class TruthSegmenter:
    """Has the attributes of ``network.segmenter.Segmenter``; answers with blurred truth.

    Parameters
    ----------
    labels
        Label image of every frame number, shape (ROWS, COLUMNS).
    grid
        How the frames lie on the model input.
    views
        View shown by every frame; None for one that shows neither.
    spacing
        Pixel size of the frames; None without a calibration.
    again
        Label images for the second look, where it is to see something else than the first.
    doubt
        How much of each probability goes to the background, for every frame number; the more, the
        lower the confidence. None for none in any frame.
    error_growth
        Rate at which the errors grow as confidence falls, as in the weights' card.
    """

    labels: tuple[Labels, ...]
    grid: ModelGrid
    views: tuple[View | None, ...]
    spacing: Spacing | None = SPACING
    again: tuple[Labels, ...] | None = None
    doubt: tuple[float, ...] | None = None
    error_growth: float = 0.0
    name: str = "standin-001"
    sha256: str = "0" * 64
    size_px: int = 320
    spacing_range_mm: tuple[float, float] = (0.05, 1.0)
    errors_px: Mapping[str, float] = field(default_factory=lambda: dict(ERRORS_PX))

    def error_px(self, measure: str, confidence: float) -> float:
        """Error of a measure; without ``error_growth`` the same at any confidence."""
        return self.errors_px[measure] * math.exp(self.error_growth * (1 - confidence))

    def run(self, images: NDArray[np.uint8]) -> tuple[Probabilities, NDArray[np.float32]]:
        """Blurred truth and view of each image."""
        looks = [self._read(image) for image in images]
        numbers = [number for number, _, _ in looks]
        probabilities = np.stack([self._seen(*look) for look in looks])
        view = np.full((len(images), 3), 0.02, np.float32)
        for row, number in zip(view, numbers, strict=True):
            row[VIEW_CLASSES.index(self.views[number])] = 0.96
        return probabilities, view

    def _seen(self, number: int, grid: ModelGrid, step: int) -> Probabilities:
        """Class probabilities of one frame in one of the two looks."""
        labels = self.again if self.again and step < 0 else self.labels
        seen = _blurred(labels[number].tobytes(), grid)[:, :, ::step]
        if self.doubt:
            seen = seen * np.float32(1 - self.doubt[number])
            seen[0] += np.float32(self.doubt[number])
        return seen

    def _read(self, image: NDArray[np.uint8]) -> tuple[int, ModelGrid, int]:
        """Frame number, how the frame lies there, and -1 where it is mirrored, which cut ones are.

        Which of both it is tells from how much of the model input is not black.
        """
        rows, columns = np.ptp(np.argwhere(image), axis=0) + 1
        looks = ((self.grid, 1), (cut_below(self.grid, self.spacing), -1))
        grid, step = min(
            looks, key=lambda look: abs(look[0].rows - rows) + abs(look[0].columns - columns)
        )
        row = round(grid.row_to_model(BLOCK_ROWS / 2 - 0.5))
        block = COLUMNS / BITS
        columns = [round(grid.column_to_model((k + 0.5) * block - 0.5)) for k in range(BITS)]
        bits = image[:, ::step][row, columns] > 128
        return sum(int(bit) << k for k, bit in enumerate(bits)), grid, step


def blurred(labels: Labels, grid: ModelGrid, sigma_px: float = 1.2) -> Probabilities:
    """One-hot labels on the model input, softened, shape (6, *grid.shape)."""
    one_hot = np.zeros((6, *grid.shape), np.float32)
    one_hot[0] = 1
    for k in range(6):
        part = (labels == k)[grid.area.slices].astype(np.float32)
        smaller = (min(COLUMNS, grid.columns), min(len(part), grid.rows))
        shrunk = cv2.resize(part, smaller, interpolation=cv2.INTER_AREA)
        one_hot[k][grid.slices] = cv2.resize(shrunk, (grid.columns, grid.rows))
    return np.stack([cv2.GaussianBlur(part, (0, 0), sigma_px) for part in one_hot])


@lru_cache(maxsize=16)
def _blurred(labels: bytes, grid: ModelGrid) -> Probabilities:
    """Do the same once for labels that many frames share."""
    return blurred(np.frombuffer(labels, np.uint8).reshape(ROWS, COLUMNS), grid)


def wall_labels(tra_rows: int) -> Labels:
    """Level layers; the TrA is ``tra_rows`` thick."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    for value, (top, bottom) in enumerate(
        ((30, 70), (80, 125), (133, 195), (203, 203 + tra_rows)), start=1
    ):
        labels[top:bottom] = value
    return labels


def wall_with_end(tra_rows: int) -> Labels:
    """Wall whose TrA tapers and ends medially at the left, while the layers above go on."""
    labels = wall_labels(tra_rows)
    row, column = np.mgrid[:ROWS, :COLUMNS]
    taper = np.clip((column - 50) / 40, 0, 1)
    labels[(labels == 4) & (row >= 203 + tra_rows * taper)] = 0
    labels[(labels == 2) & (row >= 100) & (column < 60)] = 0
    return labels


def bladder_labels(lift_rows: int) -> Labels:
    """Fat above a bladder whose base bulges up by ``lift_rows`` around column 120."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    labels[25:60] = 1
    row, column = np.mgrid[:ROWS, :COLUMNS]
    base = 250 - lift_rows * np.exp(-0.5 * ((column - 120) / 45) ** 2)
    labels[(row >= 100) & (row < base) & (abs(column - 120) < 90)] = 5
    return labels


def draw_texture(rows: int = ROWS, columns: int = COLUMNS, seed: int = 5) -> Labels:
    """Soft speckle, uint8, shape (rows, columns)."""
    noise = np.random.default_rng(seed).normal(0, 1, (rows, columns))
    soft = cv2.GaussianBlur(noise, (0, 0), 2.0)
    return np.clip(100 + 30 * soft / soft.std(), 30, 230).astype(np.uint8)


def draw_frames(count: int, rows: int = ROWS, columns: int = COLUMNS) -> list[Labels]:
    """Numbered frames of one still texture."""
    return numbered([draw_texture(rows, columns)] * count)


def numbered(pictures: Sequence[Labels]) -> list[Labels]:
    """Pictures with their numbers, counted from 0, along their top."""
    frames = []
    for number, picture in enumerate(pictures):
        frame, columns = picture.copy(), picture.shape[1]
        bits = np.array([number >> k & 1 for k in range(BITS)], np.uint8)
        blocks = np.repeat(bits, columns // BITS).astype(bool)
        frame[:BLOCK_ROWS] = np.where(blocks, 150, 0) + frame[:BLOCK_ROWS] // 3 + 20
        frames.append(frame)
    return frames


def slid(slide_px: Sequence[int], rows: tuple[int, int] = (200, 300)) -> list[Labels]:
    """Pictures whose texture between two rows moves to the right, the rest standing still."""
    return moved([(0, 0)] * len(slide_px), slide_px, rows)


def moved(
    shift_px: Sequence[tuple[int, int]],
    slide_px: Sequence[int] | None = None,
    rows: tuple[int, int] = (0, 0),
) -> list[Labels]:
    """Pictures whose whole texture moves by (rows, columns), and a band of it farther to the right.

    Parameters
    ----------
    shift_px
        Down and to the right, for every picture; at most 150 either way.
    slide_px
        What the texture between two rows moves by beside that.
    """
    margin = 150
    size = (ROWS + 2 * margin, COLUMNS + 2 * margin)
    texture, other = draw_texture(*size, seed=5), draw_texture(*size, seed=6)
    pictures = []
    for (down, right), slide in zip(shift_px, slide_px or [0] * len(shift_px), strict=True):
        top, left = margin - down, margin - right
        picture = texture[top : top + ROWS, left : left + COLUMNS].copy()
        own = other[top : top + ROWS, left - slide : left - slide + COLUMNS]
        picture[slice(*rows)] = own[slice(*rows)]
        pictures.append(picture)
    return pictures


def write_video(path: Path, frames: list[Labels], rate_hz: int = 20) -> Path:
    """Write frames as H.264."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate_hz, options={"crf": "12"})
        stream.height, stream.width = frames[0].shape
        stream.pix_fmt = "yuv420p"
        for index, pixels in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(pixels, format="gray")
            frame.pts, frame.time_base = index, Fraction(1, rate_hz)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_dicom(path: Path, frames: list[Labels], **attributes: object) -> Path:
    """Write frames as an Ultrasound Multi-frame Image with calibration, 20 frames a second."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["layermotion"])
    region = Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionFlags = region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = COLUMNS - 1, ROWS - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX, region.PhysicalDeltaY = SPACING.column_mm / 10, SPACING.row_mm / 10
    dataset = Dataset()
    dataset.file_meta = meta
    dataset.SOPClassUID = meta.MediaStorageSOPClassUID
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.Modality, dataset.PhotometricInterpretation = "US", "MONOCHROME2"
    dataset.NumberOfFrames, dataset.Rows, dataset.Columns = np.shape(frames)
    dataset.SamplesPerPixel, dataset.PixelRepresentation = 1, 0
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit = 7
    dataset.FrameTime = 50
    dataset.SequenceOfUltrasoundRegions = [region]
    dataset.PixelData = np.stack(frames).tobytes()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    dataset.save_as(path, enforce_file_format=True)
    return path


def make_clip(
    pictures: Sequence[Labels],
    *,
    task: Task | None = None,
    rate_hz: float = 10.0,
    spacing: Spacing | None = SPACING,
) -> Clip:
    """Clip of pictures in memory, which need no numbers yet."""
    frames = [Frame(k, k / rate_hz, picture) for k, picture in enumerate(numbered(pictures))]

    def read() -> Iterator[Frame]:
        yield from frames

    return Clip(
        clip_id="c0ffee12",
        source_name="drawn",
        frame_shape=(ROWS, COLUMNS),
        frame_count=len(frames),
        spacing=spacing,
        spacing_reason="" if spacing else "The drawing has no scale.",
        area=AREA,
        view=None,
        task=task,
        is_still=False,
        read=read,
    )


def no_whole_picture() -> AbstractContextManager[object]:
    """Let whole pictures tell nothing of efforts.

    Those of drawn clips bear numbers that change, and do not move with the labels.
    """
    return mock.patch.object(footage, "small_picture", lambda _: footage.UNSHOWN)


def analysed(clip: Clip, segmenter: TruthSegmenter) -> Analysis:
    """Clip as measured at the middle of the muscle."""
    with no_whole_picture(), Recording() as recording:
        return analyse(clip, segmenter, parse_site("muscle-centre"), recording)  # type: ignore[arg-type]


def effort(count: int, begin: int, end: int, ramp: int = 6) -> NDArray[np.float64]:
    """Activation 0 to 1: full from ``begin + ramp`` to ``end - ramp``, straight ramps."""
    return np.interp(np.arange(count), [begin, begin + ramp, end - ramp, end], [0, 1, 1, 0])


def truth_segmenter(
    draw: Callable[[int], Labels],
    rows: NDArray[np.float64],
    view: View,
    spacing: Spacing | None = SPACING,
    unseen: int = 0,
) -> TruthSegmenter:
    """Stand-in for a clip with one value of ``rows`` a frame; the first ``unseen`` show nothing."""
    labels = tuple(draw(int(round(value))) for value in rows)
    views = tuple(None if number < unseen else view for number in range(len(rows)))
    return TruthSegmenter(labels, ModelGrid.for_area(AREA, spacing, 320), views, spacing)
