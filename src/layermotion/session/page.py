"""Owns visit.html: one self-contained page of a whole visit, for a clinician to check and sign."""

import base64
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from layermotion.caution import Signature
from layermotion.labels import STRUCTURES, Structure, Task
from layermotion.measures.measure import MEAN
from layermotion.measures.repeats import MEAN_METHOD
from layermotion.report.palette import short_name
from layermotion.report.patterns import QUIET_NOTE
from layermotion.report.words import (
    environment,
    interval_words,
    is_change,
    measure_words,
    number_words,
    said_once,
    signed_words,
    task_words,
    unit_words,
)
from layermotion.session.against import LARGER, UNKNOWN, UNSURE, WITHIN, Change
from layermotion.session.intervals import DRAWING_WIDTH, Drawing, Kind, draw_intervals
from layermotion.session.plan import Item, Side
from layermotion.session.published import BY_HAND, COSTA_2009, NONE_FOR_BASE
from layermotion.session.record import KEY_TASKS, key_numbers, lines_to_confirm, nothing_seen_words
from layermotion.session.results import (
    BETWEEN_SIDES,
    EFFECT_METHOD,
    PRELIFT_EFFECT,
    SIDES_METHOD,
    Row,
)
from layermotion.session.sentences import (
    change_sentences,
    effect_sentences,
    manual_groups,
    pattern_sentences,
    place_words,
    side_sentences,
)
from layermotion.session.visit import Visit

# Lines at the head of the record.
FILLED_IN = ("Patient", "Number", "Date", "Position", "Bladder filling")
# The verdicts as they read beside the column of the smallest detectable change.
VERDICTS = {
    LARGER: "larger",
    UNSURE: "larger, but within this tool's own error",
    WITHIN: "within",
    UNKNOWN: "no verdict",
}
HEALTHY_SIDES = (
    "In healthy people the thickness of a single muscle differed by 13 to 24 % between the sides "
    "(Rankin, Stokes, Newham 2006, Muscle Nerve 34(3):320-326), so a difference alone is no "
    "finding."
)


@dataclass(frozen=True)
class _Cell:
    """One value as words."""

    value: str
    unit: str
    interval: str
    repeats: str
    is_within_error: bool


@dataclass(frozen=True)
class _Line:
    """One measure of a structure or task, side by side."""

    label: str
    look: str
    measure: str
    cells: tuple[_Cell | None, ...]
    difference: _Cell | None


@dataclass(frozen=True)
class _Part:
    """One section of the visit with its table."""

    title: str
    heading: str
    sides: tuple[str, ...]
    lines: tuple[_Line, ...]
    drawing: Drawing | None


@dataclass(frozen=True)
class _Between:
    """One measure at two visits, as words."""

    where: str
    structure: str
    look: str
    measure: str
    earlier: str
    now: str
    change: str
    interval: str
    detectable: str
    verdict: str
    is_larger: bool
    unit: str


def _depth(structure: str) -> int:
    return STRUCTURES.index(Structure(structure)) if structure in STRUCTURES else len(STRUCTURES)


WALL = Kind("Structure", lambda row: row.structure, short_name, _depth, 92.0)
# Tasks stay in the order in which they were recorded.
BASE = Kind(
    "Task", lambda row: row.task, lambda task: task_words(task).capitalize(), lambda _: 0, 215.0
)


