"""Owns the plain sentences of a visit; each stands only where its interval excludes zero."""

from collections.abc import Iterator, Sequence

from layermotion.labels import Structure
from layermotion.measures.measure import MEAN, Status
from layermotion.measures.repeats import Agreement, expected_spread
from layermotion.report.palette import short_name
from layermotion.report.patterns import lift_words, muscle_pattern, quiet_words, with_interval
from layermotion.report.words import (
    interval_words,
    measure_words,
    number_words,
    task_words,
    unit_words,
)
from layermotion.session.against import LARGER, Change
from layermotion.session.direction import compared, subject
from layermotion.session.plan import Side
from layermotion.session.recorded import REST
from layermotion.session.results import BETWEEN_SIDES, PRELIFT_EFFECT, Mean, Row, agreement_of

DISPLACEMENT = "base_displacement"
# A layer at rest that is so many times as thick or thin as before, and by so many mm, is hardly the
# same part of it: muscles change by far less in weeks (common practice, no source).
MOST_TIMES, MOST_CHANGE_MM = 1.5, 2.0
# A repeat so many times as far from the next one as all others lie from each other is pointed out
# (our choice).
APART_TIMES = 2.0
# Measures that say again what another sentence says: a ratio or mm beside per cent.
SAID_BEFORE = (
    ("thickness_contracted", "mm"),
    ("thickness_change", "mm"),
    ("contraction_ratio", "ratio"),
)


def pattern_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Say which muscles changed in each task, each side by itself, and whether EO and IO stayed.

    Whether the base moved is said the same way.
    """
    yield from no_mean_sentences(rows)
    means = [
        row
        for row in rows
        if row.repeat == MEAN and row.side != BETWEEN_SIDES and row.value is not None
    ]
    wall = [row for row in means if (row.measure, row.unit) == ("thickness_change", "%")]
    for side, task in dict.fromkeys((row.side, row.task) for row in wall):
        own = {row.structure: row for row in wall if (row.side, row.task) == (side, task)}
        quiet = quiet_words(own)
        apart = [
            row.structure
            for row in _asked(rows)
            if (row.side, row.task) == (side, task) and row.value is None
        ]
        pattern = muscle_pattern(own, apart)
        yield (
            f"{place_words(side, task)}: {pattern}{_repeats(list(own.values()))}."
            + (f" {quiet}." if quiet else "")
        )
    for row in means:
        if (row.measure, row.structure) == (DISPLACEMENT, Structure.BLADDER):
            verb = "lifted" if (row.value or 0) > 0 else "descended"
            own = {r.measure: r for r in means if (r.side, r.task) == (row.side, row.task)}
            lift = lift_words(own)
            words = "no movement of the bladder base beyond error was seen"
            if row.excludes_zero:
                words = f"the bladder base {verb} by {with_interval(row)}"
            elif lift:
                words = "at its lowest the bladder base lay where it lies at rest, within error"
            words += f"; {lift}" if lift else ""
            yield f"{place_words(row.side, row.task)}: {words}{_repeats([row])}."


def no_mean_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Say of which tasks, each side by itself, what was seen has no mean, and why."""
    asked = _asked(rows)
    for side, task in dict.fromkeys((row.side, row.task) for row in asked):
        here = [row for row in asked if (row.side, row.task) == (side, task)]
        missing = [row for row in here if row.value is None]
        place = place_words(side, task)
        if len(missing) == len(here):
            yield f"{place}: no mean. {missing[0].reason}"
        else:
            for row in missing:
                yield f"{place}: {short_name(row.structure)} has no mean. {row.reason}"


def _asked(rows: Sequence[Row]) -> list[Row]:
    """Means of what a visit is asked for first, with those that have no value."""
    asked = (("thickness_change", "%"), (DISPLACEMENT, "mm"))
    return [row for row in rows if row.repeat == MEAN and (row.measure, row.unit) in asked]


def side_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Differences between the sides that are beyond their intervals."""
    for row in rows:
        is_new = row.side == BETWEEN_SIDES and (row.measure, row.unit) not in SAID_BEFORE
        if is_new and row.excludes_zero and row.means is not None:
            what = subject(row.measure, short_name(row.structure))
            clause = _means_compared(row.measure, row.unit, row.means, "on the right")
            yield (
                f"{task_words(row.task).capitalize()}: on the left {what} {clause} "
                f"({_interval(row)}){_repeats_of_sides(row.means)}."
            )


def effect_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Effects of the lift beforehand that are beyond their intervals."""
    for row in rows:
        if row.measure == PRELIFT_EFFECT and row.excludes_zero and row.means is not None:
            plain = task_words(row.task.rpartition("-")[2])
            clause = _means_compared(DISPLACEMENT, row.unit, row.means, "without it")
            yield (
                f"{plain.capitalize()}: with a lift beforehand the bladder base {clause} "
                f"({_interval(row)})."
            )


