"""Owns the analysis of one measure: every figure of the comparison, in a fixed order."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

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
    normal_p: float
    statistics: tuple[Statistic, ...]
    cautions: tuple[str, ...]


def compare(pairs: PairedSet, options: StudyOptions) -> Comparison:
    """Analyse one measure; as differences where a value has no logarithm, with a caution."""
    as_ratio = options.as_ratio and min(float(pairs.auto.min()), float(np.nanmin(pairs.manual))) > 0
    auto, manual = pairs.auto, pairs.manual_mean()
    rng = np.random.default_rng(options.seed)
    weights = draw_weights(pairs.subjects, rng)
    scaled = (np.log(auto), np.log(manual)) if as_ratio else (auto, manual)
    difference = scaled[0] - scaled[1]
    limits = limits_of_agreement(difference, pairs.subject)
    trend = regression.proportional_bias(difference, (scaled[0] + scaled[1]) / 2, pairs.subject)
    both = np.stack([auto, manual], axis=1)
    raters = pairs.by_rater()
    full = raters[np.isfinite(raters).all(axis=1)]
    several = len(pairs.raters) > 1
    has_table = several and len(full) > 2 and np.ptp(full) > 0
    deming = regression.deming(manual, auto, pairs.subject, options.error_ratio)
    is_small = auto.size <= regression.MOST_POINTS
    bablok = regression.passing_bablok(manual, auto) if is_small else None
    concordance = regression.concordance(manual, auto)
    overlap = (np.isfinite(raters).sum(axis=1) > 1).any()
    spread = rater_spread(auto, raters, pairs.subject, weights) if overlap else None
    margin = options.margins.get(pairs.unit)
    tests = None
    if margin is not None and not as_ratio:
        bounds = (limits.outer_low, limits.outer_high)
        if math.isnan(limits.outer_low):
            bounds = (limits.lower.low, limits.upper.high)
        tests = equivalence(difference, pairs.subject, margin, *bounds)
    # Below this the differences vary by rounding alone.
    is_varied = bool(limits.sd > ROUNDING * float(np.abs(auto).max()))
    normal_p = float(stats.shapiro(_thinned(difference)).pvalue) if is_varied else 1.0
    forms, error = intraclass(both), measurement_error(both)
    book = Book(pairs)
    book_limits(book, AUTO_MANUAL, limits, as_ratio)
    book_trend(book, AUTO_MANUAL, trend, as_ratio)
    book.add(AUTO_MANUAL, "p of normal differences", Estimate(normal_p), "Shapiro-Wilk", "")
    book_reliability(book, "auto and manual mean", forms, error)
    how = "z transform, pairs as independent"
    book.add(AUTO_MANUAL, "concordance correlation", concordance, how, "")
    for name, line in (("Deming", deming), ("Passing-Bablok", bablok)):
        if line is not None:
            book.add(AUTO_MANUAL, f"{name} slope", line.slope, line.method, "")
            book.add(AUTO_MANUAL, f"{name} intercept", line.intercept, line.method)
    book_bootstrap(book, both, pairs.subject, weights, options.error_ratio)
    for place, rater in enumerate(pairs.raters if several else ()):
        book_one(book, f"auto - {rater}", auto - raters[:, place], pairs.subject)
    for one in range(len(pairs.raters)):
        for other in range(one + 1, len(pairs.raters)):
            name = f"{pairs.raters[one]} - {pairs.raters[other]}"
            book_one(book, name, raters[:, one] - raters[:, other], pairs.subject)
    rater_forms = intraclass(full) if has_table else None
    rater_error = measurement_error(full) if has_table else None
    if rater_forms and rater_error:
        book_reliability(book, "raters", rater_forms, rater_error, len(full))
    book_readings(book, pairs)
    if spread is not None:
        how = "root mean square difference; interval draws subjects again"
        book.add("auto to rater", "distance", spread.auto_to_rater, how)
        book.add("rater to rater", "distance", spread.rater_to_rater, how)
        book.add("auto to rater over rater to rater", "ratio of distances", spread.ratio, how, "")
    if tests is not None:
        how = f"two one-sided tests, margin {tests.margin:g} {pairs.unit}, means of subjects"
        book.add(AUTO_MANUAL, "p of equivalence", Estimate(tests.p), how, "")
    book_planning(book, limits, forms[1].estimate.value, None if as_ratio else margin)
    return Comparison(
        pairs=pairs,
        limits=limits,
        as_ratio=as_ratio,
        trend=trend,
        forms=forms,
        error=error,
        rater_forms=rater_forms,
        rater_error=rater_error,
        concordance=concordance,
        deming=deming,
        passing_bablok=bablok,
        spread=spread,
        tests=tests,
        normal_p=normal_p,
        statistics=tuple(book.rows),
        cautions=tuple(_cautions(pairs, trend, normal_p, as_ratio, is_varied, options)),
    )


def _thinned(values: Array) -> Array:
    """At most 5,000 values: what the Shapiro-Wilk p value holds for."""
    return values[:: -(-values.size // 5000)]


def _cautions(
    pairs: PairedSet,
    trend: Trend,
    normal_p: float,
    as_ratio: bool,
    is_varied: bool,
    options: StudyOptions,
) -> Iterator[str]:
    if not is_varied:
        yield (
            "Every automatic value differs from its manual one by the same amount, which "
            "measurements do not: check that neither table was made from the other."
        )
        return
    if options.as_ratio and not as_ratio:
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
    if normal_p < ALPHA:
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
    if pairs.auto.size > regression.MOST_POINTS:
        yield (
            f"Passing-Bablok was left out: it compares all pairs of points, and "
            f"{regression.MOST_POINTS} points are the most it is run for."
        )
    if as_ratio and pairs.unit in options.margins:
        yield "The margin was not tested, because ratios were analysed."