def build_visit_page(
    visit: Visit,
    pictures: Mapping[str, bytes],
    patient: Mapping[str, str] | None = None,
    signature: Signature | None = None,
) -> str:
    """Write the page as one HTML text; its only links lead to the recordings' own pages.

    Parameters
    ----------
    pictures
        JPEG files of key frames by the name of their recording.
    patient
        What is known of patient and day, by the names in ``FILLED_IN``; blank lines else.
    signature
        Of the clinician who confirmed all of it; None of a draft.
    """
    effects = [row for row in visit.rows if row.measure == PRELIFT_EFFECT]
    cautions: dict[str, list[str]] = {}
    for one in visit.recorded:
        for words in one.cautions:
            cautions.setdefault(words, []).append(one.item.name)
    methods = [row.method for row in visit.rows if row.repeat != MEAN and row.value is not None]
    is_wall = any(row.measure == "thickness_change" for row in visit.rows)
    combined = [
        *([QUIET_NOTE] if is_wall else []),
        MEAN_METHOD,
        SIDES_METHOD,
        *([EFFECT_METHOD] if effects else []),
    ]
    return environment("session").get_template("visit.html.j2").render(
        visit=visit,
        signature=signature,
        key_numbers=key_numbers(visit.rows),
        lines=lines_to_confirm(visit.rows),
        patient=_patient_lines(visit, patient or {}),
        nothing_seen=nothing_seen_words(visit),
        front=list(_front_pictures(visit, pictures)),
        has_bladder=any(row.structure == Structure.BLADDER for row in visit.rows),
        patterns=list(pattern_sentences(visit.rows)),
        side_words=list(side_sentences(visit.rows)),
        has_sides=any(row.side == BETWEEN_SIDES for row in visit.rows),
        effect_words=list(effect_sentences(visit.rows)),
        effects=[(_effect_title(row), _cell(row, ())) for row in effects],
        change_words=list(change_sentences(visit.changes or ())),
        between=[_between(change) for change in visit.changes or ()],
        sources=list(dict.fromkeys(c.source for c in visit.changes or () if c.source)),
        source_notes=list(_source_notes(visit.changes or ())),
        parts=list(_parts(visit.rows)),
        pictures=list(_pictures(visit, pictures)),
        manual=manual_groups(visit.rows),
        advice=list(_advice(visit).items()),
        cautions=list(cautions.items()),
        methods=said_once((*methods, *combined)),
        healthy_sides=HEALTHY_SIDES,
        width=DRAWING_WIDTH,
    )  # fmt: skip


def _source_notes(changes: Sequence[Change]) -> Iterator[str]:
    """Say what a reader must know of where smallest detectable changes are from, or missing."""
    if any(change.source.startswith(COSTA_2009) for change in changes):
        yield BY_HAND
    if any(change.structure == Structure.BLADDER and not change.source for change in changes):
        yield NONE_FOR_BASE


def _advice(visit: Visit) -> dict[str, list[str]]:
    """Give what to do at the next recording, with the recordings that ask for it."""
    found: dict[str, list[str]] = {}
    for one in visit.recorded:
        for words in one.advice:
            found.setdefault(words, []).append(one.item.name)
    return found


def _patient_lines(visit: Visit, known: Mapping[str, str]) -> list[tuple[str, str]]:
    """Lines of the head of the record, blank where they are filled in by hand."""
    recorded = {one.item.side for one in visit.recorded}
    sides = ", ".join(side for side in Side if side in recorded)
    return [(name, known.get(name, "")) for name in FILLED_IN] + [("Sides", sides)]


def _front_pictures(
    visit: Visit, pictures: Mapping[str, bytes]
) -> Iterator[tuple[str, str, float]]:
    """Pictures for the first page with their share of its width, all at one scale.

    Of the first task of which any shows an effort: left and right, else the midline.
    """
    items = [one for one in visit.recorded if one.item.name in pictures and one.shows_effort]
    for task in dict.fromkeys([*KEY_TASKS, *Task]):
        chosen = {one.item.side: one for one in reversed(items) if one.item.task == task}
        sides = [side for side in Side if side in chosen]
        if sides:
            break
    else:
        return
    widths = {side: chosen[side].picture_width_mm for side in sides}
    known = [width for width in widths.values() if width]
    for side in sides:
        one = chosen[side]
        data = base64.b64encode(pictures[one.item.name]).decode("ascii")
        width = widths[side]
        share = width / max(known) if width and len(known) == len(sides) else 1.0
        yield _recording_words(one.item), f"data:image/jpeg;base64,{data}", round(100 * share, 1)


def _pictures(visit: Visit, pictures: Mapping[str, bytes]) -> Iterator[tuple[str, str]]:
    """Words for each pictured recording, and its picture as an address, task by task."""
    items = [one.item for one in visit.recorded if one.item.name in pictures]
    tasks = list(dict.fromkeys(item.task for item in items))
    for item in sorted(items, key=lambda item: tasks.index(item.task)):
        data = base64.b64encode(pictures[item.name]).decode("ascii")
        yield _recording_words(item), f"data:image/jpeg;base64,{data}"


def _recording_words(item: Item) -> str:
    """Words for a recording, such as ``Left, draw-in, recording 1``."""
    return f"{place_words(item.side, item.task)}, recording {item.repeat}"


