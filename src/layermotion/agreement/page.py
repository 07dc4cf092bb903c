"""Owns the pages of the bench: words, tables and the methods paragraph around the figures."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined

from layermotion.agreement.book import back_from_log
from layermotion.agreement.estimate import Estimate, Statistic
from layermotion.agreement.plots import Drawing, measure_words
from layermotion.agreement.readings import Unused
from layermotion.agreement.reliability import LEAST_GAIN, Reliability
from layermotion.agreement.spread import DRAWS
from layermotion.agreement.study import Comparison, StudyOptions
from layermotion.report import palette

Provenance = Sequence[tuple[str, str]]

COMPARE_SOURCES = (
    "Bland JM, Altman DG. Lancet 1986; i:307-310; Stat Methods Med Res 1999; 8:135-160; "
    "J Biopharm Stat 2007; 17:571-582.",
    "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. "
    "Optom Vis Sci 2015; 92(3).",
    "Zou GY. Limits of agreement with multiple observations per individual. Stat Methods Med Res "
    "2013; 22(6).",
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428; McGraw KO, Wong SP. Psychol Methods "
    "1996; 1:30-46.",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Lin LI. Biometrics 1989; 45:255-268, corrected 2000; 56:324-325.",
    "Linnet K. Stat Med 1990; 9:1463-1473 (Deming, jackknife); Passing H, Bablok W. J Clin Chem "
    "Clin Biochem 1983; 21:709-720.",
    "Barnhart HX, Kosinski AS, Haber MJ. J Biopharm Stat 2007; 17:697-719 (individual agreement).",
    "Hesterberg TC. Am Stat 2015; 69:371-386 (percentiles of the bootstrap for few subjects).",
    "Bonett DG. Stat Med 2002; 21:1331-1335 (subjects for an ICC).",
)
RELIABILITY_SOURCES = (
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428.",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Satterthwaite FE. Biometrics Bull 1946; 2:110-114 (degrees of freedom of a sum of variances).",
)


@dataclass(frozen=True)
class _Row:
    """One line of the full table of a measure."""

    comparison: str
    is_first: bool
    statistic: str
    value: str
    interval: str
    method: str


@dataclass(frozen=True)
class _Part:
    """One measure on the page of a comparison."""

    anchor: str
    label: str
    headline: str
    counts: str
    bias: str
    limits: str
    icc: str
    sem: str
    mdc: str
    ratio: str
    cautions: tuple[str, ...]
    drawings: tuple[Drawing, ...]
    rows: tuple[_Row, ...]


@dataclass(frozen=True)
class _UnusedCount:
    table: str
    reason: str
    count: int


def page_mark(command: str) -> str:
    """Give the element that tells a page of this command from any other page."""
    return f'<meta name="generator" content="layermotion {command}">'


def build_compare_page(
    comparisons: Sequence[Comparison],
    drawings: Sequence[tuple[Drawing, ...]],
    overview: Sequence[Drawing],
    unused: Sequence[Unused],
    notes: Sequence[str],
    options: StudyOptions,
    provenance: Provenance,
) -> str:
    """Write the page of a comparison as one HTML text that refers to nothing outside itself."""
    parts = [
        _part(comparison, own, number)
        for number, (comparison, own) in enumerate(zip(comparisons, drawings, strict=True))
    ]
    raters = max(len(item.pairs.raters) for item in comparisons)
    subjects = max(item.pairs.subjects for item in comparisons)
    return _environment().get_template("compare.html.j2").render(
        palette=palette,
        mark=page_mark("compare"),
        title="Automatic against manual measurement",
        about=f"{_count(subjects, 'subject')}, {_count(raters, 'rater')}, "
        f"{_count(len(parts), 'measure')}",
        parts=parts,
        overview=overview,
        unused_counts=_count_unused(unused),
        notes=notes,
        methods=tuple(_compare_methods(comparisons, options)),
        sources=COMPARE_SOURCES,
        provenance=provenance,
    )  # fmt: skip


def build_reliability_page(
    results: Sequence[Reliability],
    drawings: Sequence[Drawing],
    unused: Sequence[Unused],
    notes: Sequence[str],
    provenance: Provenance,
) -> str:
    """Write the page of a reliability study as one HTML text."""
    parts = [
        {
            "label": _label(result.structure, result.measure, result.unit),
            "headline": reliability_headline(result),
            "counts": f"{_count(result.subjects, 'subject')}, {_count(result.raters, 'rater')}, "
            f"{_count(result.observations, 'value')}, mean "
            f"{number(result.mean, result.unit)}",
            "cautions": result.cautions,
            "has_raters": result.raters > 1,
            "has_placements": not math.isnan(
                next(part.variance for part in result.errors if part.name == "placement")
            ),
            "components": [
                {
                    "name": part.name,
                    "variance": "not told apart"
                    if math.isnan(part.variance)
                    else f"{part.variance:.4f}",
                    "sd": "" if math.isnan(part.variance) else f"{math.sqrt(part.variance):.3f}",
                    "share": "" if math.isnan(part.percent) else f"{part.percent:.1f} %",
                }
                for part in result.components
            ],
            "plan": [
                {
                    "repeats": row.repeats,
                    "sem": _with_interval(row.sem, result.unit),
                    "same": _with_interval(row.sem_same, result.unit),
                    "apart": _with_interval(row.sem_apart, result.unit),
                    "mdc": _with_interval(row.mdc95, result.unit),
                    "coefficient": f"{row.coefficient:.2f}",
                }
                for row in result.plan
            ],
        }
        for result in results
    ]
    return _environment().get_template("reliability.html.j2").render(
        palette=palette,
        mark=page_mark("reliability"),
        title="Reliability of repeated measurement",
        about=f"{_count(max(r.subjects for r in results), 'subject')}, "
        f"{_count(len(results), 'measure')}",
        parts=parts,
        drawings=drawings,
        unused_counts=_count_unused(unused),
        notes=notes,
        methods=tuple(_reliability_methods(results)),
        sources=RELIABILITY_SOURCES,
        provenance=provenance,
    )  # fmt: skip


def compare_headline(comparison: Comparison) -> str:
    """State bias, limits, the raters' spread and the margin of one measure in plain words."""
    pairs, limits = comparison.pairs, comparison.limits
    label = _label(pairs.structure, pairs.measure, pairs.unit)
    if comparison.as_ratio:
        bias, low, high = map(back_from_log, (limits.bias, limits.lower, limits.upper))
        words = (
            f"{label}: the tool reads {bias.value:.3f} times what the raters read "
            f"({_interval(bias, 'ratio')}); 95 % of ratios lie between {low.value:.2f} and "
            f"{high.value:.2f}."
        )
    else:
        bias = limits.bias
        way = "more" if bias.value > 0 else "less"
        sure = "" if not bias.low <= 0 <= bias.high else ", which may be chance"
        words = (
            f"{label}: the tool reads {number(abs(bias.value), pairs.unit)} {way} than the raters "
            f"({_interval(bias, pairs.unit)}{sure}); 95 % of differences lie between "
            f"{number(limits.lower.value, pairs.unit, with_unit=False)} and "
            f"{number(limits.upper.value, pairs.unit)}."
        )
    if comparison.spread is not None:
        words += f" {comparison.spread.verdict}"
    if comparison.tests is not None:
        margin = number(comparison.tests.margin, pairs.unit)
        if comparison.tests.limits_within:
            words += f" Single values lie within the margin of {margin}."
        elif comparison.tests.p < 0.05:
            words += (
                f" The mean lies within the margin of {margin}; single values are not shown to."
            )
        else:
            words += f" Neither the mean nor single values are shown to lie within {margin}."
    return words


