"""Owns how an imported clip is written: grey ultrasound DICOM, black outside the image area."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np
from pydicom import DataElement, Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels.encoders.base import get_encoder
from pydicom.sequence import Sequence
from pydicom.uid import (
    JPEG2000Lossless,
    UltrasoundImageStorage,
    UltrasoundMultiFrameImageStorage,
)

from layermotion.clip import Frame
from layermotion.clip.dicom import FRAME_TIME_VECTOR_TAG
from layermotion.files import atomic_path
from layermotion.geometry import ImageArea, Spacing

# Bytes of a value whose length takes 16 bits; a longer one is written as of unknown type, whose
# length takes 32 (DICOM PS3.5 sections 6.2.2 and 7.1.2).
LONGEST_TEXT = 2**16 - 2


def write_clip(
    target: Path, header: Dataset, frames: Iterable[Frame], area: ImageArea, spacing: Spacing | None
) -> int:
    """Write frames as grey ultrasound DICOM, black outside the image area; return their number.

    Parameters
    ----------
    header
        Attributes without identity; those of the pixels and times are set here.
    frames
        In order; read once, one at a time.
    area
        What stays visible.
    spacing
        Size of a pixel, or None.
    """
    encoder = get_encoder(JPEG2000Lossless)
    encoded: list[bytes] = []
    times_s: list[float] = []
    shape = (0, 0)
    for frame in frames:
        masked = np.zeros_like(frame.pixels)
        masked[area.slices] = frame.pixels[area.slices]
        shape = masked.shape
        encoded.append(
            encoder.encode(
                masked, rows=shape[0], columns=shape[1], samples_per_pixel=1, bits_allocated=8,
                bits_stored=8, pixel_representation=0, photometric_interpretation="MONOCHROME2",
                number_of_frames=1,
            )
        )  # fmt: skip
        times_s.append(frame.time_s)
    data = Dataset()
    data.update(header)
    is_clip = len(encoded) > 1
    data.SOPClassUID = UltrasoundMultiFrameImageStorage if is_clip else UltrasoundImageStorage
    data.ImageType = ["DERIVED", "PRIMARY"]
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.Rows, data.Columns = shape
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    if is_clip:
        data.NumberOfFrames = len(encoded)
        steps_ms = np.diff(times_s, prepend=times_s[0]) * 1000
        vector = "\\".join(f"{step:.4f}" for step in steps_ms)
        vector += " " * (len(vector) % 2)
        is_long = len(vector) > LONGEST_TEXT
        vr, value = ("UN", vector.encode("ascii")) if is_long else ("DS", vector)
        data[FRAME_TIME_VECTOR_TAG] = DataElement(FRAME_TIME_VECTOR_TAG, vr, value)
        data.FrameIncrementPointer = FRAME_TIME_VECTOR_TAG
    if spacing is not None:
        data.SequenceOfUltrasoundRegions = Sequence([_region(area, spacing)])
    data.PixelData = encapsulate(encoded)
    data["PixelData"].VR = "OB"
    data["PixelData"].is_undefined_length = True
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = data.SOPClassUID
    meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    meta.TransferSyntaxUID = JPEG2000Lossless
    data.file_meta = meta
    save_dicom(target, data)
    return len(encoded)


def save_dicom(target: Path, data: Dataset) -> None:
    """Write a DICOM file atomically."""
    with atomic_path(target) as temporary:
        data.save_as(temporary, enforce_file_format=True)


def _region(area: ImageArea, spacing: Spacing) -> Dataset:
    """One ultrasound region (PS3.3 C.8.5.5): 2D tissue, in cm."""
    region = Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionFlags = 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = area.left, area.top
    region.RegionLocationMaxX1 = area.left + area.width - 1
    region.RegionLocationMaxY1 = area.top + area.height - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX, region.PhysicalDeltaY = spacing.column_mm / 10, spacing.row_mm / 10
    return region