def _parts(rows: Sequence[Row]) -> Iterator[_Part]:
    """One part for each task of the wall as recorded, and one for the bladder base in all."""
    wall = [row for row in rows if row.structure != Structure.BLADDER and row.task in list(Task)]
    for task in dict.fromkeys(row.task for row in wall):
        own = [row for row in wall if row.task == task]
        if any(row.repeat == MEAN and row.value is not None for row in own):
            yield _part(own, task_words(task).capitalize(), WALL)
    base = [row for row in rows if row.structure == Structure.BLADDER and row.task in list(Task)]
    if any(row.repeat == MEAN and row.value is not None for row in base):
        yield _part(base, "Bladder base", BASE)


def _part(own: Sequence[Row], title: str, kind: Kind) -> _Part:
    # A mean without a value is told where one of its repeats has one.
    valued = {row.key for row in own if row.value is not None}
    means = [row for row in own if row.repeat == MEAN and row.key in valued]
    sides = tuple(side for side in Side if any(row.side == side for row in means))
    keys = dict.fromkeys((kind.group(row), row.measure, row.unit) for row in means)
    lines = []
    for name, measure, unit in sorted(keys, key=lambda key: kind.order(key[0])):
        group = [r for r in own if (kind.group(r), r.measure, r.unit) == (name, measure, unit)]
        at = {row.side: row for row in group if row.repeat == MEAN and row.key in valued}
        lines.append(
            _Line(
                label=kind.label(name),
                look=name if name in STRUCTURES else "",
                measure=_measure_words(measure, group),
                cells=tuple(
                    _cell(at[side], [row for row in group if row.side == side])
                    if side in at
                    else None
                    for side in sides
                ),
                difference=_cell(at[BETWEEN_SIDES], ()) if BETWEEN_SIDES in at else None,
            )
        )
    return _Part(title, kind.heading, sides, tuple(lines), draw_intervals(own, title, kind))


def _measure_words(measure: str, group: Sequence[Row]) -> str:
    """Words for a measure, and what is positive in its values on each side."""
    values = [row for row in group if row.value is not None and row.side != BETWEEN_SIDES]
    known = {row.side for row in values if not row.is_way_unknown}
    unclear = list(dict.fromkeys(row.side for row in values if row.side not in known))
    words = signed_words(measure, is_lateral_known=bool(known))
    if known and unclear:
        return f"{words.removesuffix(')')}; {' and '.join(unclear)}: + is to the right)"
    return words


def _cell(row: Row, group: Iterable[Row]) -> _Cell:
    single = [item.value for item in group if item.repeat != MEAN]
    known = [value for value in single if value is not None]
    words = " · ".join(number_words(value, row.unit) for value in known)
    if len(single) > len(known):
        words += f" ({len(known)} of {len(single)} repeats)"
    if row.value is None or row.low is None or row.high is None:
        unit = _short_unit(row.unit, False)
        return _Cell("no mean", "", "", f"{words} {unit}".strip(), is_within_error=False)
    is_difference = row.side == BETWEEN_SIDES or row.measure == PRELIFT_EFFECT
    return _Cell(
        value=number_words(row.value, row.unit),
        unit=_short_unit(row.unit, is_difference),
        interval=interval_words(row.low, row.high, row.unit),
        repeats=words if len(single) > 1 else "",
        is_within_error=(is_difference or is_change(row.measure)) and not row.excludes_zero,
    )


def _short_unit(unit: str, is_difference: bool) -> str:
    words = unit_words(unit, is_difference=is_difference).strip()
    return words.replace("percentage points", "points")


def _effect_title(row: Row) -> str:
    plain = task_words(row.task.rpartition("-")[2])
    place = "" if row.side == Side.MIDLINE else f", {row.side}"
    return f"{plain.capitalize()}{place}"


def _between(change: Change) -> _Between:
    words = task_words(change.task) if "-" not in change.task else "effect of the lift"
    side = "" if change.side == Side.MIDLINE else f"{change.side}, "
    where = f"{side}{words}"
    detectable = change.detectable
    limit = None if detectable is None else math.copysign(detectable, change.change)
    return _Between(
        where=where[0].upper() + where[1:],
        structure=short_name(change.structure),
        look=change.structure if change.structure in STRUCTURES else "",
        measure=measure_words(change.measure),
        earlier=number_words(change.earlier, change.unit),
        now=number_words(change.now, change.unit),
        change=number_words(change.change, change.unit, limit),
        interval=interval_words(change.low, change.high, change.unit),
        detectable="none known"
        if detectable is None
        else number_words(detectable, change.unit, abs(change.change)),
        verdict=VERDICTS[change.verdict],
        is_larger=change.verdict == LARGER,
        unit=_short_unit(change.unit, True),
    )