def reliability_headline(result: Reliability) -> str:
    """State the smallest detectable change, its main source and the repeats worth averaging."""
    single, best = result.plan[0], result.plan[result.enough - 1]
    errors = [part for part in result.errors if not math.isnan(part.variance)]
    largest = max(errors, key=lambda part: part.variance)
    words = (
        f"{_label(result.structure, result.measure, result.unit)}: a change between two single "
        f"values must exceed {number(single.mdc95.value, result.unit)} to be seen over the error"
    )
    if result.enough > 1:
        words += (
            f", and {number(best.mdc95.value, result.unit)} between means of {result.enough} "
            f"repeats; more repeats gain little"
        )
    else:
        words += "; averaging repeats gains little"
    return f"{words}. Most of the error comes from: {largest.name}."


def number(value: float, unit: str, *, with_unit: bool = True) -> str:
    """Write a value with the digits its unit deserves and a true minus sign.

    Examples
    --------
    >>> number(1.2345, "ratio")
    '1.234'
    >>> number(0.1234, "mm", with_unit=False)
    '0.12'
    """
    if not math.isfinite(value):
        return "none" if math.isnan(value) else "no bound"
    decimals = {"mm": 2, "%": 1, "subjects": 0}.get(unit, 3)
    text = f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")
    return f"{text}\N{NO-BREAK SPACE}{unit}" if with_unit and unit not in ("", "ratio") else text


