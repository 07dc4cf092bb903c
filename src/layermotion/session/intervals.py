"""Owns the drawing of a visit's means with their intervals, as places along one axis."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from layermotion.measures.measure import MEAN
from layermotion.report.words import measure_words, number_words
from layermotion.session.plan import Side
from layermotion.session.results import BETWEEN_SIDES, Row
from layermotion.session.sentences import DISPLACEMENT

# What the picture of each task shows, of all its measures.
SHOWN = (("thickness_change", "%"), (DISPLACEMENT, "mm"))
# Steps that the axis of such a picture may have, and how many at most.
STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500)
MOST_TICKS = 8
# Size of the drawing in its own units: about one on the screen.
DRAWING_WIDTH, ROW_HEIGHT = 620.0, 30.0


@dataclass(frozen=True)
class Mark:
    """Mean with its interval, and the repeats behind it, as places along the drawing."""

    side: str
    middle: float
    low: float
    high: float
    repeats: tuple[float, ...]
    row: float


@dataclass(frozen=True)
class Drawing:
    """Means with intervals of one measure of a task."""

    title: str
    labels: tuple[tuple[str, str, float], ...]
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, str], ...]
    zero: float
    label_end: float
    height: float
    description: str


@dataclass(frozen=True)
class Kind:
    """How the rows of a section are put into lines.

    Parameters
    ----------
    heading
        Of the first column.
    group, label, order
        What a row is listed under, the words for it, and its place; equal places keep the order of
        the rows.
    label_width
        Room for the words in the drawing.
    """

    heading: str
    group: Callable[[Row], str]
    label: Callable[[str], str]
    order: Callable[[str], int]
    label_width: float


def draw_intervals(rows: Sequence[Row], title: str, kind: Kind) -> Drawing | None:
    """Draw the measure of a section that is shown; None where it has no value."""
    for measure, unit in SHOWN:
        shown = [
            row
            for row in rows
            if (row.measure, row.unit) == (measure, unit)
            and row.side != BETWEEN_SIDES
            and row.value is not None
        ]
        if shown:
            return _draw(shown, f"{measure_words(measure).capitalize()}, {unit}", title, kind)
    return None


def _draw(rows: Sequence[Row], words: str, title: str, kind: Kind) -> Drawing:
    """Place means, intervals and repeats on one axis that holds zero."""
    means = [row for row in rows if row.repeat == MEAN]
    ends = [0.0]
    for row in rows:
        ends += [end for end in (row.value, row.low, row.high) if end is not None]
    low, high = min(ends), max(ends)
    step = next((step for step in STEPS if (high - low) / step <= MOST_TICKS), STEPS[-1])
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    room = DRAWING_WIDTH - kind.label_width - 16

    def place(value: float) -> float:
        return round(kind.label_width + (value - low) / ((high - low) or 1) * room, 2)

    names = sorted(dict.fromkeys(kind.group(row) for row in means), key=kind.order)
    sides = [side for side in Side if any(row.side == side for row in means)]
    pitch = ROW_HEIGHT if len(sides) > 1 else ROW_HEIGHT * 0.8
    middles = {name: (number + 0.5) * pitch + 4 for number, name in enumerate(names)}
    marks = []
    for row in means:
        if row.value is None or row.low is None or row.high is None:
            continue
        beside = [r for r in rows if (r.side, kind.group(r)) == (row.side, kind.group(row))]
        values = [r.value for r in beside if r.repeat != MEAN and r.value is not None]
        shift = (sides.index(Side(row.side)) - (len(sides) - 1) / 2) * 11
        marks.append(
            Mark(
                side=row.side,
                middle=place(row.value),
                low=place(row.low),
                high=place(row.high),
                repeats=tuple(place(value) for value in values) if len(values) > 1 else (),
                row=middles[kind.group(row)] + shift,
            )
        )
    ticks = [low + k * step for k in range(round((high - low) / step) + 1)]
    return Drawing(
        title=words,
        labels=tuple((kind.label(name), name, middles[name]) for name in names),
        marks=tuple(marks),
        ticks=tuple((place(tick), number_words(tick, "%")) for tick in ticks),
        zero=place(0.0),
        label_end=kind.label_width - 16,
        height=len(names) * pitch + 8,
        description=f"{words}; {title}: mean of repeats with its interval for "
        f"{', '.join(kind.label(name) for name in names)}.",
    )
