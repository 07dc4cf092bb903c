"""Owns the analysis of one measure: every figure of the comparison, in a fixed order."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement import regression
from layermotion.agreement.account import book_description
from layermotion.agreement.book import (
    AUTO_MANUAL,
    BY_SUBJECT,
    GENERALIZED,
    Book,
    book_any_shape,
    book_limits,
    book_one,
    book_planning,
    book_readings,
    book_reliability,
    book_trend,
)
from layermotion.agreement.coefficients import (
    concordance,
    error_of_two,
    error_ratio,
    forms_of_two,
)
from layermotion.agreement.estimate import CHANGE_PER_SEM, ROUNDING, Array, Estimate, Statistic
from layermotion.agreement.icc import (
    Intraclass,
    MeasurementError,
    intraclass,
    measurement_error,
)
from layermotion.agreement.limits import Limits, limits_of_agreement, limits_of_any_shape
from layermotion.agreement.pairs import PairedSet
from layermotion.agreement.regression import Line, Trend
from layermotion.agreement.spread import Equivalence, RaterSpread, equivalence, rater_spread


@dataclass(frozen=True)
class StudyOptions:
    """What the researcher states.

    Parameters
    ----------
    margins
        Largest difference that does not matter, by unit.
    as_ratio
        Whether differences of logarithms are analysed, and given back as ratios.
    error_ratio
        Variance of the tool's error over that of the manual one, for Deming's line.
    ratio_margin
        How many times as far from a rater as another rater the tool may be; None if not stated.
    """

    margins: Mapping[str, float] = field(default_factory=dict)
    as_ratio: bool = False
    error_ratio: float = 1.0
    ratio_margin: float | None = None


@dataclass(frozen=True, eq=False)
class Comparison:
    """Everything found for one measure.

    Parameters
    ----------
    pairs
        The joined values.
    limits
        Of the tool minus the mean of the raters; in logarithms where ``as_ratio``.
    as_ratio
        Whether ``limits`` are of logarithms.
    trend
        How the difference changes with the mean; of logarithms where ``as_ratio``.
    forms, error
        Coefficients and error of the tool and the raters' mean.
    single_error
        Error of exchanging the tool and one of the raters; None with a single rater.
    rater_forms, rater_error
        Coefficients and error of the raters alone; None with a single rater.
    concordance, deming, passing_bablok
        Agreement and lines of the tool (y) on the raters' mean (x).
    error_ratio
        Variance of the tool's error over that of the raters' mean, from repeats.
    spread
        Tool-to-rater beside rater-to-rater; None with a single rater.
    tests
        Against the margin; None where none was given.
    is_varied
        Whether the differences vary by more than rounding.
    normal_p
        Shapiro-Wilk test of the differences.
    statistics
        All figures as rows.
    """

    pairs: PairedSet
    limits: Limits
    as_ratio: bool
    trend: Trend
    forms: tuple[Intraclass, ...]
    error: MeasurementError
    single_error: MeasurementError | None
    rater_forms: tuple[Intraclass, ...] | None
    rater_error: MeasurementError | None
    concordance: Estimate
    deming: Line
    passing_bablok: Line | None
    error_ratio: Estimate
    spread: RaterSpread | None
    tests: Equivalence | None
    is_varied: bool
    normal_p: float
    statistics: tuple[Statistic, ...] = ()


@dataclass(frozen=True, eq=False)
class _Values:
    """What the analyses of one measure share.

    Parameters
    ----------
    raters
        Shape (pairs, raters), NaN where a rater gave no value.
    full, full_subject
        Those of its rows in which every rater gave one, and whose they are.
    manual
        Mean of the raters, shape (pairs,).
    difference, mean
        Of the tool and that mean; of their logarithms where ``as_ratio``. Shape (pairs,).
    """

    raters: Array
    full: Array
    full_subject: NDArray[np.intp]
    manual: Array
    difference: Array
    mean: Array
    as_ratio: bool


def compare(pairs: PairedSet, options: StudyOptions) -> Comparison:
    """Analyse one measure; as differences where a value has no logarithm, with a caution."""
    values = _values_of(pairs, options)
    found = _analyse(pairs, values, options)
    return replace(found, statistics=_figures(found, values, options))


def _values_of(pairs: PairedSet, options: StudyOptions) -> _Values:
    auto, manual, raters = pairs.auto, pairs.manual_mean(), pairs.by_rater()
    as_ratio = options.as_ratio and pairs.has_logarithms
    first, second = (np.log(auto), np.log(manual)) if as_ratio else (auto, manual)
    is_full = np.isfinite(raters).all(axis=1)
    return _Values(
        raters=raters,
        full=raters[is_full],
        full_subject=pairs.subject[is_full],
        manual=manual,
        difference=first - second,
        mean=(first + second) / 2,
        as_ratio=as_ratio,
    )


def _analyse(pairs: PairedSet, values: _Values, options: StudyOptions) -> Comparison:
    """Compute everything but the rows."""
    auto, manual, difference, subject = pairs.auto, values.manual, values.difference, pairs.subject
    full = values.full
    has_table = len(pairs.raters) > 1 and len(full) > 2 and np.ptp(full) > 0
    has_overlap = (np.isfinite(values.raters).sum(axis=1) > 1).any()
    limits = limits_of_agreement(difference, subject)
    # Below this the differences vary by rounding alone.
    is_varied = bool(limits.sd > ROUNDING * float(np.abs(auto).max()))
    spread = rater_spread(auto, values.raters, subject) if has_overlap else None
    margin = None if values.as_ratio else options.margins.get(pairs.unit)
    return Comparison(
        pairs=pairs,
        limits=limits,
        as_ratio=values.as_ratio,
        trend=regression.proportional_bias(difference, values.mean, subject),
        forms=forms_of_two(manual, auto, subject),
        error=error_of_two(manual, auto, subject),
        single_error=_single_error(spread, pairs, values) if spread else None,
        rater_forms=intraclass(full, values.full_subject) if has_table else None,
        rater_error=measurement_error(full, values.full_subject) if has_table else None,
        concordance=concordance(manual, auto, subject),
        deming=regression.deming(manual, auto, subject, options.error_ratio),
        passing_bablok=_bablok_of_means(manual, auto, subject),
        error_ratio=error_ratio(manual, auto, subject),
        spread=spread,
        tests=None if margin is None else equivalence(limits, margin),
        is_varied=is_varied,
        normal_p=float(stats.shapiro(_thinned(difference)).pvalue) if is_varied else 1.0,
    )


def _single_error(spread: RaterSpread, pairs: PairedSet, values: _Values) -> MeasurementError:
    """Error of exchanging tool and one rater: their distance holds the error of both."""
    sem = spread.auto_to_rater.scaled(1 / math.sqrt(2))
    mean = (float(pairs.auto.mean()) + float(values.manual.mean())) / 2
    relative = sem.scaled(100 / mean) if mean > 0 else Estimate(math.nan)
    return MeasurementError(Estimate(math.nan), sem, sem.scaled(CHANGE_PER_SEM), relative)


def _bablok_of_means(x: Array, y: Array, subject: NDArray[np.intp]) -> Line | None:
    """Passing-Bablok of subjects' means, so that points are independent; None of too many."""
    counts = np.bincount(subject)
    if counts.size > regression.MOST_BABLOK_POINTS:
        return None
    means = (np.bincount(subject, own) / counts for own in (x, y))
    line = regression.passing_bablok(*means)
    return replace(line, method=f"{line.method}, means of subjects") if counts.max() > 1 else line