def _part(comparison: Comparison, drawings: tuple[Drawing, ...], place: int) -> _Part:
    pairs, limits, unit = comparison.pairs, comparison.limits, comparison.pairs.unit
    bias, low, high = limits.bias, limits.lower, limits.upper
    if comparison.as_ratio:
        bias, low, high, unit = *map(back_from_log, (bias, low, high)), "ratio"
    return _Part(
        anchor=f"measure-{place}",
        label=_label(pairs.structure, pairs.measure, pairs.unit),
        headline=compare_headline(comparison),
        counts=f"{pairs.subjects}, {pairs.auto.size}",
        bias=_with_interval(bias, unit),
        limits=f"{number(low.value, unit, with_unit=False)} to {number(high.value, unit)}",
        icc=_with_interval(comparison.forms[1].estimate, "icc"),
        sem=number(comparison.error.sem_agreement.value, pairs.unit),
        mdc=number(comparison.error.mdc95.value, pairs.unit),
        ratio=_with_interval(comparison.spread.ratio, "icc") if comparison.spread else "one rater",
        cautions=comparison.cautions,
        drawings=drawings,
        rows=tuple(_rows(comparison.statistics)),
    )


def _rows(statistics: Sequence[Statistic]) -> Iterator[_Row]:
    previous, before = "", ("", "")
    for row in statistics:
        estimate = Estimate(row.value, row.low, row.high)
        yield _Row(
            comparison=row.comparison,
            is_first=row.comparison != previous,
            statistic=row.statistic,
            value=number(row.value, row.unit),
            interval=_interval(estimate, row.unit) if estimate.has_interval() else "",
            method="" if (row.comparison, row.method) == before else row.method,
        )
        previous, before = row.comparison, (row.comparison, row.method)


def _interval(estimate: Estimate, unit: str) -> str:
    return f"{number(estimate.low, unit, with_unit=False)} to {number(estimate.high, unit)}"


def _with_interval(estimate: Estimate, unit: str) -> str:
    """Write value and interval; ``icc`` as a unit gives two decimals without a unit.

    Only the space before the interval may break a line.
    """
    if unit == "icc":
        parts = [f"{x:.2f}" for x in (estimate.value, estimate.low, estimate.high)]
        value, low, high = (part.replace("-", "\N{MINUS SIGN}") for part in parts)
    else:
        ends = (estimate.value, estimate.low, estimate.high)
        value, low, high = (number(part, unit, with_unit=False) for part in ends)
    if not estimate.has_interval():
        return value
    return f"{value} ({low} to {high})".replace(" to ", "\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}")


def _label(structure: str, measure: str, unit: str) -> str:
    return f"{palette.short_name(structure)} {measure_words(measure)}, {unit}"


def _count(size: int, word: str) -> str:
    return f"{size} {word}{'' if size == 1 else 's'}"


