"""Owns what the record holds: patients, visits, clips, events and signed values."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date
from typing import Any, Self

from layermotion.errors import RecordError
from layermotion.labels import STRUCTURES, Task
from layermotion.measures.measure import Measure, Status
from layermotion.session.plan import Side

# What the record writes by itself; nobody else may.
PATIENT_ADDED, VISIT_BEGUN, CLIP_ADDED = "patient_added", "visit_begun", "clip_added"
SIGNED, VISIT_WITHDRAWN = "signed", "visit_withdrawn"
PATIENT_DELETED, REMAINS_CLEARED = "patient_deleted", "remains_cleared"
OWN_KINDS = (
    PATIENT_ADDED, VISIT_BEGUN, CLIP_ADDED, SIGNED, VISIT_WITHDRAWN, PATIENT_DELETED,
    REMAINS_CLEARED,
)  # fmt: skip
# The one kind that a signed visit takes.
AMENDMENT = "amendment"
# Clip, name, structure, repeat and unit tell what a value is of.
KEY_PARTS = 5
CHECKED = (Status.CONFIRMED, Status.CORRECTED)


@dataclass(frozen=True)
class Patient:
    """A person by pseudonym; the record knows no name."""

    patient_id: str
    code: str


@dataclass(frozen=True)
class Visit:
    """One visit of a patient.

    Parameters
    ----------
    day
        Of the visit, not of its entry.
    signed_by, signed_at
        Empty until it is signed; the time is in UTC, ISO 8601.
    withdrawn_by
        Who said that it was entered by mistake, so that nothing of it counts; empty where nobody.
    """

    visit_id: str
    patient_id: str
    day: date
    is_signed: bool
    signed_by: str
    signed_at: str
    withdrawn_by: str = ""

    @property
    def is_withdrawn(self) -> bool:
        """Whether nothing of it counts."""
        return bool(self.withdrawn_by)

    @property
    def folder_name(self) -> str:
        """How the folder of its final results is called; those of amendments begin with it."""
        return self.folder_of(0)

    def folder_of(self, amendments: int) -> str:
        """How the folder of its final results is called after so many amendments."""
        name = f"{self.day.isoformat()}-{self.visit_id}"
        return f"{name}-amended-{amendments}" if amendments else name


@dataclass(frozen=True)
class HeldClip:
    """A clip of a visit: its hash and what is known of it, such as ``lateral`` or ``software``."""

    clip_id: str
    facts: Mapping[str, str]


@dataclass(frozen=True)
class Event:
    """One entry of the audit trail.

    Parameters
    ----------
    number
        From 1, in the order of writing, over the whole record.
    when
        UTC, ISO 8601.
    visit_id, clip_id
        None where the event is of no visit or of no single clip.
    payload
        What happened, as JSON holds it.
    hash
        Hexadecimal; it stands for this event and all before it.
    """

    number: int
    when: str
    patient_id: str | None
    visit_id: str | None
    clip_id: str | None
    kind: str
    payload: Mapping[str, Any]
    who: str
    why: str
    hash: str


@dataclass(frozen=True)
class SignedValue:
    """One number that a clinician has confirmed or corrected; else as ``Measure``."""

    clip_id: str
    side: str
    task: str
    name: str
    structure: str
    repeat: str
    value: float
    unit: str
    low: float | None
    high: float | None
    status: Status
    reason: str
    frames: str
    method: str

    def __post_init__(self) -> None:
        what = f"{self.structure} {self.name}, repeat {self.repeat}"
        if self.status not in CHECKED:
            raise RecordError(f"{what} is neither confirmed nor corrected; look at it, then sign.")
        numbers = (self.value, self.low, self.high)
        if self.value is None or not all(math.isfinite(x) for x in numbers if x is not None):
            raise RecordError(f"{what} has no value; leave it out, or measure it by hand.")
        if self.side not in tuple(Side) or self.structure not in STRUCTURES:
            raise RecordError(
                f"{what} has the side {self.side}; give one of {', '.join(Side)}, and one of "
                f"{', '.join(STRUCTURES)} as the structure."
            )
        if self.task not in (*Task, "unstated"):
            raise RecordError(f"{what} has the task {self.task}; give one of {', '.join(Task)}.")

    @property
    def key(self) -> tuple[str, ...]:
        """What the value is of; an amendment replaces the value of the same key."""
        return self.clip_id, self.name, self.structure, self.repeat, self.unit

    @classmethod
    def of(cls, clip_id: str, side: str, measure: Measure) -> Self:
        """Make the signed value of a measure that was confirmed or corrected."""
        return cls(clip_id=clip_id, side=side, **asdict(measure))

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Self:
        """Read a value back.

        Raises
        ------
        RecordError
            If it is none.
        """
        try:
            parts = {field.name: document[field.name] for field in fields(cls)}
            return cls(**{**parts, "status": Status(parts["status"])})
        except (KeyError, TypeError, ValueError) as error:
            raise RecordError(
                "An entry holds no signed value; give all fields of a measure, clip_id and side."
            ) from error

    def to_json(self) -> dict[str, Any]:
        """Value as JSON holds it."""
        return asdict(self)


def read_withdrawn(payload: Mapping[str, Any]) -> set[tuple[str, ...]]:
    """Keys of the signed values that an amendment withdraws; none where it withdraws none.

    Raises
    ------
    RecordError
        If an entry is no key.
    """
    keys = payload.get("withdrawn", [])
    if not isinstance(keys, list) or not all(
        isinstance(key, list) and list(map(type, key)) == [str] * KEY_PARTS for key in keys
    ):
        raise RecordError(
            "An amendment withdraws what is no value; give clip, name, structure, repeat and unit."
        )
    return {tuple(key) for key in keys}


def read_facts(payload: Mapping[str, Any]) -> Mapping[str, Mapping[str, str]]:
    """Facts of clips, by their hashes, that an amendment puts in place of those held.

    Raises
    ------
    RecordError
        If an entry is none.
    """
    facts = payload.get("facts", {})
    if not isinstance(facts, dict) or not all(
        isinstance(own, dict)
        and all(isinstance(part, str) for pair in own.items() for part in pair)
        for own in facts.values()
    ):
        raise RecordError("An amendment holds facts that are no names with texts; give them so.")
    return facts


def read_values(payload: Mapping[str, Any]) -> Sequence[SignedValue]:
    """Values that a payload holds under ``values``; none where it holds none."""
    return [SignedValue.from_json(document) for document in payload.get("values", ())]
