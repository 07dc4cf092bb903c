"""Owns DICOM files of a clip: a structured report of its measures, segmentations of key frames.

Both refer to the image that was measured by its UIDs, and are marked as preliminary and not
verified. Without leave to keep identifiers, patient, dates and numbers are left blank; the UIDs
still lead to the study in the archive it came from.
"""

import re
import warnings
from collections.abc import Iterator
from pathlib import Path

import highdicom as hd
import numpy as np
from highdicom import sr
from numpy.typing import NDArray
from pydicom import DataElement, Dataset, dcmread
from pydicom.errors import InvalidDicomError
from pydicom.sr.codedict import codes
from pydicom.uid import UltrasoundImageStorage

from layermotion import __version__
from layermotion.boundaries import Boundaries
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.labels import FULL_NAMES, STRUCTURES, label_of
from layermotion.measures import Measure
from layermotion.report.codes import (
    ANATOMY,
    BY_HAND,
    PROCEDURE,
    SCHEME,
    SCHEME_NAME,
    SIDES,
    TISSUE,
    Coded,
    measure_code,
    site_code,
    unit_code,
)
from layermotion.report.content import KeyFrame, ReportContent
from layermotion.report.export import ExportRequest

MANUFACTURER = "layermotion"
# Beyond what a scanner numbers its series (our choice).
SERIES_NUMBER = 9001
NEEDED = ("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
TECHNICAL = (
    "Modality",
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "ImageType",
)
# What a DICOM object must state of patient and study, blank where it is not to be known.
IDENTIFYING = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
# Values that the standard does not allow, such as 1997.04.24, are left out of what we write
# (PS3.5 6.2 for dates and times, PS3.3 C.7.1.1 for the sex).
ALLOWED = {
    "PatientBirthDate": r"\d{8}",
    "StudyDate": r"\d{8}",
    "StudyTime": r"\d{2,6}(\.\d{1,6})?",
    "PatientSex": "[MFO]",
}


def read_reference(source: Path, *, keep_identifiers: bool) -> Dataset:
    """Read what another object needs to refer to an image, and nothing else of it.

    Raises
    ------
    InputError
        If the image has no UIDs to refer to, or a form that DICOM does not know.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they may quote values of the file
            whole = dcmread(source, force=True, stop_before_pixels=True)
    except (OSError, InvalidDicomError) as error:
        raise InputError(f"{source.name} cannot be read again for its UIDs.") from error
    if not all(whole.get(keyword) for keyword in NEEDED):
        raise InputError(
            f"{source.name} lacks the UIDs of its study, so no DICOM file can refer to it; "
            f"leave sr and seg out of --export."
        )
    sop_class = whole.SOPClassUID
    if sop_class.is_private or sop_class.is_retired:
        raise InputError(
            f"{source.name} is stored in a form that DICOM has retired or does not know, which no "
            f"new file refers to; leave sr and seg out of --export."
        )
    reference = Dataset()
    for keyword in (*NEEDED, *TECHNICAL):
        if keyword in whole:
            setattr(reference, keyword, whole.get(keyword))
    for keyword in IDENTIFYING:
        kept = whole.get(keyword) if keep_identifiers else None
        is_allowed = re.fullmatch(ALLOWED.get(keyword, ".*"), str(kept))
        setattr(reference, keyword, kept if kept is not None and is_allowed else "")
    return reference


def write_report(folder: Path, content: ReportContent, request: ExportRequest) -> None:
    """Write ``measures.sr.dcm``: a Comprehensive SR after template TID 1500 (PS3.16).

    A measure that needs a person has no number; a coded remark says so in its place.
    """
    images = [
        read_reference(path, keep_identifiers=request.keep_identifiers) for path in request.sources
    ]
    device = sr.DeviceObserverIdentifyingAttributes(
        uid=hd.UID(),
        manufacturer_name=MANUFACTURER,
        model_name=MANUFACTURER,
        serial_number=content.provenance["weights"],
    )
    context = sr.ObservationContext(
        observer_device_context=sr.ObserverContext(codes.DCM.Device, device)
    )
    groups: dict[tuple[str, str], list[Measure]] = {}
    for measure in content.measures:
        groups.setdefault((measure.structure, measure.repeat), []).append(measure)
    report = sr.MeasurementReport(
        observation_context=context,
        procedure_reported=_concept(PROCEDURE),
        imaging_measurements=[
            _group(measures, images, content, request.side) for measures in groups.values()
        ],
        title=codes.DCM.ImagingMeasurementReport,
    )
    document = sr.ComprehensiveSR(
        evidence=images,
        content=report[0],
        series_instance_uid=hd.UID(),
        series_number=SERIES_NUMBER,
        sop_instance_uid=hd.UID(),
        instance_number=1,
        manufacturer=MANUFACTURER,
        is_complete=False,
        is_final=False,
        is_verified=False,
        series_description="Draft measures, to be confirmed by a clinician",
    )
    _save(folder / "measures.sr.dcm", document)


def _group(
    measures: list[Measure], images: list[Dataset], content: ReportContent, side: str | None
) -> sr.MeasurementsAndQualitativeEvaluations:
    first = measures[0]
    laterality = _concept(SIDES[side]) if side in SIDES else None
    algorithm = sr.AlgorithmIdentification(
        name=MANUFACTURER,
        version=__version__,
        parameters=[
            f"weights {content.provenance['weights']}",
            f"SHA-256 {content.provenance['weights SHA-256']}",
        ],
    )
    known = [measure for measure in measures if measure.value is not None]
    return sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(
            uid=hd.UID(),
            identifier=f"{first.structure}, {first.task}, repeat {first.repeat}",
        ),
        algorithm_id=algorithm,
        finding_sites=[sr.FindingSite(_concept(site_code(first.structure)), laterality)],
        measurements=[_number(measure, images, content.clip.is_still) for measure in known],
        qualitative_evaluations=[
            sr.QualitativeEvaluation(_concept(measure_code(measure.name)), _concept(BY_HAND))
            for measure in measures
            if measure not in known
        ],
    )


def _number(measure: Measure, images: list[Dataset], is_still: bool) -> sr.Measurement:
    if measure.value is None or measure.low is None or measure.high is None:
        raise ValueError("only a measure with a value becomes a number")
    return sr.Measurement(
        name=_concept(measure_code(measure.name)),
        value=round(measure.value, 4),
        unit=_concept(unit_code(measure.unit)),
        derivation=codes.SCT.Mean if measure.repeat == "mean" else None,
        properties=sr.MeasurementProperties(
            upper_measurement_uncertainty=round(measure.high - measure.value, 4),
            lower_measurement_uncertainty=round(measure.value - measure.low, 4),
        ),
        referenced_images=list(_frames_of(measure, images, is_still)),
    )


def _frames_of(
    measure: Measure, images: list[Dataset], is_still: bool
) -> Iterator[sr.SourceImageForMeasurement]:
    """Give the frames that a measure rests on; DICOM counts them from 1, a still has none."""
    spans = [span.partition("-") for span in measure.frames.split(";") if span]
    frames = sorted({k for a, _, b in spans for k in range(int(a), int(b or a) + 1)})
    if len(images) == 2:
        chosen: list[tuple[Dataset, list[int] | None]] = [(images[k], None) for k in frames]
    else:
        numbers = None if is_still else [k + 1 for k in frames]
        chosen = [(images[0], numbers)]
    for image, shown in chosen:
        yield sr.SourceImageForMeasurement(image.SOPClassUID, image.SOPInstanceUID, shown)


def write_segmentations(folder: Path, content: ReportContent, request: ExportRequest) -> None:
    """Write ``ROLE.seg.dcm``, a binary Segmentation of each key frame.

    One object for each frame, since ultrasound has no frame of reference that would tie several
    together.
    """
    for number, key_frame in enumerate(content.key_frames):
        source = request.sources[number if len(request.sources) == 2 else 0]
        image = read_reference(source, keep_identifiers=request.keep_identifiers)
        document = _segmentation(key_frame, image, content)
        _save(folder / f"{key_frame.role}.seg.dcm", document)


def _segmentation(key_frame: KeyFrame, image: Dataset, content: ReportContent) -> Dataset:
    # highdicom takes one frame without a frame of reference, so the frame stands for the clip
    # here, and the references are completed below.
    own_class = image.SOPClassUID
    image.SOPClassUID = UltrasoundImageStorage
    masks = mask_stack(key_frame.boundaries, key_frame.frame.pixels.shape)
    shown = [k for k in range(len(STRUCTURES)) if masks[..., k].any()]
    if not shown:
        raise InputError(
            f"The {key_frame.role} frame shows no structure to segment; leave seg out of --export."
        )
    algorithm = hd.AlgorithmIdentificationSequence(
        name=MANUFACTURER,
        family=codes.DCM.ArtificialIntelligence,
        version=f"{__version__}, weights {content.provenance['weights']}",
    )
    segments = []
    for number, k in enumerate(shown, start=1):
        structure = STRUCTURES[k]
        is_organ = site_code(structure).value == site_code("bladder").value
        segments.append(
            hd.seg.SegmentDescription(
                segment_number=number,
                segment_label=FULL_NAMES[structure],
                segmented_property_category=_concept(ANATOMY if is_organ else TISSUE),
                segmented_property_type=_concept(site_code(structure)),
                algorithm_type=hd.seg.SegmentAlgorithmTypeValues.AUTOMATIC,
                algorithm_identification=algorithm,
                tracking_uid=hd.UID(),
                tracking_id=f"{structure}, {key_frame.role}",
            )
        )
    result = hd.seg.Segmentation(
        source_images=[image],
        pixel_array=masks[None][..., shown],
        segmentation_type=hd.seg.SegmentationTypeValues.BINARY,
        segment_descriptions=segments,
        series_instance_uid=hd.UID(),
        series_number=SERIES_NUMBER + 1,
        sop_instance_uid=hd.UID(),
        instance_number=1,
        manufacturer=MANUFACTURER,
        manufacturer_model_name=MANUFACTURER,
        software_versions=__version__,
        device_serial_number=content.provenance["weights"],
        content_description=f"Draft outlines, {key_frame.role} frame",
        content_label="DRAFT",
        series_description="Draft outlines, to be confirmed by a clinician",
    )

    def complete(dataset: Dataset, element: DataElement) -> None:
        if element.keyword == "ReferencedSOPClassUID":
            element.value = own_class

    result.walk(complete)
    for item in result.PerFrameFunctionalGroupsSequence:
        for derivation in item.DerivationImageSequence:
            for source in derivation.SourceImageSequence:
                if not content.clip.is_still:
                    source.ReferencedFrameNumber = key_frame.frame.index + 1
    return result


def mask_stack(boundaries: Boundaries, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Pixels whose centre lies between the edges of each structure.

    Returns
    -------
    ndarray
        Shape (rows, columns, 5), in label order.
    """
    rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])
    masks = np.zeros((shape[0], shape[1], len(STRUCTURES)), bool)
    for structure in STRUCTURES:
        k = label_of(structure) - 1
        # Between two columns with an edge lies a straight line; a gap in between stays a gap.
        top, bottom = (
            np.interp(columns, boundaries.column_px, edge[k], left=np.nan, right=np.nan)
            for edge in (boundaries.superficial_px, boundaries.deep_px)
        )
        masks[..., k] = (rows >= top) & (rows <= bottom)
    return masks


def _concept(code: Coded) -> sr.CodedConcept:
    return sr.CodedConcept(value=code.value, scheme_designator=code.scheme, meaning=code.meaning)


def _save(target: Path, document: Dataset) -> None:
    scheme = Dataset()
    scheme.CodingSchemeDesignator = SCHEME
    scheme.CodingSchemeName = SCHEME_NAME
    document.CodingSchemeIdentificationSequence = [scheme]
    with atomic_path(target) as temporary:
        document.save_as(temporary)
