"""Owns FHIR R4: measures of one clip as a bundle of Observations, preliminary until confirmed."""

import json
from pathlib import Path
from typing import Any

from layermotion.exchange.codes import SIDES, SYSTEMS, Coded, measure_code, site_code, unit_code
from layermotion.files import write_text
from layermotion.measures.measure import Measure, Status
from layermotion.report.content import ReportContent
from layermotion.report.words import sign_words

# FHIR R4, Observation.status: nothing is final before a clinician has confirmed it.
STATUS = {
    Status.DRAFT: "preliminary",
    Status.NEEDS_MANUAL: "preliminary",
    Status.CONFIRMED: "final",
    Status.CORRECTED: "final",
}
NOTE = "Not a medical device: a draft until a licensed clinician confirms it."
CONFIRMED = "Confirmed by a licensed clinician; the tool is not a medical device."
# FHIR R4 data-absent-reason: temp-unknown, since a person is to measure it.
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"


def write_observations(folder: Path, content: ReportContent, side: str | None) -> None:
    """Write ``observations.fhir.json``, one Observation a measure; without subject or identity.

    Raises
    ------
    InputError
        If ``folder`` cannot be written.
    """
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"resource": _observation(measure, content, side, number)}
            for number, measure in enumerate(content.analysis.measures, start=1)
        ],
    }
    text = json.dumps(bundle, indent=2, ensure_ascii=False, allow_nan=False)
    write_text(folder / "observations.fhir.json", text + "\n")


def _notes(measure: Measure, content: ReportContent) -> list[str]:
    """Say how far a value may be relied on, its sign, cautions, and what was amended."""
    amendments = content.signature.amendments if content.signature else ()
    standing = CONFIRMED if STATUS[measure.status] == "final" else NOTE
    sign = sign_words(measure.name, is_lateral_known=content.analysis.is_lateral_known)
    return [
        standing,
        *((sign,) if sign else ()),
        *content.analysis.all_cautions,
        *(one.words for one in amendments),
    ]


def _observation(
    measure: Measure, content: ReportContent, side: str | None, number: int
) -> dict[str, Any]:
    words = f"{measure.task.replace('_', ' ')}, repeat {measure.repeat}"
    code = site_code(measure.structure)
    # A second coding would say the same thing again, so the side stands in the words.
    site = {**_concept(code), "text": f"{side} {code.meaning}" if side in SIDES else code.meaning}
    observation: dict[str, Any] = {
        "resourceType": "Observation",
        "id": f"{content.analysis.clip.clip_id}-{number}",
        "status": STATUS[measure.status],
        "code": {**_concept(measure_code(measure.name)), "text": f"{measure.name} ({words})"},
        "bodySite": site,
        "device": {
            "display": f"{content.provenance['software']}, weights {content.provenance['weights']}"
        },
        "note": [{"text": text} for text in _notes(measure, content)],
    }
    if measure.method:
        observation["method"] = {"text": measure.method}
    if measure.value is None or measure.low is None or measure.high is None:
        observation["dataAbsentReason"] = {
            "coding": [
                {"system": ABSENT, "code": "temp-unknown", "display": "Temporarily Unknown"}
            ],
            "text": measure.reason,
        }
        return observation
    observation["valueQuantity"] = _quantity(measure.value, measure.unit)
    observation["component"] = [
        {
            "code": _concept(measure_code(f"interval_95_{end}")),
            "valueQuantity": _quantity(value, measure.unit),
        }
        for end, value in (("low", measure.low), ("high", measure.high))
    ]
    return observation


def _coding(code: Coded) -> dict[str, str]:
    return {"system": SYSTEMS[code.scheme], "code": code.value, "display": code.meaning}


def _concept(code: Coded) -> dict[str, Any]:
    return {"coding": [_coding(code)]}


def _quantity(value: float, unit: str) -> dict[str, Any]:
    code = unit_code(unit)
    return {
        "value": round(value, 4) + 0.0,
        "unit": code.meaning,
        "system": SYSTEMS["UCUM"],
        "code": code.value,
    }
