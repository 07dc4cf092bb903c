"""Owns the calibration that a DICOM file states: its ultrasound regions, or pixel spacing."""

from typing import NamedTuple

import numpy as np
from pydicom import Dataset
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.multival import MultiValue

from layermotion.clip.damage import DECODE_ERRORS
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing

# What pydicom and its decoders raise on damaged or unsupported files.
DICOM_ERRORS = (*DECODE_ERRORS, BytesLengthException, InvalidDicomError)
# DICOM PS3.3 C.8.5.5.1.1: Region Spatial Format 1 = 2D (tissue or flow).
SPATIAL_FORMAT_2D = 1
# DICOM PS3.3 C.8.5.5.1.15: Physical Units 3 = cm, the only unit of length.
UNITS_CM = 3
REGION_TAGS = (
    "RegionLocationMinX0",
    "RegionLocationMinY0",
    "RegionLocationMaxX1",
    "RegionLocationMaxY1",
    "PhysicalDeltaX",
    "PhysicalDeltaY",
)


def numbers(dataset: Dataset, keyword: str) -> list[float]:
    """Values of a numeric attribute; an empty list where absent or not a number."""
    try:
        value = dataset.get(keyword)
        if isinstance(value, bytes):  # more than 64 kB stand without their type, see lab/storing.py
            value = value.decode("ascii").split("\\")
        values = value if isinstance(value, MultiValue | list) else [value]
        return [float(item) for item in values if item is not None]
    except DICOM_ERRORS:
        return []


class Calibration(NamedTuple):
    """What a file states of its scale, or the reason why it states none.

    ``choice`` says which of several images is meant; ``has_one_scale`` whether all have the same.
    """

    spacing: Spacing | None
    region: ImageArea | None
    reason: str
    cautions: tuple[str, ...] = ()
    choice: tuple[str, ...] = ()
    has_one_scale: bool = True


def find_calibration(dataset: Dataset, shape: tuple[int, int]) -> Calibration:
    """Read the ultrasound regions of a file, or its pixel spacing (PS3.3 C.8.5.5)."""
    if "SequenceOfUltrasoundRegions" not in dataset:
        return Calibration(*_from_pixel_spacing(dataset))
    usable: list[tuple[ImageArea, Spacing]] = []
    refusals: list[str] = []
    for number, item in enumerate(dataset.SequenceOfUltrasoundRegions, start=1):
        is_2d = item.get("RegionSpatialFormat") == SPATIAL_FORMAT_2D
        units = (item.get("PhysicalUnitsXDirection"), item.get("PhysicalUnitsYDirection"))
        if not is_2d or units != (UNITS_CM, UNITS_CM):
            continue
        try:
            usable.append(_read_region(item, shape))
        except InputError as error:
            refusals.append(f"ultrasound region {number} is refused: {error}")
    if not usable:
        reason = "; ".join(refusals) or "no ultrasound region of the file is a 2D image in cm"
        return Calibration(None, None, reason)
    # Largest first; the stable sort keeps the left one of two equals first.
    usable.sort(key=lambda pair: pair[0].left)
    usable.sort(key=lambda pair: pair[0].height * pair[0].width, reverse=True)
    area, spacing = usable[0]
    cautions = tuple(f"In this file, {refusal}" for refusal in refusals)
    if len(usable) == 1:
        return Calibration(spacing, area, "", cautions)
    has_one_scale = len({(s.row_mm, s.column_mm) for _, s in usable}) == 1
    choice = (
        f"The file names {len(usable)} image regions of "
        f"{'one scale' if has_one_scale else 'different scales'}; the one at row {area.top}, "
        f"column {area.left} ({area.height} x {area.width} pixels) is measured."
    )
    return Calibration(spacing, area, "", cautions, (choice,), has_one_scale)


def _read_region(item: Dataset, shape: tuple[int, int]) -> tuple[ImageArea, Spacing]:
    """Rectangle and pixel size of one region; ``InputError`` says why it cannot calibrate."""
    values = [(numbers(item, keyword) or [float("nan")])[0] for keyword in REGION_TAGS]
    if not np.isfinite(values).all():
        raise InputError("its rectangle or its pixel size is missing.")
    x0, y0, x1, y1 = (int(value) for value in values[:4])
    rows, columns = shape
    # Max is the last pixel inside; scanners that write the first outside are one larger.
    if x0 < 0 or y0 < 0 or x1 > columns or y1 > rows:
        raise InputError(
            f"it spans columns {x0} to {x1} and rows {y0} to {y1}, but the image has {columns} "
            f"columns and {rows} rows, so the image was scaled or cropped after calibration."
        )
    area = ImageArea(y0, x0, min(y1 + 1, rows) - y0, min(x1 + 1, columns) - x0)
    delta_x_cm, delta_y_cm = values[4:]
    source = "DICOM ultrasound region (Physical Delta X, Y)"
    return area, Spacing(10 * abs(delta_y_cm), 10 * abs(delta_x_cm), source)


def _from_pixel_spacing(dataset: Dataset) -> tuple[Spacing | None, None, str]:
    """Pixel Spacing (row first, PS3.3 10.7.1.3) of an ultrasound file without regions."""
    values = numbers(dataset, "PixelSpacing")
    if dataset.get("Modality") != "US" or len(values) != 2:
        return None, None, "the file states no ultrasound region and no usable pixel spacing"
    try:
        return Spacing(values[0], values[1], "DICOM Pixel Spacing (row, column)"), None, ""
    except InputError as error:
        return None, None, f"the file's Pixel Spacing is refused: {error}"
