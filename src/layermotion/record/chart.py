"""Owns the course of each measure over all visits of a patient, and two visits compared."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from layermotion.errors import RecordError
from layermotion.measures.measure import MEAN, Measure
from layermotion.record.entries import HeldClip, SignedValue, Visit
from layermotion.record.store import Record
from layermotion.report.palette import short_name
from layermotion.report.words import number_words, unit_words
from layermotion.session.against import LARGER, Change, compare_visits, find_detectable
from layermotion.session.detectable import DetectableChanges
from layermotion.session.direction import compared, subject
from layermotion.session.recorded import is_lateral_known
from layermotion.session.results import BETWEEN_SIDES, PRELIFT_EFFECT, Row, rows_of, summarise
from layermotion.session.sentences import change_sentences

NOT_SIGNED = "The visit is not signed, so it has no values yet."
NOT_MEASURED = "Not among the signed values of this visit."
FIRST = "The first value; the later ones are held against it."
# Facts of clips that must be alike at all visits, and how they differ otherwise.
ALIKE = {"weights": "with different weights", "place": "at different sites"}


@dataclass(frozen=True)
class VisitRows:
    """A visit with the rows of its signed values: repeats, means and differences.

    Parameters
    ----------
    clips
        Those of which there are values, with what is known of them.
    """

    visit: Visit
    rows: tuple[Row, ...]
    clips: tuple[HeldClip, ...] = ()


@dataclass(frozen=True)
class Key:
    """What a chart is of."""

    side: str
    task: str
    structure: str
    measure: str
    unit: str


@dataclass(frozen=True)
class Point:
    """One measure at one visit.

    Parameters
    ----------
    value, low, high
        Mean of the repeats with its interval; None where there is none.
    repeats
        How many repeats the value rests on.
    detectable
        Smallest detectable change from the first value, in the unit of the chart; None where none
        is known.
    change
        Against the first value; None for the first, and without a value.
    words
        One sentence: what changed, or why there is no value.
    """

    visit_id: str
    day: date
    value: float | None
    low: float | None
    high: float | None
    repeats: int
    detectable: float | None
    change: Change | None
    words: str

    @property
    def is_beyond(self) -> bool:
        """Whether it differs from the first value by more than any error."""
        return self.change is not None and self.change.verdict == LARGER


@dataclass(frozen=True)
class Chart:
    """The course of one measure.

    Parameters
    ----------
    points
        One for each visit, by day.
    first
        The first value that the others are held against; the band lies around it.
    source
        Where the smallest detectable change is from; empty where none is known.
    """

    key: Key
    points: tuple[Point, ...]
    first: float
    source: str


@dataclass(frozen=True)
class Comparison:
    """Two visits of a patient: every change, and sentences on those that are beyond error."""

    earlier: Visit
    now: Visit
    changes: tuple[Change, ...]
    sentences: tuple[str, ...]


def read_visits(record: Record, patient_id: str) -> tuple[VisitRows, ...]:
    """All visits of a patient that count, with their rows, by day.

    Raises
    ------
    RecordError
        If there is no such patient.
    """
    found = []
    for visit in record.visits(patient_id):
        clips = record.clips(visit.visit_id)
        rows = summarise(list(_own_rows(record.values(visit.visit_id), clips)))
        told = {row.clip for row in rows}
        found.append(VisitRows(visit, rows, tuple(c for c in clips if c.clip_id in told)))
    return tuple(found)


def unlike(visits: Sequence[VisitRows]) -> tuple[str, ...]:
    """Say in what clips of one side and task were not measured alike, a sentence each."""
    # Earlier versions kept the site alone, which a person may have moved.
    facts = [
        {"place": c.facts["site"], **c.facts} if "site" in c.facts else c.facts
        for one in visits
        for c in one.clips
    ]
    sentences = []
    for name, how in ALIKE.items():
        alike: dict[tuple[str | None, str | None], set[str]] = {}
        for each in facts:
            if name in each:
                alike.setdefault((each.get("side"), each.get("task")), set()).add(each[name])
        values = sorted(set().union(*(found for found in alike.values() if len(found) > 1)))
        if values:
            sentences.append(
                f"Clips of these visits were measured {how} ({', '.join(values)}), so a change may "
                f"come from that; measure them again in one way."
            )
    return tuple(sentences)


def charts(visits: Sequence[VisitRows], own: DetectableChanges | None) -> tuple[Chart, ...]:
    """One chart for each measure that has a value at any visit, in the order of their rows.

    Parameters
    ----------
    own
        The clinic's own smallest detectable changes; published ones are used where it has none.
    """
    keys = dict.fromkeys(_key(row) for one in visits for row in one.rows if _is_charted(row))
    return tuple(_chart(key, visits, own) for key in keys)


def compare(one: VisitRows, other: VisitRows, own: DetectableChanges | None) -> Comparison:
    """Compare two visits, the later one with the earlier, in whichever order they come.

    Raises
    ------
    RecordError
        If they are one visit, of two patients, or not both signed.
    """
    earlier, now = sorted((one, other), key=lambda each: each.visit.day)
    if earlier.visit.visit_id == now.visit.visit_id:
        raise RecordError("A visit cannot be compared with itself; choose another one.")
    if earlier.visit.patient_id != now.visit.patient_id:
        raise RecordError("The visits are of two patients; choose two of one patient.")
    for each in (earlier, now):
        if not each.visit.is_signed:
            raise RecordError(f"The visit of {each.visit.day} is not signed; sign it first.")
    changes = compare_visits(now.rows, earlier.rows, own)
    return Comparison(earlier.visit, now.visit, changes, tuple(change_sentences(changes)))


def _own_rows(values: Sequence[SignedValue], clips: Sequence[HeldClip]) -> Iterator[Row]:
    """Rows of the repeats, recordings of one side and task numbered as they were added."""
    numbers: dict[tuple[str, str], int] = {}
    for clip in clips:
        own = [value for value in values if value.clip_id == clip.clip_id]
        for side, task in dict.fromkeys((value.side, value.task) for value in own):
            numbers[side, task] = numbers.get((side, task), 0) + 1
            measures = [_measure(v) for v in own if (v.side, v.task) == (side, task)]
            yield from rows_of(
                measures,
                side=side,
                task=task,
                number=numbers[side, task],
                clip=clip.clip_id,
                is_lateral_known=is_lateral_known(clip.facts),
            )


def _measure(value: SignedValue) -> Measure:
    """Signed value as a measure; the reason for a correction is none against comparing it."""
    return Measure(
        name=value.name,
        structure=value.structure,
        task=value.task,
        repeat=value.repeat,
        value=value.value,
        unit=value.unit,
        low=value.low,
        high=value.high,
        status=value.status,
        reason="",
        frames=value.frames,
        method=value.method,
    )


def _key(row: Row) -> Key:
    return Key(row.side, row.task, row.structure, row.measure, row.unit)


def _is_charted(row: Row) -> bool:
    is_mean = row.repeat == MEAN and row.value is not None and row.is_comparable
    return is_mean and row.side != BETWEEN_SIDES and row.measure != PRELIFT_EFFECT


def _chart(key: Key, visits: Sequence[VisitRows], own: DetectableChanges | None) -> Chart:
    first: Row | None = None
    source = ""
    points = []
    for one in visits:
        means = [row for row in one.rows if _key(row) == key and row.repeat == MEAN]
        row = next((row for row in means if _is_charted(row)), None)
        if row is None or row.value is None:
            reasons = [row.reason for row in means if row.reason]
            words = NOT_MEASURED if one.visit.is_signed else NOT_SIGNED
            points.append(_missing(one.visit, reasons[0] if reasons else words))
            continue
        first = first or row
        detectable, found = find_detectable(row, min(row.repeats, first.repeats), own)
        source = source or found
        change = None if row is first else compare_visits([row], [first], own)[0]
        points.append(
            Point(
                visit_id=one.visit.visit_id,
                day=one.visit.day,
                value=row.value,
                low=row.low,
                high=row.high,
                repeats=row.repeats,
                detectable=detectable,
                change=change,
                words=FIRST if change is None else change_words(change),
            )
        )
    if first is None or first.value is None:
        raise ValueError("a chart has at least one value")
    return Chart(key, tuple(points), first.value, source)


def _missing(visit: Visit, reason: str) -> Point:
    return Point(
        visit_id=visit.visit_id,
        day=visit.day,
        value=None,
        low=None,
        high=None,
        repeats=0,
        detectable=None,
        change=None,
        words=reason,
    )


def change_words(change: Change) -> str:
    """Say how a value compares with the first one; by direction only where it is beyond error."""
    if change.verdict != LARGER or change.detectable is None:
        return f"Against the first value: {change.verdict}."
    what = subject(change.measure, short_name(change.structure))
    clause = compared(
        change.measure,
        change.unit,
        change.now,
        change.earlier,
        "at the first visit",
        change.are_beyond,
        change.detectable,
    )
    size = number_words(change.detectable, change.unit, abs(change.change))
    unit = unit_words(change.unit, is_difference=True)
    sentence = f"{what} {clause}, {change.verdict} of {size}{unit}."
    return sentence[0].upper() + sentence[1:]
