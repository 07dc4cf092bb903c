"""Owns reading labels from DICOM Segmentation objects (PS3.3 A.51)."""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom import Dataset, dcmread
from pydicom.uid import SegmentationStorage

from layermotion.clip.header import quiet, read_header
from layermotion.clip.reading import check_size
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.errors import InputError
from layermotion.lab.annotations import (
    MOST_PIXELS_OF_FILE,
    LabelledFrame,
    structure_named,
)
from layermotion.lab.folder import frame_key
from layermotion.labels import STRUCTURES, Structure

# Of a fractional segment, the share of its largest value from which on a pixel is inside.
HALF = 0.5


def read_segmentation(path: Path, find_clip: Callable[[str], str | None]) -> list[LabelledFrame]:
    """Read the frames that a segmentation marks.

    Parameters
    ----------
    path
        DICOM file; binary or fractional, one segment a structure, named by its Segment Label.
    find_clip
        Name of the clip with an SOP Instance UID, or None.

    Raises
    ------
    InputError
        If it is no segmentation, names no structure, or refers to no clip that is here.
    """
    try:
        with quiet():
            masks = _read_masks(path, find_clip)
    except DICOM_ERRORS as error:
        raise InputError(
            f"{path.name} is a damaged DICOM segmentation; export it again."
        ) from error
    return [LabelledFrame(key, mask) for key, mask in masks.items()]


def _read_masks(path: Path, find_clip: Callable[[str], str | None]) -> dict[str, NDArray[np.bool_]]:
    """Masks of every frame by its key; DICOM_ERRORS where the file is damaged."""
    head = read_header(path, ["Rows", "Columns", "NumberOfFrames"]).data
    rows, columns = int(head.Rows), int(head.Columns)
    check_size(path.name, rows, columns)
    if int(head.get("NumberOfFrames") or 1) * rows * columns > MOST_PIXELS_OF_FILE:
        raise InputError(f"{path.name} has too many frames for one file; split it.")
    data = dcmread(path)
    if data.get("SOPClassUID") != SegmentationStorage:
        raise InputError(f"{path.name} is no DICOM segmentation; export the labels as one.")
    structures = {
        int(item.SegmentNumber): structure_named(str(item.SegmentLabel), path.name)
        for item in data.SegmentSequence
    }
    pixels = data.pixel_array.reshape(-1, rows, columns)
    is_fractional = data.SegmentationType == "FRACTIONAL"
    least = HALF * float(data.MaximumFractionalValue) if is_fractional else HALF
    groups = data.PerFrameFunctionalGroupsSequence
    if len(groups) != len(pixels):
        raise InputError(f"{path.name} describes {len(groups)} of {len(pixels)} frames.")
    masks: dict[str, NDArray[np.bool_]] = {}
    for group, plane in zip(groups, pixels, strict=True):
        key, structure = _place(data, group, find_clip, structures, path.name)
        mask = masks.setdefault(key, np.zeros((len(STRUCTURES), *plane.shape), bool))
        mask[STRUCTURES.index(structure)] |= plane >= least
    return masks


def _place(
    data: Dataset,
    group: Dataset,
    find_clip: Callable[[str], str | None],
    structures: Mapping[int, Structure],
    name: str,
) -> tuple[str, Structure]:
    """Frame and structure that one plane of a segmentation belongs to."""
    shared = data.get("SharedFunctionalGroupsSequence") or [Dataset()]
    segment = (
        group.get("SegmentIdentificationSequence") or shared[0].SegmentIdentificationSequence
    )[0]
    sources = group.get("DerivationImageSequence") or shared[0].get("DerivationImageSequence")
    if not sources:
        raise InputError(
            f"{name} does not say which frame a segment lies on (Derivation Image Sequence); "
            f"export it with references to its source frames."
        )
    source = sources[0].SourceImageSequence[0]
    clip = find_clip(str(source.ReferencedSOPInstanceUID))
    if clip is None:
        raise InputError(f"{name} refers to a clip that is not in this laboratory; import it.")
    number = int(source.get("ReferencedFrameNumber") or 1)  # counted from 1
    return frame_key(clip, number - 1), structures[int(segment.ReferencedSegmentNumber)]
