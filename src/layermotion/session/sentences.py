"""Owns the plain sentences of a visit; each stands only where its interval excludes zero."""

from collections.abc import Iterator, Sequence

from layermotion.labels import Structure
from layermotion.measures.measure import MEAN, Status
from layermotion.report.palette import short_name
from layermotion.report.patterns import muscle_pattern, quiet_words, with_interval
from layermotion.report.words import measure_words, number_words, unit_words
from layermotion.session.against import LARGER, Change
from layermotion.session.plan import Side
from layermotion.session.results import BETWEEN_SIDES, PRELIFT_EFFECT, Row

DISPLACEMENT = "base_displacement"
# Measures that say again what another sentence says: a ratio or mm beside per cent.
SAID_BEFORE = (
    ("thickness_contracted", "mm"),
    ("thickness_change", "mm"),
    ("contraction_ratio", "ratio"),
)


def task_words(task: str) -> str:
    """Words for a task.

    Examples
    --------
    >>> task_words("cough_prelift")
    'cough with a lift beforehand'
    """
    plain = task.removesuffix("_prelift")
    words = plain.replace("curl_up", "curl-up").replace("draw_in", "draw-in").replace("_", " ")
    return f"{words} with a lift beforehand" if plain != task else words


def pattern_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Say which muscles changed in each task, each side by itself, and whether EO and IO stayed.

    Whether the base moved is said the same way.
    """
    means = [row for row in rows if row.repeat == MEAN and row.side != BETWEEN_SIDES]
    wall = [row for row in means if (row.measure, row.unit) == ("thickness_change", "%")]
    for side, task in dict.fromkeys((row.side, row.task) for row in wall):
        own = {row.structure: row for row in wall if (row.side, row.task) == (side, task)}
        quiet = quiet_words(own)
        yield (
            f"{place_words(side, task)}: {muscle_pattern(own)}{_repeats(list(own.values()))}."
            + (f" {quiet}." if quiet else "")
        )
    for row in means:
        if (row.measure, row.structure) == (DISPLACEMENT, Structure.BLADDER):
            verb = "lifted" if (row.value or 0) > 0 else "descended"
            words = "no movement of the bladder base beyond error was seen"
            if row.excludes_zero:
                words = f"the bladder base {verb} by {with_interval(row, unsigned=True)}"
            yield f"{place_words(row.side, row.task)}: {words}{_repeats([row])}."


def side_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Differences between the sides that their intervals tell from none."""
    for row in rows:
        is_new = row.side == BETWEEN_SIDES and (row.measure, row.unit) not in SAID_BEFORE
        if is_new and row.excludes_zero and row.value is not None:
            more = "larger on the left" if row.value > 0 else "larger on the right"
            size = with_interval(row, unsigned=True, is_difference=True)
            yield (
                f"{task_words(row.task).capitalize()}: {short_name(row.structure)} "
                f"{measure_words(row.measure)} {more} by {size}"
                f"{_repeats([row])}."
            )


def effect_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Effects of the lift beforehand that their intervals tell from none."""
    for row in rows:
        if row.measure == PRELIFT_EFFECT and row.excludes_zero and row.value is not None:
            less = "less descent" if row.value > 0 else "more descent"
            plain = task_words(row.task.rpartition("-")[2])
            yield (
                f"{plain.capitalize()}: {less} of the bladder base with a lift beforehand, by "
                f"{with_interval(row, unsigned=True)}."
            )


def change_sentences(changes: Sequence[Change]) -> Iterator[str]:
    """State changes since the earlier visit that exceed the smallest detectable one and error."""
    for item in changes:
        is_new = (item.measure, item.unit) not in SAID_BEFORE
        if is_new and item.verdict == LARGER and item.detectable is not None:
            unit = unit_words(item.unit, is_difference=True)
            more = "more" if item.change > 0 else "less"
            yield (
                f"{place_words(item.side, item.task)}: {short_name(item.structure)} "
                f"{measure_words(item.measure)} {number_words(abs(item.change), item.unit)}{unit} "
                f"{more} than at the earlier visit, {item.verdict} of "
                f"{number_words(item.detectable, item.unit)}{unit}."
            )


def manual_groups(rows: Sequence[Row]) -> list[tuple[str, list[str]]]:
    """Reasons why values need a person, each with what it concerns.

    A structure without any value in a recording stands for all its measures.
    """
    groups: dict[str, dict[str, list[str]]] = {}
    measured = {_source(row) for row in rows if row.value is not None}
    for row in rows:
        if row.status is Status.NEEDS_MANUAL:
            name = short_name(row.structure)
            words = f"{name} {row.measure.replace('_', ' ')}"
            what = words if _source(row) in measured else name
            where = f"{place_words(row.side, row.task)} {row.repeat}"
            groups.setdefault(row.reason, {}).setdefault(where, []).append(what)
    return [
        (reason, [f"{where}: {', '.join(dict.fromkeys(items))}" for where, items in places.items()])
        for reason, places in groups.items()
    ]


def _source(row: Row) -> tuple[str, ...]:
    return row.side, row.task, row.repeat, row.structure


def place_words(side: str, task: str) -> str:
    """Words for a side and a task, such as ``Left, draw-in``."""
    words = task_words(task)
    if side == Side.MIDLINE:
        return words.capitalize()
    return f"{side.capitalize()}, {words}"


def _repeats(rows: Sequence[Row]) -> str:
    low, high = min(row.repeats for row in rows), max(row.repeats for row in rows)
    if high == 1:
        return ", one repeat only"
    return f", mean of {low if low == high else f'{low} to {high}'} repeats"
