"""Owns the DICOM segmentation of a clip: the outlines of every frame, as they were measured."""

from collections.abc import Iterable, Iterator, Sequence
from copy import deepcopy
from itertools import islice
from pathlib import Path

import highdicom as hd
import numpy as np
from numpy.typing import NDArray
from pydicom import DataElement, Dataset
from pydicom.sr.codedict import codes
from pydicom.tag import Tag
from pydicom.uid import DeflatedExplicitVRLittleEndian, UltrasoundImageStorage

from layermotion import __version__
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.masks import mask_stack
from layermotion.errors import InputError
from layermotion.exchange.codes import ANATOMY, TISSUE, site_code
from layermotion.exchange.reference import (
    MANUFACTURER,
    SERIES_NUMBER,
    concept,
    read_reference,
    save_document,
)
from layermotion.exchange.request import ExportRequest
from layermotion.labels import FULL_NAMES, STRUCTURES, Structure
from layermotion.report.content import ReportContent

# Frames of the clip in one file, so that neither writer nor reader need hold more at once: below
# 100 MB for four layers of 800 x 600 pixels (our choice).
FRAMES_A_FILE = 300
# Masks are packed so many at a time, which ends on a whole byte whatever their size.
BITS = 8
# What the two stills of a pair show.
PAIR = ("rest", "contracted")


def write_segmentations(folder: Path, content: ReportContent, request: ExportRequest) -> None:
    """Write ``outlines.seg.dcm``, or numbered files of a long clip; one for each still of a pair.

    Binary segmentations, compressed as a whole (deflate), which shrinks outlines to a hundredth.
    """
    clip, recording = content.analysis.clip, content.analysis.footage.edges
    images = [
        read_reference(path, keep_identifiers=request.keep_identifiers) for path in request.sources
    ]
    shown = _shown(recording)
    if not shown:
        raise InputError("The clip shows no structure to segment; leave seg out of --export.")
    frames = range(len(recording))
    parts = [tuple(frames[k : k + FRAMES_A_FILE]) for k in frames[::FRAMES_A_FILE]]
    names = [f"outlines-{k}" if len(parts) > 1 else "outlines" for k in range(1, len(parts) + 1)]
    if len(images) == len(PAIR):
        parts, names = [(0,), (1,)], list(PAIR)
    else:
        images *= len(parts)
    series_uid = hd.UID()
    for number, (name, image, part) in enumerate(zip(names, images, parts, strict=True), start=1):
        document = _template(image, content, shown, name, number, series_uid)
        masks = ((k, mask_stack(recording[k], clip.frame_shape, shown)) for k in part)
        _fill(document, masks, is_still=clip.is_still)
        save_document(folder / f"{name}.seg.dcm", document)


def _shown(recording: Iterable[Boundaries]) -> tuple[Structure, ...]:
    """Structures with an edge in any frame."""
    seen = np.zeros(len(STRUCTURES), bool)
    for boundaries in recording:
        seen |= np.isfinite(boundaries.superficial_px).any(axis=1)
    return tuple(np.array(STRUCTURES, object)[seen])


