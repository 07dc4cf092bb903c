"""Owns the numbers of a visit: its rows, means of repeats, sides and pairs of tasks compared."""

import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.labels import WALL_LAYERS, Structure, Task
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.measures.repeats import (
    MEAN_METHOD,
    NO_MEAN,
    TOO_FEW_TIMES,
    Agreement,
    Certainty,
    are_not_alike,
    expected_spread,
    half_of_difference,
    interval_of,
    is_too_few,
    no_mean_words,
)
from layermotion.report.palette import short_name
from layermotion.session.plan import Side
from layermotion.session.recorded import LARGEST, REST, Recorded, check_value

BETWEEN_SIDES = "left-right"
PRELIFT_EFFECT = "prelift_effect"
# Beyond any number of repeats (our choice).
MOST_REPEATS = 100_000
# The task with the lift beforehand, and the same task without.
PAIRS = ((Task.COUGH_PRELIFT, Task.COUGH), (Task.CURL_UP_PRELIFT, Task.CURL_UP))
SIDES_METHOD = (
    "Left minus right of the means. The repeats of both sides are taken to vary alike, and the "
    "measuring errors to be independent."
)
EFFECT_METHOD = (
    "Displacement of the bladder base with the lift beforehand minus the same without; positive "
    "is less descent with the lift."
)


@dataclass(frozen=True)
class Mean:
    """One of the two means behind a difference.

    Parameters
    ----------
    is_beyond
        Whether it is beyond its own interval.
    repeats
        How many repeats it rests on.
    """

    value: float
    is_beyond: bool
    repeats: int


@dataclass(frozen=True)
class Row:
    """One line of the visit's table.

    Parameters
    ----------
    side
        ``left``, ``right``, ``midline``, or ``left-right`` for their difference.
    task
        A task, or ``cough_prelift-cough`` for a difference between tasks.
    repeat
        Number of the recording, with the number of the effort within it where it holds several
        (``2.1``); or ``mean``.
    low, high
        interval in ``unit``; None where there is no value.
    reason
        Why there is no value; or why one must not be compared with another recording's.
    clip
        Hash of the clip; empty for a mean.
    repeats
        How many repeats the value rests on.
    units, spread, error_half
        What its interval rests on: how many recordings, or repeats where all are of one recording;
        the standard deviation between them; and the half-width of measuring error of one. Of a
        difference all of it is in the last.
    means
        Those behind a difference; None of anything else.
    """

    side: str
    task: str
    repeat: str
    structure: str
    measure: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    status: Status
    reason: str
    clip: str
    repeats: int
    method: str
    units: int = 1
    spread: float = 0.0
    error_half: float = 0.0
    means: tuple[Mean, Mean] | None = None

    @property
    def key(self) -> tuple[str, ...]:
        """What it is of: rows of one key are repeats, or their mean."""
        return self.side, self.task, self.structure, self.measure, self.unit

    @property
    def certainty(self) -> Certainty:
        """What the interval rests on."""
        return Certainty(self.units, self.spread, self.error_half)

    @property
    def is_comparable(self) -> bool:
        """Whether the value means the same as that of another recording."""
        return not self.reason

    @property
    def is_way_unknown(self) -> bool:
        """Whether it is a slide of which it is not known which way is lateral."""
        return self.reason == LATERAL_UNKNOWN

    @property
    def excludes_zero(self) -> bool:
        """Whether a difference or change is beyond its interval."""
        return self.low is not None and self.high is not None and not self.low <= 0 <= self.high


def check_row(row: Row) -> None:
    """Raise ValueError for a row of an earlier visit that no visit can have."""
    check_value(row.value, row.low, row.high)
    is_counted = 1 <= row.repeats <= MOST_REPEATS and 1 <= row.units <= MOST_REPEATS
    if not (is_counted and 0 <= row.spread <= LARGEST and 0 <= row.error_half <= LARGEST):
        raise ValueError("a row of an impossible count or spread")


def tabulate(recorded: Sequence[Recorded]) -> tuple[Row, ...]:
    """All rows of a visit: each repeat, means, differences between sides, effects of the lift."""
    return summarise(
        [
            row
            for one in recorded
            for row in rows_of(
                one.measures,
                side=one.item.side,
                task=one.item.task,
                number=one.item.repeat,
                clip=one.clip,
                is_lateral_known=one.is_lateral_known,
            )
        ]
    )


def summarise(own: Sequence[Row]) -> tuple[Row, ...]:
    """Rows of repeats, with their means, differences between sides and effects of the lift."""
    means = _of_one_place(list(_means(own)))
    return (*own, *means, *_sides(means), *_effects(means))


def rows_of(
    measures: Sequence[Measure],
    *,
    side: str,
    task: str,
    number: int,
    clip: str,
    is_lateral_known: bool,
) -> Iterator[Row]:
    """Rows of one recording; its own means are left out.

    Parameters
    ----------
    number
        Of the recording, among those of this side and task.
    """
    single = [measure for measure in measures if measure.repeat != MEAN]
    several = len({measure.repeat for measure in single}) > 1
    for measure in single:
        is_unclear = measure.name == "slide" and not measure.reason and not is_lateral_known
        yield Row(
            side=side,
            task=task,
            repeat=f"{number}.{measure.repeat}" if several else str(number),
            structure=measure.structure,
            measure=measure.name,
            value=measure.value,
            low=measure.low,
            high=measure.high,
            unit=measure.unit,
            status=measure.status,
            # Why it has no value, or why that must not be compared with others.
            reason=LATERAL_UNKNOWN if is_unclear else measure.reason,
            clip=clip,
            repeats=1,
            method=measure.method,
            error_half=measure.error_half,
        )


