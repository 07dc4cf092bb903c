"""Owns the rows of figures.csv: every figure of a comparison under its name, with its method."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array, Estimate, Statistic, chi2_quantiles
from layermotion.agreement.icc import Intraclass, MeasurementError
from layermotion.agreement.limits import Limits, limits_of_agreement, limits_of_one_reading
from layermotion.agreement.pairs import PairedSet
from layermotion.agreement.planning import subjects_for_limits, subjects_for_margin
from layermotion.agreement.planning_icc import subjects_for_icc
from layermotion.agreement.regression import Trend

AUTO_MANUAL = "auto - manual"
# Precision that the planning asks for: a limit known within half an SD each way, and an ICC
# interval of 0.2 (our choice).
LIMIT_WIDTH_SD = 1.0
ICC_WIDTH = 0.2
BIAS = "mean difference, t interval by subject"
BY_SUBJECT = "jackknife interval by subject"
GENERALIZED = "generalized interval, raters as drawn from many"


class Book:
    """Collects figures of one measure."""

    def __init__(self, pairs: PairedSet) -> None:
        self._pairs = pairs
        self.rows: list[Statistic] = []

    def add(
        self,
        comparison: str,
        statistic: str,
        estimate: Estimate,
        method: str,
        unit: str | None = None,
        pairs: int | None = None,
        subjects: int | None = None,
    ) -> None:
        """Add a row; unit and counts are those of the set unless given."""
        own = self._pairs
        self.rows.append(
            Statistic(
                measure=own.measure,
                structure=own.structure,
                comparison=comparison,
                statistic=statistic,
                value=estimate.value,
                low=estimate.low,
                high=estimate.high,
                unit=own.unit if unit is None else unit,
                subjects=own.subjects if subjects is None else subjects,
                pairs=own.auto.size if pairs is None else pairs,
                method=method,
            )
        )


def back_from_log(estimate: Estimate) -> Estimate:
    """Turn a difference of logarithms into a ratio."""
    return Estimate(math.exp(estimate.value), math.exp(estimate.low), math.exp(estimate.high))


def book_limits(book: Book, comparison: str, limits: Limits, as_ratio: bool) -> None:
    """Bias and limits of agreement with every interval; as ratios where they are of logs."""

    def add(name: str, estimate: Estimate, method: str) -> None:
        if as_ratio:
            book.add(comparison, f"ratio: {name}", back_from_log(estimate), method, "ratio")
        else:
            book.add(comparison, name, estimate, method)

    add("bias", limits.bias, BIAS)
    add("lower limit of agreement, 1.96 SD", limits.lower, limits.method)
    add("upper limit of agreement, 1.96 SD", limits.upper, limits.method)
    if not math.isnan(limits.outer_low):
        pair = Estimate(limits.bias.value, limits.outer_low, limits.outer_high)
        name = "outer bounds, 95 % of differences with 97.5 % confidence"
        add(name, pair, "exact two-sided tolerance factor")
    bias, sd = limits.bias.value, limits.sd
    add("lower limit, 2 SD", Estimate(bias - 2 * sd), "as in Bland & Altman 1986")
    add("upper limit, 2 SD", Estimate(bias + 2 * sd), "as in Bland & Altman 1986")
    unit = "log" if as_ratio else None
    book.add(comparison, "SD of differences", Estimate(sd), limits.method, unit)
    if not math.isnan(limits.within_sd):
        book.add(
            comparison, "SD between subjects", Estimate(limits.between_sd), limits.method, unit
        )
        book.add(comparison, "SD within subjects", Estimate(limits.within_sd), limits.method, unit)


def book_trend(book: Book, comparison: str, trend: Trend, as_ratio: bool) -> None:
    """Line of the difference on the mean, the spread about it, and whether that changes too."""
    prefix, unit = ("log: ", "log") if as_ratio else ("", None)
    for name, estimate, own in (
        ("intercept of difference on mean", trend.intercept, unit),
        ("slope of difference on mean", trend.slope, ""),
        ("p of slope of difference on mean", Estimate(trend.slope_p), ""),
        ("SD about that line", Estimate(trend.sd), unit),
        ("p of spread changing with mean", Estimate(trend.spread_p), ""),
    ):
        book.add(comparison, prefix + name, estimate, trend.method, own)


def book_any_shape(book: Book, shape: tuple[Estimate, Estimate], as_ratio: bool) -> None:
    """Limits with intervals that hold for differences of any distribution."""
    for side, estimate in zip(("lower", "upper"), shape, strict=True):
        name = f"{side} limit, interval for any distribution"
        own = back_from_log(estimate) if as_ratio else estimate
        prefix, unit = ("ratio: ", "ratio") if as_ratio else ("", None)
        book.add(AUTO_MANUAL, prefix + name, own, BY_SUBJECT, unit)


def book_one(book: Book, comparison: str, difference: Array, subject: NDArray[np.intp]) -> None:
    """Bias and limits of one pair of methods, over the targets that both measured."""
    known = np.isfinite(difference)
    people, own = np.unique(subject[known], return_inverse=True)
    if people.size < 2:
        return
    limits = limits_of_agreement(difference[known], own)
    _book_short(book, comparison, limits, int(known.sum()), int(people.size))


def _book_short(book: Book, comparison: str, limits: Limits, pairs: int, subjects: int) -> None:
    for name, estimate, method in (
        ("bias", limits.bias, BIAS),
        ("lower limit of agreement, 1.96 SD", limits.lower, limits.method),
        ("upper limit of agreement, 1.96 SD", limits.upper, limits.method),
        ("SD of differences", Estimate(limits.sd), limits.method),
    ):
        book.add(comparison, name, estimate, method, None, pairs, subjects)


def book_reliability(
    book: Book,
    comparison: str,
    forms: Sequence[Intraclass],
    error: MeasurementError,
    method: str,
    targets: int | None = None,
    subjects: int | None = None,
) -> None:
    """Six coefficients, SEM, smallest detectable change and CV; without those not given."""
    for form in forms:
        name = f"{form.shrout_fleiss} = {form.mcgraw_wong}"
        how = f"two-way analysis of variance, {method}"
        if not form.estimate.has_interval():
            how = "two-way analysis of variance"
        book.add(comparison, name, form.estimate, how, "", targets, subjects)
    for name, estimate, unit, how in (
        ("SEM, consistency", error.sem_consistency, None, method),
        ("SEM, agreement", error.sem_agreement, None, method),
        ("MDC95", error.mdc95, None, "1.96 sqrt(2) SEM, agreement"),
        ("CV", error.cv_percent, "%", "SEM, agreement, over the mean"),
    ):
        if not math.isnan(estimate.value):
            book.add(comparison, name, estimate, how, unit, targets, subjects)


def book_readings(
    book: Book, pairs: PairedSet, by_rater: Array, *, as_ratio: bool, multiplier: float
) -> None:
    """Spread of a rater's own readings of one target, and limits for one of them."""
    for place, rater in enumerate(pairs.raters):
        readings = pairs.manual[:, place]
        counts = np.isfinite(readings).sum(axis=1)
        again = counts > 1
        freedom = int((counts[again] - 1).sum())
        if freedom == 0:
            continue
        variance = float((np.nanvar(readings[again], axis=1) * counts[again]).sum()) / freedom
        low, high = chi2_quantiles(freedom)
        estimate = Estimate(
            math.sqrt(variance),
            math.sqrt(variance * freedom / high),
            math.sqrt(variance * freedom / low),
        )
        book.add(
            f"{rater} again",
            "SEM, same rater",
            estimate,
            "pooled SD of readings of one target, chi square interval",
            pairs=int(again.sum()),
            subjects=int(np.unique(pairs.subject[again]).size),
        )
        known = counts > 0
        people, own = np.unique(pairs.subject[known], return_inverse=True)
        if as_ratio or people.size < 2:
            continue
        mean = limits_of_agreement((pairs.auto - by_rater[:, place])[known], own, multiplier)
        one = limits_of_one_reading(mean, variance, freedom, float((1 - 1 / counts[known]).mean()))
        name = f"auto - {rater}, one reading"
        _book_short(book, name, one, int(known.sum()), int(people.size))


def book_planning(book: Book, limits: Limits, icc: float, margin: float | None) -> None:
    """Subjects that the next study needs; nothing for a margin that was not given."""

    def add(name: str, subjects: int | None, method: str) -> None:
        value = math.nan if subjects is None else float(subjects)
        book.add("next study", name, Estimate(value), method, "subjects")

    add(
        "for limits known within 0.5 SD each way",
        subjects_for_limits(LIMIT_WIDTH_SD),
        "exact interval of one limit",
    )
    if 0 <= icc < 1:
        method = f"expected ICC(3,1) {icc:.2f}, two methods without an offset (Bonett 2002)"
        add("for an ICC interval 0.2 wide", subjects_for_icc(icc, ICC_WIDTH, 2), method)
    if margin is not None and limits.sd > 0:
        method = f"bias and SD as found, margin {margin:g}; empty: the limits exceed the margin"
        wanted = subjects_for_margin(limits.bias.value, limits.sd, margin)
        add("for limits within the margin, power 0.8", wanted, method)