def _figures(found: Comparison, values: _Values, options: StudyOptions) -> tuple[Statistic, ...]:
    """All figures as rows, in a fixed order."""
    pairs = found.pairs
    book = Book(pairs)
    book_description(book, pairs, values.raters)
    book_limits(book, AUTO_MANUAL, found.limits, found.as_ratio)
    book_any_shape(book, limits_of_any_shape(values.difference, pairs.subject), found.as_ratio)
    tests = found.tests
    if tests is not None:
        how = f"two one-sided tests, margin {tests.margin:g} {pairs.unit}, each pair counts once"
        interval = Estimate(found.limits.bias.value, tests.low, tests.high)
        book.add(AUTO_MANUAL, "bias, 90 % interval of the two tests", interval, how)
        book.add(AUTO_MANUAL, "p of equivalence", Estimate(tests.p), how, "")
    book_trend(book, AUTO_MANUAL, found.trend, found.as_ratio)
    book.add(AUTO_MANUAL, "p of normal differences", Estimate(found.normal_p), "Shapiro-Wilk", "")
    both = "auto and manual mean" if len(pairs.raters) > 1 else "auto and manual"
    book_reliability(book, both, found.forms, found.error, BY_SUBJECT)
    book.add(AUTO_MANUAL, "concordance correlation", found.concordance, BY_SUBJECT, "")
    for name, line in (("Deming", found.deming), ("Passing-Bablok", found.passing_bablok)):
        if line is not None:
            points = pairs.subjects if name == "Passing-Bablok" else None
            book.add(AUTO_MANUAL, f"{name} slope", line.slope, line.method, "", points)
            book.add(AUTO_MANUAL, f"{name} intercept", line.intercept, line.method, None, points)
    if not math.isnan(found.error_ratio.value):
        name = "ratio of error variances, from repeats"
        how = "correlation within subjects, interval by its t test"
        book.add(AUTO_MANUAL, name, found.error_ratio, how, "")
    _book_raters(book, found, values)
    book_readings(book, pairs, values.raters, as_ratio=found.as_ratio,
                  multiplier=found.limits.multiplier)  # fmt: skip
    margin = None if found.as_ratio else options.margins.get(pairs.unit)
    book_planning(book, found.limits, found.forms[2].estimate.value, margin)
    return tuple(book.rows)


