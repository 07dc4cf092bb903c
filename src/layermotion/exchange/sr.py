"""Owns the DICOM structured report of a clip: its measures, each with the frames it rests on."""

from collections.abc import Iterable, Iterator
from pathlib import Path

import highdicom as hd
from highdicom import sr
from pydicom import Dataset
from pydicom.sr.codedict import codes

from layermotion import __version__
from layermotion.exchange.codes import (
    BY_HAND,
    EVALUATIONS,
    PROCEDURE,
    SIDES,
    measure_code,
    sign_code,
    site_code,
    unit_code,
)
from layermotion.exchange.reference import (
    MANUFACTURER,
    SERIES_NUMBER,
    concept,
    read_reference,
    save_document,
)
from layermotion.exchange.request import ExportRequest
from layermotion.measures.measure import MEAN, Measure
from layermotion.report.content import ReportContent

# Letters that a value of the representation LO holds (DICOM PS3.5, section 6.2).
LONGEST_LO = 64


def write_report(folder: Path, content: ReportContent, request: ExportRequest) -> None:
    """Write ``measures.sr.dcm``: a Comprehensive SR after template TID 1500 (PS3.16).

    A measure that needs a person has no number; a coded remark says so in its place. The method of
    a measure whose sign is a direction says which; cautions on the clip stand as comments.
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
    for measure in content.analysis.measures:
        groups.setdefault((measure.structure, measure.repeat), []).append(measure)
    report = sr.MeasurementReport(
        observation_context=context,
        procedure_reported=concept(PROCEDURE),
        imaging_measurements=[
            _group(measures, images, content, request.side) for measures in groups.values()
        ],
        title=codes.DCM.ImagingMeasurementReport,
    )
    if content.analysis.all_cautions:
        report[0].ContentSequence.append(_comments(content.analysis.all_cautions))
    document = sr.ComprehensiveSR(
        evidence=images,
        content=report[0],
        series_instance_uid=hd.UID(),
        series_number=SERIES_NUMBER,
        sop_instance_uid=hd.UID(),
        instance_number=1,
        manufacturer=MANUFACTURER,
        is_complete=content.signature is not None,
        is_final=content.signature is not None,
        # A verified report names a person and an organisation, which are not known here.
        is_verified=False,
        series_description="Measures, signed by a clinician"
        if content.signature
        else "Draft measures, to be confirmed by a clinician",
    )
    if content.signature and content.signature.amendments:
        last = content.signature.amendments[-1]
        document.CompletionFlagDescription = f"Amended by {last.who} on {last.day}"[:LONGEST_LO]
    save_document(folder / "measures.sr.dcm", document)


def _comments(cautions: Iterable[str]) -> sr.ContainerContentItem:
    """Give the part of the report in which the cautions stand."""
    contains = sr.RelationshipTypeValues.CONTAINS
    part = sr.ContainerContentItem(concept(EVALUATIONS), relationship_type=contains)
    part.ContentSequence = sr.ContentSequence(
        [sr.TextContentItem(codes.DCM.Comment, each, contains) for each in cautions]
    )
    return part


def _group(
    measures: list[Measure], images: list[Dataset], content: ReportContent, side: str | None
) -> sr.MeasurementsAndQualitativeEvaluations:
    first = measures[0]
    laterality = concept(SIDES[side]) if side in SIDES else None
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
        finding_sites=[sr.FindingSite(concept(site_code(first.structure)), laterality)],
        measurements=[_number(measure, images, content) for measure in known],
        qualitative_evaluations=[
            sr.QualitativeEvaluation(concept(measure_code(measure.name)), concept(BY_HAND))
            for measure in measures
            if measure not in known
        ],
    )


def _number(measure: Measure, images: list[Dataset], content: ReportContent) -> sr.Measurement:
    if measure.value is None or measure.low is None or measure.high is None:
        raise ValueError("only a measure with a value becomes a number")
    sign = sign_code(measure.name, is_lateral_known=content.analysis.is_lateral_known)
    return sr.Measurement(
        name=concept(measure_code(measure.name)),
        value=round(measure.value, 4),
        unit=concept(unit_code(measure.unit)),
        method=concept(sign) if sign else None,
        derivation=codes.SCT.Mean if measure.repeat == MEAN else None,
        properties=sr.MeasurementProperties(
            upper_measurement_uncertainty=round(measure.high - measure.value, 4),
            lower_measurement_uncertainty=round(measure.value - measure.low, 4),
        ),
        referenced_images=list(_frames_of(measure, images, content.analysis.clip.is_still)),
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
