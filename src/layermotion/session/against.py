"""Owns the change between two visits, against the smallest change that exceeds the error."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from layermotion.errors import InputError
from layermotion.measures.measure import MEAN
from layermotion.measures.repeats import half_of_difference
from layermotion.session.detectable import DetectableChanges
from layermotion.session.published import find_published
from layermotion.session.results import BETWEEN_SIDES, Row, check_row
from layermotion.stored import Document, read_stored

VISIT = "visit.json"
SCHEMA_VERSION = "2.0"
LARGER, WITHIN = (
    "larger than the smallest detectable change",
    "within the smallest detectable change",
)
UNSURE = f"{LARGER}, but its own interval holds zero"
UNKNOWN = "no smallest detectable change is known, so no verdict"


@dataclass(frozen=True)
class Change:
    """One measure at two visits.

    Parameters
    ----------
    change, low, high
        Now minus earlier, with its interval, in ``unit``.
    are_beyond
        Whether the value now and the earlier one are each beyond their own interval.
    detectable
        Smallest detectable change in ``unit``; None where none is known.
    verdict
        ``LARGER``, ``UNSURE``, ``WITHIN`` or ``UNKNOWN``.
    source
        Where the smallest detectable change is from; empty where none is known.
    """

    side: str
    task: str
    structure: str
    measure: str
    unit: str
    earlier: float
    now: float
    change: float
    low: float
    high: float
    are_beyond: tuple[bool, bool]
    detectable: float | None
    verdict: str
    source: str


class Signed(Document):
    """First digits of the hash of a signature in the record, and how many amendments it has."""

    mark: str
    amendments: int


@dataclass(frozen=True)
class Earlier:
    """What an earlier visit's ``visit.json`` says; ``signature`` is None of a draft."""

    rows: tuple[Row, ...]
    facts: Mapping[str, str]
    clips: frozenset[str]
    signature: Signed | None = None


class _Version(Document):
    """The entry that every version of ``visit.json`` has."""

    schema_version: str


class _Recording(Document):
    """A recording of the visit, by the hash of its pictures."""

    clip: str


class _Visit(_Version):
    """What ``visit.json`` holds of use to a later visit."""

    rows: tuple[Row, ...]
    provenance: dict[str, str]
    recordings: tuple[_Recording, ...] = ()
    signature: Signed | None = None


def read_visit(folder: Path) -> Earlier:
    """Read the table of an earlier visit.

    Raises
    ------
    InputError
        If the folder holds none, or one of a version not known here.
    """
    path = folder / VISIT
    if not path.exists():
        raise InputError(
            f"{folder} holds no {VISIT}; give a folder that layermotion session wrote."
        )
    try:
        version = read_stored(path, _Version).schema_version
        if version.split(".")[0] != SCHEMA_VERSION.split(".")[0]:
            raise InputError(
                f"{path} has schema version {version[:8]}, where {SCHEMA_VERSION} is read; measure "
                f"that visit again."
            )
        document = read_stored(path, _Visit)
        for row in document.rows:
            check_row(row)
        clips = frozenset(recording.clip for recording in document.recordings)
        return Earlier(document.rows, document.provenance, clips, document.signature)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} is not a visit of layermotion session; measure that visit again."
        ) from error


def compare_visits(
    now: Sequence[Row], earlier: Sequence[Row], own: DetectableChanges | None
) -> tuple[Change, ...]:
    """Change of every mean that both visits hold.

    Parameters
    ----------
    own
        The clinic's own smallest detectable changes; published ones are used where it has none.
    """
    before = {row.key: row for row in earlier if _takes_part(row)}
    changes = []
    for row in now:
        other = before.get(row.key) if _takes_part(row) else None
        if other is None or other.value is None or row.value is None:
            continue
        change = row.value - other.value
        half = half_of_difference(row.certainty, other.certainty)
        detectable, source = find_detectable(row, min(row.repeats, other.repeats), own)
        verdict = UNKNOWN
        if detectable is not None and abs(change) <= detectable:
            verdict = WITHIN
        elif detectable is not None:
            # A detectable change found with another way of measuring may be below our own error.
            verdict = LARGER if abs(change) > half else UNSURE
        changes.append(
            Change(
                side=row.side,
                task=row.task,
                structure=row.structure,
                measure=row.measure,
                unit=row.unit,
                earlier=other.value,
                now=row.value,
                change=change,
                low=change - half,
                high=change + half,
                are_beyond=(row.excludes_zero, other.excludes_zero),
                detectable=detectable,
                verdict=verdict,
                source=source,
            )
        )
    return tuple(changes)


def find_detectable(
    row: Row, repeats: int, own: DetectableChanges | None
) -> tuple[float | None, str]:
    """Smallest detectable change of a measure and where it is from.

    Of the clinic's own, that for visits by different raters comes first, since nobody says who
    held the probe.
    """
    for raters in ("any", "one") if own else ():
        found = own and own.find(row.measure, row.structure, row.unit, repeats, raters)
        if found and own:
            who = "any rater" if raters == "any" else "the same rater at both visits"
            mean = f"mean of {found.repeats}" if found.repeats > 1 else "single repeats"
            return found.smallest_detectable_change, f"{own.source}; {mean}, {who}"
    published = find_published(row.measure, row.structure, row.unit)
    if published is None:
        return None, ""
    return published.change, f"{published.source}; {published.conditions}"


def _takes_part(row: Row) -> bool:
    """Whether a row is a mean that can be compared, not a difference between sides."""
    is_mean = row.repeat == MEAN and row.value is not None and row.side != BETWEEN_SIDES
    return is_mean and row.is_comparable
