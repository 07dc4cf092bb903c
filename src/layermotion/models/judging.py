"""Owns comparing two weights by their scores on the same frames, and what speaks against one.

Every mean is first taken over the frames of a subject and then over subjects, and its interval
is that of so many subjects: frames of one subject are not independent.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.labels import STRUCTURES
from layermotion.measures.repeats import t975

# With so many held-out subjects or fewer, whose interval is wide, a loss also counts where every
# subject lost; by chance alone that happens to 3 in 100 of five (our choice).
FEW_SUBJECTS = 5
# Largest growth of the synthetic error that still counts as no forgetting.
FORGETTING_PERCENT = 5.0
# What may not become worse on the held-out subjects; the others are shown beside it.
GUARDED = ("site_mm", "withheld_percent", "dice", "missed_percent")
ALL = "all"


class Metric(StrEnum):
    """What is compared, in the order of the tables."""

    SITE = "site_mm"
    WITHHELD = "withheld_percent"
    DICE = "dice"
    HAUSDORFF = "hausdorff_95_mm"
    SURFACE = "surface_distance_mm"
    MISSED = "missed_percent"
    FALSE_ALARM = "false_alarm_percent"

    @property
    def words(self) -> str:
        """What a table calls it, with its unit."""
        return METRIC_WORDS[self]


METRIC_WORDS = {
    Metric.SITE: "error at the site, mm",
    Metric.WITHHELD: "withheld at the site, %",
    Metric.DICE: "Dice",
    Metric.HAUSDORFF: "Hausdorff 95 %, mm",
    Metric.SURFACE: "surface distance, mm",
    Metric.MISSED: "missed, %",
    Metric.FALSE_ALARM: "false alarms, %",
}

# By what the synthetic error is told.
FORGETTING_METRICS = (Metric.DICE, Metric.SURFACE)


@dataclass(frozen=True)
class Score:
    """What weights made of one structure in one frame; NaN where a number does not apply.

    Parameters
    ----------
    dice
        Where the truth shows the structure; 0 where nothing was found.
    hausdorff_95_mm, surface_distance_mm
        Where it is shown and found.
    missed_percent
        Where it is shown: 100 if nothing was found, else 0.
    false_alarm_percent
        Where it is not shown: 100 if more than a speck of the picture was taken for
        it, else 0.
    site_mm
        Where it is shown at the site and would be measured: size of that measurement's error.
    withheld_percent
        Where it is shown at the site: 100 if nothing would be given, else 0.
    site_px
        ``site_mm`` in rows of the picture that the weights saw.
    """

    key: str
    subject: str
    scanner: str
    structure: str
    dice: float
    hausdorff_95_mm: float
    surface_distance_mm: float
    missed_percent: float
    false_alarm_percent: float
    site_mm: float = math.nan
    withheld_percent: float = math.nan
    site_px: float = math.nan


@dataclass(frozen=True)
class Row:
    """One line of a table: before, after and their difference, each a mean over subjects.

    ``low`` and ``high`` bound the difference by a 95 % interval over subjects; NaN with fewer than
    two subjects.
    """

    scanner: str
    structure: str
    metric: Metric
    subjects: int
    before: float
    after: float
    low: float
    high: float


@dataclass(frozen=True)
class Judgement:
    """Tables of both sets, and whether the newer weights may take the place of the older ones."""

    held_out: tuple[Row, ...]
    synthetic: tuple[Row, ...]
    objections: tuple[str, ...]


def judge(
    before: tuple[tuple[Score, ...], tuple[Score, ...]],
    after: tuple[tuple[Score, ...], tuple[Score, ...]],
) -> Judgement:
    """Compare two weights.

    Parameters
    ----------
    before, after
        Scores on the held-out frames and on the synthetic benchmark, of the weights in use and
        of those that would replace them.

    Raises
    ------
    InputError
        If the two were not scored on the same frames.
    """
    held_out, synthetic = (compare(before[i], after[i]) for i in (0, 1))
    losses = _losses(held_out, before[0], after[0])
    return Judgement(held_out, synthetic, (*losses, *_forgotten(synthetic)))


def compare(before: tuple[Score, ...], after: tuple[Score, ...]) -> tuple[Row, ...]:
    """Table of every scanner and structure, and of all of them together."""
    keys = [{score.key for score in scores} for scores in (before, after)]
    if keys[0] != keys[1] or not keys[0]:
        raise InputError("Both weights must be judged on the same frames; judge them again.")
    scanners = sorted({score.scanner for score in before})
    groups = [(ALL, ALL), *((ALL, str(structure)) for structure in STRUCTURES)]
    if len(scanners) > 1:
        groups += [(scanner, name) for scanner in scanners for name in (ALL, *map(str, STRUCTURES))]
    rows = []
    for scanner, structure in groups:
        for metric in Metric:
            row = _row(scanner, structure, metric, before, after)
            if row is not None:
                rows.append(row)
    return tuple(rows)


def _row(
    scanner: str,
    structure: str,
    metric: Metric,
    before: tuple[Score, ...],
    after: tuple[Score, ...],
) -> Row | None:
    """One line; None where nothing has a value on both sides."""
    means = _means_of_subjects(scanner, structure, metric, before, after)
    if not len(means):
        return None
    low, high = interval_of_mean(means[:, 1] - means[:, 0])
    mean = means.mean(axis=0)
    return Row(scanner, structure, metric, len(means), float(mean[0]), float(mean[1]), low, high)


def _means_of_subjects(
    scanner: str,
    structure: str,
    metric: Metric,
    before: tuple[Score, ...],
    after: tuple[Score, ...],
) -> NDArray[np.float64]:
    """Mean before and after of each subject, shape (subjects, 2).

    A structure counts in the frames where both weights have a value: the distance of one that only
    one of them found would make the other, which missed it, look better.
    """
    by_place = {(score.key, score.structure): score for score in after}
    values: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for old in before:
        if scanner not in (ALL, old.scanner) or structure not in (ALL, old.structure):
            continue
        pair = getattr(old, metric), getattr(by_place[old.key, old.structure], metric)
        if not any(map(math.isnan, pair)):
            values.setdefault(old.subject, {}).setdefault(old.structure, []).append(pair)
    return np.array([_mean_of_subject(values[subject]) for subject in sorted(values)])


def _mean_of_subject(pairs: dict[str, list[tuple[float, float]]]) -> NDArray[np.float64]:
    """Mean over structures, of each structure over frames; shape (2,), before and after."""
    return np.asarray(np.mean([np.mean(found, axis=0) for found in pairs.values()], axis=0))


def interval_of_mean(values: NDArray[np.float64]) -> tuple[float, float]:
    """95 % interval of a mean over subjects, by Student's t; NaN for fewer than two subjects.

    Drawing subjects again and again would make it too narrow: of two subjects it would hold the
    truth in half of all cases, of five in 84 %.

    Examples
    --------
    >>> interval_of_mean(np.full(5, 2.0))
    (2.0, 2.0)
    """
    if len(values) < 2:
        return math.nan, math.nan
    half = t975(len(values) - 1) * values.std(ddof=1) / math.sqrt(len(values))
    return float(values.mean() - half), float(values.mean() + half)


def _losses(
    held_out: tuple[Row, ...], before: tuple[Score, ...], after: tuple[Score, ...]
) -> Iterator[str]:
    """Tell what is worse on the held-out subjects, by the means over all structures and scanners.

    A loss counts where its interval over subjects leaves out that there is none, and of few
    subjects also where all of them lost.
    """
    find_row(held_out, Metric.DICE)
    for row in held_out:
        if row.metric not in GUARDED or (row.structure, row.scanner) != (ALL, ALL):
            continue
        sign = -1 if row.metric is Metric.DICE else 1
        losses = sign * np.diff(_means_of_subjects(ALL, ALL, row.metric, before, after))
        all_lost = row.subjects <= FEW_SUBJECTS and bool((losses > 0).all())
        if all_lost or min(sign * row.low, sign * row.high) > 0:
            change = f"{row.metric.words}: from {row.before:.4g} to {row.after:.4g}"
            yield f"on the held-out subjects, {change}{_interval(row)}"


def _forgotten(synthetic: tuple[Row, ...]) -> Iterator[str]:
    """Tell what is worse on synthetic pictures."""
    for metric in FORGETTING_METRICS:
        grown = error_growth(find_row(synthetic, metric))
        if grown > FORGETTING_PERCENT / 100:
            yield (
                f"on the synthetic benchmark, the error by {metric.words} grows by "
                f"{100 * grown:.1f} %, above {FORGETTING_PERCENT:g} %"
            )


def _interval(row: Row) -> str:
    if math.isnan(row.low):
        return ""
    all_lost = ", but every subject lost" if row.low <= 0 <= row.high else ""
    return f" (95 % interval of the change {row.low:+.3g} to {row.high:+.3g}{all_lost})"


def error_growth(row: Row) -> float:
    """Relative change of an error, that of Dice being what it lacks of 1; below 0 is better."""
    if row.metric is Metric.DICE:
        return growth(1 - row.before, 1 - row.after)
    return growth(row.before, row.after)


def growth(before: float, after: float) -> float:
    """Relative change of an error; any error is infinitely more than none."""
    if before == 0:
        return math.inf if after > 0 else 0.0
    return after / before - 1


def find_row(
    rows: tuple[Row, ...], metric: Metric, structure: str = ALL, scanner: str = ALL
) -> Row:
    """Line of a table.

    Raises
    ------
    InputError
        If there is none, because nothing could be compared.
    """
    for row in rows:
        if (row.metric, row.structure, row.scanner) == (metric, structure, scanner):
            return row
    raise InputError(
        f"Nothing could be compared by {metric.words}; no structure was found in any frame."
    )