def _count_unused(unused: Sequence[Unused]) -> list[_UnusedCount]:
    counts = Counter((item.table, item.reason) for item in unused)
    return [_UnusedCount(table, reason, count) for (table, reason), count in counts.items()]


def _compare_methods(comparisons: Sequence[Comparison], options: StudyOptions) -> Iterator[str]:
    several = any(len(item.pairs.raters) > 1 for item in comparisons)
    repeated = any(item.pairs.auto.size > item.pairs.subjects for item in comparisons)
    names = ", ".join(_label(i.pairs.structure, i.pairs.measure, i.pairs.unit) for i in comparisons)
    scale = "ratios, as differences of natural logarithms" if options.as_ratio else "differences"
    raters = "the mean of the raters" if several else "the manual value"
    yield (
        f"Automatic values were compared with calliper values for: {names}. A rater's readings of "
        f"one target were averaged first. Agreement was described by {scale} of the automatic "
        f"value and {raters}: bias and 95 % limits of agreement (bias ± 1.96 SD)."
    )
    if repeated:
        yield (
            "Where subjects gave several pairs, the SD of a single difference was put together "
            "from its variance between and within subjects (one-way analysis of variance; the true "
            "value may vary), with intervals recovered from the variance of each part. "
            f"Further intervals drew whole subjects again ({DRAWS} bootstrap draws, seed "
            f"{options.seed}, percentiles widened for few subjects)."
        )
    yield (
        "With one pair a subject, each limit has an exact interval (noncentral t), and the outer "
        "bounds hold 95 % of differences with 97.5 % confidence (two-sided tolerance limits); "
        "the large-sample intervals stand beside them. Proportional bias was the least-squares "
        "slope of the difference on the mean; a spread that changes with the mean was looked for "
        "in the size of its residuals. Two lines that allow error in both methods were fitted: "
        "Deming's, "
        f"with an error ratio (automatic over manual variance) of {options.error_ratio:g} and "
        "jackknife intervals by subject, and Passing-Bablok's. Lin's concordance correlation has "
        "the interval of its z transform."
    )
    yield (
        "Intraclass correlations are given in all six forms of Shrout and Fleiss; ICC(2,1), "
        "two-way random, single measure, absolute agreement, is the one to read. The standard "
        "error of measurement (SEM) is the root of the error variance, offsets between methods "
        "included; MDC95 is 1.96 √2 SEM, and CV is SEM over the mean."
    )
    if several:
        yield (
            "The tool's root mean square distance from a rater was set against the distance "
            "between raters; the interval of their ratio drew subjects again."
        )
    if options.margins:
        words = " and ".join(f"{value:g} {unit}" for unit, value in options.margins.items())
        yield (
            f"The margin was stated beforehand: {words}. The mean difference was tested by two "
            "one-sided tests at 5 % on means of subjects; single values count as within the margin "
            "when the outer bounds of both limits are."
        )
    yield (
        "No value was imputed and no outlier removed. Values that the tool withheld, and values "
        "without a partner, took no part; they are listed. No correction was made for testing "
        "several measures."
    )


def _reliability_methods(results: Sequence[Reliability]) -> Iterator[str]:
    names = ", ".join(_label(r.structure, r.measure, r.unit) for r in results)
    yield (
        f"The variance of single values was split for: {names}. A linear mixed model was fitted by "
        "restricted maximum likelihood, with subject, subject by rater, session within subject and "
        "placement within session as random effects, as far as the design tells them apart (a clip "
        "is a placement where none is stated); raters were fixed, and their variance was that of "
        "their effects less its error. Sides and tasks of a subject count as true differences, not "
        "as error."
    )
    yield (
        "The standard error of measurement (SEM) of a mean of repeats is the root of all variances "
        "but the subjects', the residual divided by the number of repeats; with the same rater at "
        "both visits, the raters' parts fall away. Intervals follow Satterthwaite. The smallest "
        "detectable change is 1.96 √2 SEM. Repeats were taken as enough where one more lowers the "
        f"SEM by less than {LEAST_GAIN:.0%}."
    )


def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("layermotion", "agreement"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
