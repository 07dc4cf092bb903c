"""Owns the record of a visit: what stands before the appendix, for a clinician to sign."""

from collections.abc import Sequence
from dataclasses import dataclass

from layermotion.labels import Structure, Task
from layermotion.measures.measure import MEAN
from layermotion.report.palette import short_name
from layermotion.report.words import interval_words, number_words, task_words, unit_words
from layermotion.session.direction import SLID_ON_PICTURE, WAYS
from layermotion.session.plan import Side
from layermotion.session.results import BETWEEN_SIDES, Row
from layermotion.session.visit import Visit

# What a clinician asks for first, in this order; six of what was measured are shown (our choice).
MOST_KEY_NUMBERS = 6
KEY_MEASURES = (
    ("thickness_change", "%", Structure.TRA),
    ("base_displacement", "mm", Structure.BLADDER),
    ("thickness_rest", "mm", Structure.TRA),
    ("slide", "mm", Structure.TRA),
    ("thickness_contracted", "mm", Structure.TRA),
)
KEY_TASKS = (Task.DRAW_IN, Task.PELVIC_FLOOR_LIFT, Task.COUGH, Task.COUGH_PRELIFT)
# What a person can check against the picture, and so confirms; all else follows from it.
CONFIRMED = ("thickness_rest", "thickness_contracted", "slide", "base_displacement")
STATES = {"thickness_rest": "rest", "thickness_contracted": "contracted"}


@dataclass(frozen=True)
class KeyNumber:
    """One number in large type, with what it is and its interval."""

    title: str
    value: str
    unit: str
    interval: str
    repeats: str
    look: str


@dataclass(frozen=True)
class Line:
    """One structure in one task and side, with the values to confirm: words, or None."""

    where: str
    structure: str
    look: str
    values: tuple[str | None, ...]


def key_numbers(rows: Sequence[Row]) -> tuple[KeyNumber, ...]:
    """At most six numbers, the most asked for first, each side by itself."""
    means = [r for r in rows if r.repeat == MEAN and r.value is not None and _is_own(r)]
    tasks = [*KEY_TASKS, *(task for task in Task if task not in KEY_TASKS)]
    chosen = [
        row
        for measure, unit, structure in KEY_MEASURES
        for task in tasks
        for side in Side
        for row in means
        if (row.measure, row.unit, row.structure) == (measure, unit, structure)
        and (row.task, row.side) == (task, side)
    ]
    return tuple(_key_number(row) for row in chosen[:MOST_KEY_NUMBERS])


def _is_own(row: Row) -> bool:
    return row.side != BETWEEN_SIDES and row.task in list(Task)


def _key_number(row: Row) -> KeyNumber:
    assert row.value is not None and row.low is not None and row.high is not None
    side = "" if row.side == Side.MIDLINE else f", {row.side}"
    ways = SLID_ON_PICTURE if row.is_way_unknown else WAYS.get(row.measure)
    name = "bladder base" if row.structure == Structure.BLADDER else short_name(row.structure)
    state = STATES.get(row.measure)
    value, low, high = row.value, row.low, row.high
    words = f" {state}"
    if ways and row.excludes_zero:
        # The verb says the way.
        words = f" {ways.up if value > 0 else ways.down}"
        value, (low, high) = abs(value), sorted((abs(low), abs(high)))
    elif ways:
        what = "change" if "change" in row.measure else "movement"
        words = f", no {what} beyond error"
    return KeyNumber(
        title=f"{task_words(row.task).capitalize()}{side}: {name}{words}",
        value=number_words(value, row.unit, 0.0 if row.excludes_zero else None),
        unit=unit_words(row.unit).strip(),
        interval=interval_words(low, high, row.unit),
        repeats="one repeat" if row.repeats == 1 else f"mean of {row.repeats}",
        look=row.structure,
    )


def lines_to_confirm(rows: Sequence[Row]) -> tuple[Line, ...]:
    """Means of what was measured on the picture, one line for each structure in its place."""
    means = [r for r in rows if r.repeat == MEAN and _is_own(r) and r.unit == "mm"]
    keys = dict.fromkeys(
        (row.side, row.task, row.structure) for row in means if row.measure in CONFIRMED
    )
    tasks = list(dict.fromkeys(task for _, task, _ in keys))

    def place(key: tuple[str, str, str]) -> tuple[int, int, int]:
        """Sides and structures in their usual order, tasks as they were recorded."""
        side, task, structure = key
        order = list(Side).index(Side(side)), tasks.index(task)
        return *order, list(Structure).index(Structure(structure))

    lines = []
    for side, task, structure in sorted(keys, key=place):
        own = {
            row.measure: _to_confirm(row)
            for row in means
            if (row.side, row.task, row.structure) == (side, task, structure)
        }
        values = tuple(own.get(name) for name in CONFIRMED)
        if any(values):
            beside = "" if side == Side.MIDLINE else f"{side}, "
            where = f"{beside}{task_words(task)}"
            name = "Bladder base" if structure == Structure.BLADDER else short_name(structure)
            lines.append(Line(where[0].upper() + where[1:], name, structure, values))
    return tuple(lines)


def _to_confirm(row: Row) -> str | None:
    """Value of a mean in words; a slide without a known direction as it went on the picture."""
    if row.value is None:
        return None
    if row.is_way_unknown:
        return f"{number_words(abs(row.value), 'mm')} to the {'right' if row.value > 0 else 'left'}"
    return number_words(row.value, "mm")


def nothing_seen_words(visit: Visit) -> str:
    """Say why there is no sentence on what was seen."""
    if not visit.recorded:
        return "No recording could be measured; the reasons are in the appendix."
    tasks = {one.item.task for one in visit.recorded}
    if tasks == {Task.REST}:
        return "Only rest was recorded, so there is no change to see."
    return (
        "No change could be measured in any recording; the reasons are in the appendix, with what "
        "to do at the next take."
    )