def change_sentences(changes: Sequence[Change]) -> Iterator[str]:
    """State changes since the earlier visit that exceed the smallest detectable one and error.

    Which of them are too large to be believed is said after them.
    """
    doubtful: dict[str, list[str]] = {}
    for item in changes:
        is_new = (item.measure, item.unit) not in SAID_BEFORE
        if is_new and item.verdict == LARGER and item.detectable is not None:
            unit = unit_words(item.unit, is_difference=True)
            what = subject(item.measure, short_name(item.structure))
            clause = compared(
                item.measure,
                item.unit,
                item.now,
                item.earlier,
                "at the earlier visit",
                item.are_beyond,
                item.detectable,
            )
            limit = number_words(item.detectable, item.unit, abs(item.change))
            place = place_words(item.side, item.task)
            yield (
                f"{place}: {what} {clause} "
                f"({_valued(item.earlier, item.unit)} then, {_valued(item.now, item.unit)} now), "
                f"{item.verdict} of {limit}{unit}."
            )
            if item.measure == REST and _is_doubtful(item):
                doubtful.setdefault(place, []).append(what)
    for place, names in doubtful.items():
        yield (
            f"{place}: so large a change of {', '.join(names)} is more likely another place, layer "
            f"or person; look at both pictures."
        )


def disagreement_sentences(rows: Sequence[Row]) -> Iterator[str]:
    """Say of which means the repeats differ more than repeats usually do."""
    for row in rows:
        is_new = row.repeat == MEAN and (row.measure, row.unit) not in SAID_BEFORE
        if is_new and row.value is not None and agreement_of(row) is Agreement.WIDE:
            usual = expected_spread(row.measure, row.unit, row.structure) or 0.0
            unit = unit_words(row.unit, is_difference=True)
            yield (
                f"{place_words(row.side, row.task)}: the repeats of {short_name(row.structure)} "
                f"{measure_words(row.measure)} differ more than repeats usually do (standard "
                f"deviation {number_words(row.spread, row.unit)}{unit}, usually "
                f"{number_words(usual, row.unit)}); {_to_look_at(row, rows)}."
            )


def _means_compared(measure: str, unit: str, means: tuple[Mean, Mean], other: str) -> str:
    first, second = means
    are_beyond = first.is_beyond, second.is_beyond
    return compared(measure, unit, first.value, second.value, other, are_beyond)


def _to_look_at(mean: Row, rows: Sequence[Row]) -> str:
    """Words for the repeat that is much farther from all others than these are from each other."""
    key = (mean.side, mean.task, mean.structure, mean.measure, mean.unit)
    values = {
        row.repeat: row.value
        for row in rows
        if (row.side, row.task, row.structure, row.measure, row.unit) == key
        and row.repeat != MEAN
        and row.value is not None
    }
    for repeat, value in values.items():
        others = [other for name, other in values.items() if name != repeat]
        gap = min((abs(value - other) for other in others), default=0.0)
        if len(others) > 1 and gap > APART_TIMES * (max(others) - min(others)):
            return f"look at repeat {repeat} ({_valued(value, mean.unit)}), apart from the others"
    return "look for one that went wrong"


def _is_doubtful(change: Change) -> bool:
    thin, thick = sorted((change.earlier, change.now))
    return thick > MOST_TIMES * thin and thick - thin > MOST_CHANGE_MM


def _interval(row: Row) -> str:
    """Interval of a difference, without signs where the sentence says the way."""
    if row.low is None or row.high is None:
        raise ValueError("a difference has an interval")
    low, high = sorted((abs(row.low), abs(row.high)))
    unit = unit_words(row.unit, is_difference=True)
    return f"interval {interval_words(low, high, row.unit)}{unit}"


def _valued(value: float, unit: str) -> str:
    return f"{number_words(value, unit)}{unit_words(unit)}"


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
            what = words if _source(row) in measured or row.repeat == MEAN else name
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
    """Say on how many repeats something rests, of each structure where they differ."""
    counts = list(dict.fromkeys(row.repeats for row in rows))
    if len(counts) == 1:
        return _count_words(counts[0])
    each = [f"{short_name(row.structure)}{_count_words(row.repeats)}" for row in rows]
    return f" ({'; '.join(each)})"


def _repeats_of_sides(means: tuple[Mean, Mean]) -> str:
    """Say on how many repeats a difference rests, of each side where they differ."""
    left, right = (_count_words(mean.repeats) for mean in means)
    return left if left == right else f" (left{left}; right{right})"


def _count_words(count: int) -> str:
    return ", one repeat only" if count == 1 else f", mean of {count} repeats"