def _template(
    image: Dataset,
    content: ReportContent,
    shown: Sequence[Structure],
    name: str,
    number: int,
    series_uid: str,
) -> Dataset:
    """Segmentation with one empty frame for each structure."""
    # highdicom takes one frame without a frame of reference, so one frame stands for the clip here,
    # and frames and references are completed below.
    own_class = image.SOPClassUID
    image.SOPClassUID = UltrasoundImageStorage
    algorithm = hd.AlgorithmIdentificationSequence(
        name=MANUFACTURER,
        family=codes.DCM.ArtificialIntelligence,
        version=f"{__version__}, weights {content.provenance['weights']}",
    )
    kinds = hd.seg.SegmentAlgorithmTypeValues
    placed = content.analysis.footage.by_hand.placed
    segments = []
    for place, structure in enumerate(shown, start=1):
        is_organ = site_code(structure).value == site_code("bladder").value
        segments.append(
            hd.seg.SegmentDescription(
                segment_number=place,
                segment_label=FULL_NAMES[structure],
                segmented_property_category=concept(ANATOMY if is_organ else TISSUE),
                segmented_property_type=concept(site_code(structure)),
                algorithm_type=kinds.SEMIAUTOMATIC if structure in placed else kinds.AUTOMATIC,
                algorithm_identification=algorithm,
                tracking_uid=hd.UID(),
                tracking_id=f"{structure}, {name}",
            )
        )
    result = hd.seg.Segmentation(
        source_images=[image],
        pixel_array=np.zeros((1, *content.analysis.clip.frame_shape, len(shown)), bool),
        segmentation_type=hd.seg.SegmentationTypeValues.BINARY,
        segment_descriptions=segments,
        series_instance_uid=series_uid,
        series_number=SERIES_NUMBER + 1,
        sop_instance_uid=hd.UID(),
        instance_number=number,
        manufacturer=MANUFACTURER,
        manufacturer_model_name=MANUFACTURER,
        software_versions=__version__,
        device_serial_number=content.provenance["weights"],
        content_description="Signed outlines" if content.signature else "Draft outlines",
        content_label="FINAL" if content.signature else "DRAFT",
        series_description="Outlines, signed by a clinician"
        if content.signature
        else "Draft outlines, to be confirmed by a clinician",
        omit_empty_frames=False,
    )
    image.SOPClassUID = own_class
    # PS3.3, C.7.6.1: required, and empty where unknown, without a frame of reference.
    result.PatientOrientation = ""

    def complete(dataset: Dataset, element: DataElement) -> None:
        if element.keyword == "ReferencedSOPClassUID":
            element.value = own_class

    result.walk(complete)
    # highdicom shares among all frames what is the same in each; here every frame states its own.
    for group in ("SegmentIdentificationSequence", "DerivationImageSequence"):
        for shared in result.SharedFunctionalGroupsSequence:
            if group in shared:
                for item in result.PerFrameFunctionalGroupsSequence:
                    setattr(item, group, deepcopy(shared[group].value))
                delattr(shared, group)
    # The frames of a segment follow each other in time.
    by_segment = result.DimensionIndexSequence[0]
    by_time = Dataset()
    by_time.DimensionOrganizationUID = by_segment.DimensionOrganizationUID
    by_time.DimensionIndexPointer = Tag("TemporalPositionIndex")
    by_time.FunctionalGroupPointer = Tag("FrameContentSequence")
    by_time.DimensionDescriptionLabel = "Temporal Position Index"
    result.DimensionIndexSequence.append(by_time)
    return result


def _fill(
    document: Dataset, masks: Iterable[tuple[int, NDArray[np.bool_]]], *, is_still: bool
) -> None:
    """Put the masks of a clip's frames, each with its index, into a segmentation made for one."""
    blanks = list(document.PerFrameFunctionalGroupsSequence)
    items: list[Dataset] = []

    def layers() -> Iterator[NDArray[np.bool_]]:
        for index, stack in masks:
            for k in np.flatnonzero(stack.any(axis=(1, 2))).tolist():
                items.append(_item(blanks[k], k + 1, index, is_still=is_still))
                yield stack[k]

    packed, rest = [], layers()
    while group := list(islice(rest, BITS)):
        packed.append(np.packbits(np.stack(group), bitorder="little").tobytes())
    pixels = b"".join(packed)
    document.PixelData = pixels + b"\0" * (len(pixels) % 2)
    document.PerFrameFunctionalGroupsSequence = items
    document.NumberOfFrames = len(items)
    document.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian


def _item(blank: Dataset, segment: int, index: int, *, is_still: bool) -> Dataset:
    """Say which segment, and which frame of the clip counted from 1, one mask belongs to."""
    item = deepcopy(blank)
    identification = Dataset()
    identification.ReferencedSegmentNumber = segment
    item.SegmentIdentificationSequence = [identification]
    place = item.FrameContentSequence[0]
    place.TemporalPositionIndex = index + 1
    place.DimensionIndexValues = [segment, index + 1]
    if not is_still:
        source = item.DerivationImageSequence[0].SourceImageSequence[0]
        source.ReferencedFrameNumber = index + 1
    return item