def _means(rows: Iterable[Row]) -> Iterator[Row]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        if row.measure != NO_MEAN:
            groups.setdefault(row.key, []).append(row)
    for group in groups.values():
        known = [row for row in group if None not in (row.low, row.value, row.high)]
        # Values whose sign has another meaning have no part in the mean of the others.
        comparable = [row for row in known if row.is_comparable] or known
        if comparable:
            yield mean_of(comparable)


def _of_one_place(means: Sequence[Row]) -> list[Row]:
    """Leave no mean of a wall whose layers at rest differ too much between the recordings."""
    apart = {
        (row.side, row.task): row.structure
        for row in means
        if row.measure == REST and row.value is None
    }
    kept = []
    for row in means:
        layer = apart.get((row.side, row.task))
        is_measured = row.structure in WALL_LAYERS and row.unit != "s" and row.value is not None
        kept.append(_without_mean(row, _apart_words(layer)) if layer and is_measured else row)
    return kept


def _apart_words(layer: str) -> str:
    return (
        f"The recordings are not of one place, since {short_name(layer)} at rest differs too much "
        f"between them, so nothing of the wall has a mean; look at each recording, and leave out "
        f"what is wrong or shows another place."
    )


def _without_mean(mean: Row, reason: str) -> Row:
    needs = Status.NEEDS_MANUAL
    return replace(mean, value=None, low=None, high=None, status=needs, reason=reason)


def mean_of(rows: Sequence[Row]) -> Row:
    """Mean of repeats that all have a value, with its interval; no value where they are not alike.

    Of a single repeat the interval is its own: measuring error only. Repeats of one recording are
    averaged first where there are several recordings, since they share more than the others do.
    """
    if len(rows) == 1:
        return replace(rows[0], repeat=MEAN, clip="")
    recordings: dict[str, list[float]] = {}
    for row in rows:
        if row.value is not None:
            recordings.setdefault(row.repeat.partition(".")[0], []).append(row.value)
    values = [statistics.fmean(own) for own in recordings.values()]
    if len(values) == 1:
        (values,) = recordings.values()
    certainty = Certainty.of(values, statistics.fmean(row.error_half for row in rows))
    mean = replace(
        rows[0],
        repeat=MEAN,
        clip="",
        repeats=len(rows),
        method=MEAN_METHOD,
        units=certainty.count,
        spread=certainty.spread,
        error_half=certainty.error_half,
    )
    reason = ""
    if is_too_few(mean.unit, certainty.count):
        reason = TOO_FEW_TIMES
    elif are_not_alike(
        mean.measure, certainty, _expected(mean), [(row.low, row.high) for row in rows]
    ):
        reason = no_mean_words(values, mean.unit)
    if reason:
        return _without_mean(mean, reason)
    middle = statistics.fmean(values)
    low, high = interval_of(mean.measure, mean.unit, middle, certainty)
    return replace(mean, value=middle, low=low, high=high, status=_status(rows))


def agreement_of(row: Row) -> Agreement:
    """How the repeats behind a mean agree."""
    return row.certainty.agreement(_expected(row))


def _expected(row: Row) -> float | None:
    return expected_spread(row.measure, row.unit, row.structure)


def _sides(means: Sequence[Row]) -> Iterator[Row]:
    means = [row for row in means if row.is_comparable and row.value is not None]
    right = {_without_side(row): row for row in means if row.side == Side.RIGHT}
    for row in means:
        other = right.get(_without_side(row)) if row.side == Side.LEFT else None
        if other is not None:
            yield replace(_difference(row, other), side=BETWEEN_SIDES, method=SIDES_METHOD)


def _without_side(row: Row) -> tuple[str, ...]:
    return row.task, row.structure, row.measure, row.unit


def _effects(means: Sequence[Row]) -> Iterator[Row]:
    for lifted, plain in PAIRS:
        for row in means:
            if row.value is None or not (row.task == lifted and _is_displacement(row)):
                continue
            for other in means:
                is_pair = other.task == plain and _is_displacement(other)
                is_pair = is_pair and other.value is not None
                if is_pair and (other.side, other.unit) == (row.side, row.unit):
                    yield replace(
                        _difference(row, other),
                        task=f"{lifted}-{plain}",
                        measure=PRELIFT_EFFECT,
                        method=EFFECT_METHOD,
                    )


def _is_displacement(row: Row) -> bool:
    return (row.measure, row.structure) == ("base_displacement", Structure.BLADDER)


def _difference(first: Row, second: Row) -> Row:
    """First minus second mean."""
    if first.value is None or second.value is None:
        raise ValueError("a difference needs two values")
    value = first.value - second.value
    half = half_of_difference(first.certainty, second.certainty)
    return replace(
        first,
        value=value,
        low=value - half,
        high=value + half,
        status=_status((first, second)),
        repeats=min(first.repeats, second.repeats),
        units=1,
        spread=0.0,
        error_half=half,
        means=(
            Mean(first.value, first.excludes_zero, first.repeats),
            Mean(second.value, second.excludes_zero, second.repeats),
        ),
    )


def _status(rows: Sequence[Row]) -> Status:
    """Confirm a mean only where all its parts are; what no person has checked stays a draft."""
    is_checked = all(row.status in (Status.CONFIRMED, Status.CORRECTED) for row in rows)
    return Status.CONFIRMED if is_checked else Status.DRAFT
