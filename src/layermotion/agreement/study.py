"""Owns the analysis of one measure: every figure of the comparison, in a fixed order."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from scipy import stats

from layermotion.agreement import regression
from layermotion.agreement.book import (
    AUTO_MANUAL,
    Book,
    book_bootstrap,
    book_limits,
    book_one,
    book_planning,
    book_readings,
    book_reliability,
    book_trend,
)
from layermotion.agreement.estimate import Array, Estimate, Statistic
from layermotion.agreement.icc import (
    Intraclass,
    MeasurementError,
    intraclass,
    measurement_error,
)
from layermotion.agreement.limits import Limits, limits_of_agreement
from layermotion.agreement.pairs import PairedSet
from layermotion.agreement.regression import Line, Trend
from layermotion.agreement.spread import (
    Equivalence,
    RaterSpread,
    draw_weights,
    equivalence,
    rater_spread,
)

# Below this many subjects the intervals are too wide to decide on (our choice).
FEW_SUBJECTS = 20
# Relative size of differences that arithmetic alone leaves.
ROUNDING = 1e-9
# Significance of the checks that only lead to a caution; common practice.
ALPHA = 0.05


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
    seed
        Where the bootstrap starts.
    """

    margins: Mapping[str, float] = field(default_factory=dict)
    as_ratio: bool = False
    error_ratio: float = 1.0
    seed: int = 0


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
        Coefficients and error of tool and raters' mean as two raters.
    rater_forms, rater_error
        The same among the raters alone; None with a single rater.
    concordance, deming, passing_bablok
        Agreement and lines of the tool (y) on the raters' mean (x).
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
    cautions
        Sentences a reader must know.
    """

    pairs: PairedSet
    limits: Limits
    as_ratio: bool
    trend: Trend
    forms: tuple[Intraclass, ...]
    error: MeasurementError
    rater_forms: tuple[Intraclass, ...] | None
    rater_error: MeasurementError | None
    concordance: Estimate
    deming: Line
    passing_bablok: Line | None
    spread: RaterSpread | None
    tests: Equivalence | None
    is_varied: bool
    normal_p: float
    statistics: tuple[Statistic, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Values:
    """What the analyses of one measure share.

    Parameters
    ----------
    raters
        Shape (pairs, raters), NaN where a rater gave no value.
    full
        Those of its rows in which every rater gave one.
    manual
        Mean of the raters, shape (pairs,).
    difference, mean
        Of the tool and that mean; of their logarithms where ``as_ratio``. Shape (pairs,).
    weights
        How often each draw takes each subject.
    """

    raters: Array
    full: Array
    manual: Array
    difference: Array
    mean: Array
    as_ratio: bool
    weights: Array


def compare(pairs: PairedSet, options: StudyOptions) -> Comparison:
    """Analyse one measure; as differences where a value has no logarithm, with a caution."""
    values = _values_of(pairs, options)
    found = _analyse(pairs, values, options)
    return replace(
        found,
        statistics=_figures(found, values, options),
        cautions=tuple(_cautions(found, options)),
    )


def _values_of(pairs: PairedSet, options: StudyOptions) -> _Values:
    auto, manual, raters = pairs.auto, pairs.manual_mean(), pairs.by_rater()
    lowest = min(float(auto.min()), float(np.nanmin(pairs.manual)))
    as_ratio = options.as_ratio and lowest > 0
    first, second = (np.log(auto), np.log(manual)) if as_ratio else (auto, manual)
    return _Values(
        raters=raters,
        full=raters[np.isfinite(raters).all(axis=1)],
        manual=manual,
        difference=first - second,
        mean=(first + second) / 2,
        as_ratio=as_ratio,
        weights=draw_weights(pairs.subjects, np.random.default_rng(options.seed)),
    )


def _analyse(pairs: PairedSet, values: _Values, options: StudyOptions) -> Comparison:
    """Compute everything but the rows and the sentences."""
    auto, manual, difference = pairs.auto, values.manual, values.difference
    both = np.stack([auto, manual], axis=1)
    full = values.full
    has_table = len(pairs.raters) > 1 and len(full) > 2 and np.ptp(full) > 0
    is_small = auto.size <= regression.MOST_BABLOK_POINTS
    has_overlap = (np.isfinite(values.raters).sum(axis=1) > 1).any()
    limits = limits_of_agreement(difference, pairs.subject)
    # Below this the differences vary by rounding alone.
    is_varied = bool(limits.sd > ROUNDING * float(np.abs(auto).max()))
    return Comparison(
        pairs=pairs,
        limits=limits,
        as_ratio=values.as_ratio,
        trend=regression.proportional_bias(difference, values.mean, pairs.subject),
        forms=intraclass(both),
        error=measurement_error(both),
        rater_forms=intraclass(full) if has_table else None,
        rater_error=measurement_error(full) if has_table else None,
        concordance=regression.concordance(manual, auto),
        deming=regression.deming(manual, auto, pairs.subject, options.error_ratio),
        passing_bablok=regression.passing_bablok(manual, auto) if is_small else None,
        spread=rater_spread(auto, values.raters, pairs.subject, values.weights)
        if has_overlap
        else None,
        tests=_against_margin(pairs, values, limits, options),
        is_varied=is_varied,
        normal_p=float(stats.shapiro(_thinned(difference)).pvalue) if is_varied else 1.0,
    )


def _against_margin(
    pairs: PairedSet, values: _Values, limits: Limits, options: StudyOptions
) -> Equivalence | None:
    margin = options.margins.get(pairs.unit)
    if margin is None or values.as_ratio:
        return None
    bounds = (limits.outer_low, limits.outer_high)
    if math.isnan(limits.outer_low):
        bounds = (limits.lower.low, limits.upper.high)
    return equivalence(values.difference, pairs.subject, margin, *bounds)


def _figures(found: Comparison, values: _Values, options: StudyOptions) -> tuple[Statistic, ...]:
    """All figures as rows, in a fixed order."""
    pairs = found.pairs
    book = Book(pairs)
    book_limits(book, AUTO_MANUAL, found.limits, found.as_ratio)
    book_trend(book, AUTO_MANUAL, found.trend, found.as_ratio)
    book.add(AUTO_MANUAL, "p of normal differences", Estimate(found.normal_p), "Shapiro-Wilk", "")
    book_reliability(book, "auto and manual mean", found.forms, found.error)
    how = "z transform, pairs as independent"
    book.add(AUTO_MANUAL, "concordance correlation", found.concordance, how, "")
    for name, line in (("Deming", found.deming), ("Passing-Bablok", found.passing_bablok)):
        if line is not None:
            book.add(AUTO_MANUAL, f"{name} slope", line.slope, line.method, "")
            book.add(AUTO_MANUAL, f"{name} intercept", line.intercept, line.method)
    both = np.stack([pairs.auto, values.manual], axis=1)
    book_bootstrap(book, both, pairs.subject, values.weights, options.error_ratio)
    _book_raters(book, found, values)
    book_readings(book, pairs)
    if found.spread is not None:
        how = "root mean square difference; interval draws subjects again"
        book.add("auto to rater", "distance", found.spread.auto_to_rater, how)
        book.add("rater to rater", "distance", found.spread.rater_to_rater, how)
        of_both = "auto to rater over rater to rater"
        book.add(of_both, "ratio of distances", found.spread.ratio, how, "")
    tests = found.tests
    if tests is not None:
        how = f"two one-sided tests, margin {tests.margin:g} {pairs.unit}, means of subjects"
        book.add(AUTO_MANUAL, "p of equivalence", Estimate(tests.p), how, "")
    margin = None if found.as_ratio else options.margins.get(pairs.unit)
    book_planning(book, found.limits, found.forms[1].estimate.value, margin)
    return tuple(book.rows)


def _book_raters(book: Book, found: Comparison, values: _Values) -> None:
    """Add the tool against each rater, the raters against each other, and all raters."""
    pairs, raters = found.pairs, values.raters
    if len(pairs.raters) > 1:
        for place, rater in enumerate(pairs.raters):
            book_one(book, f"auto - {rater}", pairs.auto - raters[:, place], pairs.subject)
    for one, other in combinations(range(len(pairs.raters)), 2):
        name = f"{pairs.raters[one]} - {pairs.raters[other]}"
        book_one(book, name, raters[:, one] - raters[:, other], pairs.subject)
    if found.rater_forms and found.rater_error:
        book_reliability(book, "raters", found.rater_forms, found.rater_error, len(values.full))


def _thinned(values: Array) -> Array:
    """At most 5,000 values: what the Shapiro-Wilk p value holds for."""
    return values[:: -(-values.size // 5000)]


def _cautions(found: Comparison, options: StudyOptions) -> Iterator[str]:
    pairs, trend = found.pairs, found.trend
    if not found.is_varied:
        yield (
            "Every automatic value differs from its manual one by the same amount, which "
            "measurements do not: check that neither table was made from the other."
        )
        return
    if options.as_ratio and not found.as_ratio:
        yield (
            "Some values are zero or below and have no logarithm, so differences were analysed "
            "here and not ratios."
        )
    if pairs.subjects < FEW_SUBJECTS:
        yield (
            f"Only {pairs.subjects} subjects: the intervals are wide, and none should decide alone."
        )
    remedy = "" if options.as_ratio else ", or use --log"
    if trend.slope_p < ALPHA:
        yield (
            "The difference changes with the size of the value, so one pair of limits does not "
            f"hold for all sizes; read the sloping lines of the difference plot{remedy}."
        )
    if trend.spread_p < ALPHA:
        yield (
            "The spread of the differences changes with the size of the value: the limits are too "
            f"wide at one end and too narrow at the other{remedy}."
        )
    if found.normal_p < ALPHA:
        yield (
            "The differences are not normally distributed (Shapiro-Wilk), so the limits and "
            "their intervals are approximate; compare them with those of the bootstrap."
        )
    if pairs.auto.size > pairs.subjects:
        yield (
            "Subjects gave several pairs. Limits, Deming's line and the bootstrap take this into "
            "account; the F intervals of the ICC, the z interval of the concordance and the "
            'Passing-Bablok interval do not: read those marked "by subject" instead.'
        )
    if pairs.auto.size > regression.MOST_BABLOK_POINTS:
        yield (
            f"Passing-Bablok was left out: it compares all pairs of points, and "
            f"{regression.MOST_BABLOK_POINTS} points are the most it is run for."
        )
    if found.as_ratio and pairs.unit in options.margins:
        yield "The margin was not tested, because ratios were analysed."
