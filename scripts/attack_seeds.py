"""Owns the good files that the attack damages: one small file of every kind that is read."""

import csv
import io
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import cast

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from openpyxl import Workbook
from PIL import Image
from pydicom import Dataset
from pydicom.data import get_testdata_file
from pydicom.dataset import FileMetaDataset
from pydicom.pixels.utils import pack_bits
from pydicom.uid import (
    UID,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
    SegmentationStorage,
    UltrasoundMultiFrameImageStorage,
    generate_uid,
)

from layermotion.lab.annotations import LabelledFrame, write_coco
from layermotion.labels import STRUCTURES, View
from layermotion.measures.measure import Measure, Status
from layermotion.models.registry import Change, Step
from layermotion.network.segmenter import WEIGHTS_FOLDER, weights_names
from layermotion.session.detectable import SCHEMA, DetectableChange
from layermotion.session.results import Mean, Row
from layermotion_synthetic.clips import draw_clip, render_clip

Grey = NDArray[np.uint8]
SYNTAXES = {
    "plain": ExplicitVRLittleEndian,
    "implicit": ImplicitVRLittleEndian,
    "rle": RLELossless,
    "jpeg2000": JPEG2000Lossless,
}
VIDEOS = {
    "clip.mp4": ("libx264", "yuv420p"),
    "mjpeg.mov": ("mjpeg", "yuvj420p"),
    "mjpeg.avi": ("mjpeg", "yuvj420p"),
    "h264.avi": ("libx264", "yuv420p"),
    "clip.mkv": ("libx264", "yuv420p"),
    "clip.webm": ("libvpx-vp9", "yuv420p"),
    "clip.gif": ("gif", "gray"),
    "clip.mpg": ("mpeg2video", "yuv420p"),
    "clip.ts": ("libx264", "yuv420p"),
}
STILLS = {"still.png": "PNG", "still.jpg": "JPEG", "still.tif": "TIFF", "still.bmp": "BMP"}
# Public files of pydicom, each in another compression; small enough to read hundreds of times.
PUBLIC = ("US1_J2KR.dcm", "examples_rgb_color.dcm", "examples_palette.dcm")
RATE_HZ = 25
# Frames of the files, of which each is the third of the drawn clip.
SMALL, EVERY = 8, 3


def draw_frames(count: int, rows: int, columns: int, seed: int = 1) -> list[Grey]:
    """Frames of a synthetic clip of the abdominal wall, shrunk to a size."""
    plan = draw_clip(np.random.Generator(np.random.SFC64(seed)), View.ABDOMINAL_WALL)
    screens = (screen for screen, _ in islice(render_clip(plan), EVERY * count))
    every = islice(screens, None, None, EVERY)
    return [np.asarray(cv2.resize(screen, (columns, rows)), np.uint8) for screen in every]


def write_dicom(
    path: Path,
    frames: Sequence[Grey],
    syntax: str = ExplicitVRLittleEndian,
    patient: str = "INV-7",
) -> Path:
    """Write frames as a calibrated ultrasound clip of an invented patient."""
    rows, columns = frames[0].shape
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    data.SOPClassUID = UltrasoundMultiFrameImageStorage
    data.SOPInstanceUID = generate_uid(entropy_srcs=[path.name])
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    data.Modality, data.PatientID, data.PatientName = "US", patient, "Invented^Patient"
    data.StudyDate, data.AcquisitionDateTime = "20240102", "20240102101112"
    data.StudyInstanceUID = data.SeriesInstanceUID = generate_uid(entropy_srcs=["study"])
    data.NumberOfFrames, data.Rows, data.Columns = len(frames), rows, columns
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation, data.FrameTime = 7, 0, 1000 / RATE_HZ
    region = Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionFlags = region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = columns - 1, rows - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = region.PhysicalDeltaY = 4.5 / rows
    data.SequenceOfUltrasoundRegions = [region]
    data.PixelData = np.stack(frames).tobytes()
    if syntax in (RLELossless, JPEG2000Lossless):
        data.compress(syntax, encoding_plugin="")
    elif syntax == ImplicitVRLittleEndian:
        data.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    data.save_as(path, enforce_file_format=True)
    return path


def write_video(path: Path, frames: Sequence[Grey], codec: str, pixel_format: str) -> Path:
    """Write frames as a video of the kind that its suffix names."""
    with av.open(str(path), "w") as container:
        stream = cast(av.VideoStream, container.add_stream(codec, rate=RATE_HZ))
        stream.height, stream.width = frames[0].shape
        stream.pix_fmt = pixel_format
        for index, pixels in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(pixels, format="gray")
            frame.pts, frame.time_base = index, Fraction(1, RATE_HZ)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_sources(folder: Path) -> None:
    """Write recordings: DICOM, videos, stills and a folder of images."""
    frames = draw_frames(SMALL, 96, 128)
    for name, syntax in SYNTAXES.items():
        write_dicom(folder / f"{name}.dcm", frames, syntax)
    for name in PUBLIC:
        found = get_testdata_file(name, download=False)
        if found:
            shutil.copy(found, folder / name)
    for name, (codec, pixel_format) in VIDEOS.items():
        write_video(folder / name, frames, codec, pixel_format)
    for name, kind in STILLS.items():
        Image.fromarray(frames[0]).save(folder / name, format=kind)
    series = folder / "series"
    series.mkdir()
    for index, pixels in enumerate(frames[:3]):
        Image.fromarray(pixels).save(series / f"frame{index}.png")