def _book_raters(book: Book, found: Comparison, values: _Values) -> None:
    """Add the tool against each rater, the raters against each other, and all raters."""
    pairs, raters = found.pairs, values.raters
    if found.single_error is not None:
        how = "root mean square difference from a rater over sqrt(2), jackknife interval by subject"
        book_reliability(book, "auto and one rater", (), found.single_error, how)
    if len(pairs.raters) > 1:
        for place, rater in enumerate(pairs.raters):
            book_one(book, f"auto - {rater}", pairs.auto - raters[:, place], pairs.subject)
            _book_pair(book, f"auto and {rater}", pairs.auto, raters[:, place], pairs.subject)
    for one, other in combinations(range(len(pairs.raters)), 2):
        name = f"{pairs.raters[one]} - {pairs.raters[other]}"
        book_one(book, name, raters[:, one] - raters[:, other], pairs.subject)
    if found.rater_forms and found.rater_error:
        people = int(np.unique(values.full_subject).size)
        book_reliability(book, "raters", found.rater_forms, found.rater_error, GENERALIZED,
                         len(values.full), people)  # fmt: skip
    if found.spread is not None:
        how = "root mean square difference, jackknife interval by subject"
        book.add("auto to rater", "distance", found.spread.auto_to_rater, how)
        is_shared = np.isfinite(raters).sum(axis=1) > 1
        counts = int(is_shared.sum()), int(np.unique(pairs.subject[is_shared]).size)
        book.add("rater to rater", "distance", found.spread.rater_to_rater, how, None, *counts)
        of_both = "auto to rater over rater to rater"
        book.add(of_both, "ratio of distances", found.spread.ratio, how, "", *counts)


def _book_pair(
    book: Book, comparison: str, auto: Array, rater: Array, subject: NDArray[np.intp]
) -> None:
    """Coefficient and error of the tool and one rater, over the targets that both measured."""
    known = np.isfinite(rater)
    people, own = np.unique(subject[known], return_inverse=True)
    if people.size < 2 or np.ptp(rater[known]) == 0 or np.ptp(auto[known]) == 0:
        return
    counts = int(known.sum()), int(people.size)
    form = forms_of_two(rater[known], auto[known], own)[1]
    error = error_of_two(rater[known], auto[known], own)
    name = f"{form.shrout_fleiss} = {form.mcgraw_wong}"
    book.add(comparison, name, form.estimate, BY_SUBJECT, "", *counts)
    book.add(comparison, "SEM", error.sem_agreement, BY_SUBJECT, None, *counts)
    book.add(comparison, "MDC95", error.mdc95, "1.96 sqrt(2) SEM", None, *counts)


def _thinned(values: Array) -> Array:
    """At most 5,000 values: what the Shapiro-Wilk p value holds for."""
    return values[:: -(-values.size // 5000)]
