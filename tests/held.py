"""Owns records for tests: patients with visits, corrections and signed values."""

from datetime import date
from pathlib import Path

from layermotion.measures.measure import Status
from layermotion.record.entries import Patient, SignedValue, Visit
from layermotion.record.store import Record

WHO = "KL"


def signed_value(
    value: float = 4.0,
    clip_id: str = "c-1",
    half: float = 0.5,
    name: str = "thickness_contracted",
    unit: str = "mm",
    repeat: str = "1",
    side: str = "left",
    task: str = "draw_in",
    structure: str = "tra",
) -> SignedValue:
    return SignedValue(
        clip_id=clip_id,
        side=side,
        task=task,
        name=name,
        structure=structure,
        repeat=repeat,
        value=value,
        unit=unit,
        low=value - half,
        high=value + half,
        status=Status.CONFIRMED,
        reason="",
        frames="0-14",
        method="Inside edge to inside edge.",
    )


def begin_visit(
    record: Record, patient: Patient, day: date, clips: tuple[str, ...] = ("c-1",)
) -> Visit:
    visit = record.begin_visit(patient.patient_id, day, WHO)
    for clip_id in clips:
        record.add_clip(visit.visit_id, clip_id, {"lateral": "known"}, WHO)
    return visit


def make_record(path: Path, code: str = "P-017") -> tuple[Record, Visit]:
    """Make a record with one patient and one signed visit that was corrected and amended."""
    record = Record.open(path)
    visit = begin_visit(record, record.add_patient(code, WHO), date(2024, 3, 1))
    payload = {"frame": 7, "row_px": [31.5, 32.25]}
    record.append(visit.visit_id, "c-1", "move_edge", payload, WHO, "the edge lay on the fascia")
    record.append(visit.visit_id, "c-1", "confirm", {"keys": ["a"]}, WHO)
    visit = record.sign(visit.visit_id, [signed_value(4.0), signed_value(3.0, repeat="2")], WHO)
    record.amend(visit.visit_id, [signed_value(4.2)], "MN", "read again")
    return record, visit