def write_tables(folder: Path) -> None:
    """Write tables of a visit, of consents and of callipers."""
    rows = [
        ["file", "task", "side", "repeat", "shows", "mm_per_pixel", "depth_mm", "fps", "site"],
        ["plain.dcm", "draw_in", "left", "1", "", "0.4", "", "25", "muscle-centre"],
        ["rle.dcm", "draw_in", "right", "2", "", "", "45", "", ""],
    ]
    _write_csv(folder / "visit.csv", rows)
    rows = [["subject", "scope", "day", "expiry"], ["4711", "both", "2024-01-02", "2024-12-31"]]
    _write_csv(folder / "consents.csv", [*rows, ["4712", "training", "2024-01-02", ""]])
    heading = ["clip", "subject", "rater", "structure", "measure", "task", "repeat", "value"]
    values = [
        [f"c{k}", f"s{k}", rater, "tra", "thickness_rest", "draw_in", "1", f"{3 + k / 10}"]
        for k in range(4)
        for rater in ("a", "b")
    ]
    rows = [[*heading, "unit"], *([*value, "mm"] for value in values)]
    _write_csv(folder / "callipers.csv", rows)
    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.save(folder / "callipers.xlsx")


def write_labels(folder: Path) -> None:
    """Write the same labels as COCO JSON, mask PNG and DICOM segmentation."""
    label = np.zeros((96, 128), np.uint8)
    for value, top in enumerate((10, 25, 40, 55), start=1):
        label[top : top + 12, 10:118] = value
    whole = LabelledFrame.of("c-1-00002", label.copy())
    label[58:60, 40:60] = 0  # a hole, which is written as run lengths
    frames = [LabelledFrame.of("c-1-00001", label), whole]
    write_coco(folder / "labels.json", frames, "images")
    Image.fromarray(label).save(folder / "c-1-00001.png")
    _write_segmentation(folder / "labels.dcm", label)


def write_results(folder: Path) -> None:
    """Write what earlier runs leave: a visit, measures, detectable changes, weights, history."""
    row = Row(
        "left", "draw_in", "mean", "tra", "thickness_rest", 3.5, 3.0, 4.0, "mm", Status.DRAFT, "",
        "c1", 2, "How.", 2, 0.2, 0.3, (Mean(1.0, True, 2), Mean(2.0, False, 1)),
    )  # fmt: skip
    others = [asdict(row) | {"side": "right"}, asdict(row) | {"structure": "io", "means": None}]
    visit = {"schema_version": "2.0", "rows": [asdict(row), *others], "provenance": {"a": "b"}}
    _write_json(folder / "visit.json", visit)
    measure = Measure(
        "slide", "tra", "draw_in", "1", 3.5, "mm", 3.0, 4.0, Status.DRAFT, "", "0-4", "How."
    )
    facts = {"clip": "c1", "side": "left", "schema_version": "1.1", "picture_width_mm": "80.0"}
    own = {"measures": [asdict(measure)], "cautions": ["One."], "advice": []}
    _write_json(folder / "measures.json", {**facts, **own})
    change = DetectableChange("thickness_rest", "tra", "mm", 1, 0.5, 1.4, "one", 20, 80)
    head = {"schema": SCHEMA, "schema_version": "1.0", "source": "a study"}
    _write_json(folder / "own.json", {**head, "changes": [asdict(change)]})
    step = Change(Step.PROMOTE, weights_names()[-1], "f" * 64, "dev 1", "2024-06-01")
    _write_json(folder / "in-use.json", [asdict(step)])
    for suffix in (".json", ".onnx"):
        shutil.copy(WEIGHTS_FOLDER / f"{weights_names()[-1]}{suffix}", folder)


def write_all(folder: Path) -> Path:
    """Write every seed into a folder of its kind, and return their folder."""
    for name, write in (
        ("sources", write_sources),
        ("tables", write_tables),
        ("labels", write_labels),
        ("results", write_results),
    ):
        (folder / name).mkdir(parents=True)
        write(folder / name)
    for name in ("plain.dcm", "rle.dcm"):
        shutil.copy(folder / "sources" / name, folder / "tables" / name)
    return folder


def _write_segmentation(path: Path, label: Grey) -> None:
    planes = np.stack([label == value for value in range(1, len(STRUCTURES) + 1)])
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = SegmentationStorage
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = UID("1.2.3")
    data.SegmentationType, data.SegmentSequence = "BINARY", []
    data.PerFrameFunctionalGroupsSequence = []
    for number, structure in enumerate(STRUCTURES, start=1):
        segment, group, place = Dataset(), Dataset(), Dataset()
        segment.SegmentNumber, segment.SegmentLabel = number, str(structure)
        data.SegmentSequence.append(segment)
        place.ReferencedSegmentNumber = number
        group.SegmentIdentificationSequence = [place]
        derivation, source = Dataset(), Dataset()
        source.ReferencedSOPInstanceUID, source.ReferencedFrameNumber = "1.2.3.4", 2
        derivation.SourceImageSequence = [source]
        group.DerivationImageSequence = [derivation]
        data.PerFrameFunctionalGroupsSequence.append(group)
    data.NumberOfFrames, (data.Rows, data.Columns) = len(planes), label.shape
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 1
    data.HighBit = data.PixelRepresentation = 0
    data.PixelData = pack_bits(planes.astype(np.uint8))
    data.save_as(path, enforce_file_format=True)


def _write_json(path: Path, content: object) -> None:
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _write_csv(path: Path, rows: Sequence[Sequence[str]]) -> None:
    with io.StringIO(newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)
        path.write_text(stream.getvalue(), encoding="utf-8")
