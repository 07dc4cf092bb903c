"""Owns the pages of the bench: words, tables and the methods paragraph around the figures."""

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

from markupsafe import Markup, escape

from layermotion.agreement.account import Flow, Outlier
from layermotion.agreement.book import back_from_log
from layermotion.agreement.cautions import compare_cautions
from layermotion.agreement.drawing import Drawing
from layermotion.agreement.estimate import CHANGE_PER_SEM, Estimate, Statistic
from layermotion.agreement.methods import (
    COMPARE_SOURCES,
    RELIABILITY_SOURCES,
    compare_methods,
    measure_label,
    reliability_methods,
)
from layermotion.agreement.readings import Unused
from layermotion.agreement.reliability import LEAST_GAIN, MOST_REPEATS, Reliability
from layermotion.agreement.spread import RaterSpread
from layermotion.agreement.study import Comparison, StudyOptions
from layermotion.report import palette
from layermotion.report.words import environment
from layermotion.ways import LATERAL, LIFT, way_of

Provenance = Sequence[tuple[str, str]]
# What a negative and a positive difference are where the sign of a measure is a direction.
TOWARDS = {
    LIFT: ("farther towards descent", "farther towards lift"),
    LATERAL: ("farther medially", "farther laterally"),
    "thickness_change": ("farther towards thinning", "farther towards thickening"),
}
# Outliers shown on the page; all are in outliers.csv (our choice).
MOST_OUTLIERS = 20


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
    mdc: str
    single_mdc: str
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
    flow: Sequence[Flow],
    outliers: Sequence[Outlier],
    unused: Sequence[Unused],
    notes: Sequence[str],
    cautions: Sequence[str],
    options: StudyOptions,
    provenance: Provenance,
) -> str:
    """Write the page of a comparison as one HTML text that refers to nothing outside itself."""
    parts = [
        _part(comparison, own, number, options)
        for number, (comparison, own) in enumerate(zip(comparisons, drawings, strict=True))
    ]
    raters = max(len(item.pairs.raters) for item in comparisons)
    subjects = max(item.pairs.subjects for item in comparisons)
    return environment("agreement").get_template("compare.html.j2").render(
        palette=palette,
        mark=page_mark("compare"),
        title="Automatic against manual measurement",
        about=f"{_count(subjects, 'subject')}, {_count(raters, 'rater')}, "
        f"{_count(len(parts), 'measure')}",
        parts=parts,
        overview=overview,
        scale=" or ".join(
            word
            for word, has_it in (
                ("minus", any(not item.as_ratio for item in comparisons)),
                ("over", any(item.as_ratio for item in comparisons)),
            )
            if has_it
        ),
        has_raters=raters > 1,
        flow=[_flow_row(row) for row in flow],
        outliers=[_outlier(item) for item in outliers[:MOST_OUTLIERS]],
        outlier_count=len(outliers),
        unused_counts=_count_unused(unused),
        notes=notes,
        cautions=cautions,
        methods=[_with_blanks(words) for words in compare_methods(comparisons, options)],
        sources=COMPARE_SOURCES,
        provenance=provenance,
    )  # fmt: skip


def build_reliability_page(
    results: Sequence[Reliability],
    drawings: Sequence[Drawing],
    unused: Sequence[Unused],
    notes: Sequence[str],
    cautions: Sequence[str],
    provenance: Provenance,
) -> str:
    """Write the page of a reliability study as one HTML text; what is true of all stands once."""
    shared: list[str] = []
    if len(results) > 1:
        shared = [words for words in results[0].cautions
                  if all(words in result.cautions for result in results)]  # fmt: skip
    parts = [
        {
            "label": measure_label(result.structure, result.measure, result.unit),
            "headline": reliability_headline(result),
            "counts": f"{_count(result.subjects, 'subject')}, {_count(result.raters, 'rater')}, "
            f"{_count(result.observations, 'value')}, mean "
            f"{number(result.mean, result.unit)}",
            "cautions": [words for words in result.cautions if words not in shared],
            "knows_any": result.plan[0].sem_any is not None,
            "who": result.who,
            "has_placements": result.plan[0].apart is not None,
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
                    "any": _with_interval(row.sem, result.unit),
                    "same": _with_interval(row.sem_same, result.unit),
                    "apart": _with_interval(row.apart, result.unit) if row.apart else "",
                    "mdc": _with_interval(row.mdc95, result.unit),
                    "coefficient": f"{row.coefficient:.2f}",
                }
                for row in result.plan
            ],
        }
        for result in results
    ]
    return environment("agreement").get_template("reliability.html.j2").render(
        palette=palette,
        mark=page_mark("reliability"),
        title="Reliability of repeated measurement",
        about=f"{_count(max(r.subjects for r in results), 'subject')}, "
        f"{_count(len(results), 'measure')}",
        parts=parts,
        drawings=drawings,
        unused_counts=_count_unused(unused),
        notes=notes,
        cautions=[*cautions, *shared],
        methods=[_with_blanks(words) for words in reliability_methods(results)],
        sources=RELIABILITY_SOURCES,
        provenance=provenance,
    )  # fmt: skip


def compare_headline(comparison: Comparison, options: StudyOptions) -> str:
    """State bias, limits, the raters' spread and the margin of one measure in plain words."""
    pairs, limits = comparison.pairs, comparison.limits
    label = measure_label(pairs.structure, pairs.measure, pairs.unit)
    if comparison.as_ratio:
        bias, low, high = map(back_from_log, (limits.bias, limits.lower, limits.upper))
        words = (
            f"{label}: the tool reads {bias.value:.3f} times what the {pairs.who} read"
            f"{'' if len(pairs.raters) > 1 else 's'} "
            f"({_interval(bias, 'ratio')}); 95\N{NO-BREAK SPACE}% of ratios lie between "
            f"{low.value:.2f} and {high.value:.2f}."
        )
    else:
        bias = limits.bias
        less, more = TOWARDS.get(way_of(pairs.measure) or pairs.measure, ("less", "more"))
        way = more if bias.value > 0 else less
        sure = "" if not bias.low <= 0 <= bias.high else ", which may be chance"
        words = (
            f"{label}: the tool reads {number(abs(bias.value), pairs.unit)} {way} than the "
            f"{pairs.who} ({_interval(bias, pairs.unit)}{sure}); 95\N{NO-BREAK SPACE}% of "
            f"differences lie between {number(limits.lower.value, pairs.unit, with_unit=False)} "
            f"and {number(limits.upper.value, pairs.unit)}."
        )
    if comparison.spread is not None:
        words += f" {_spread_words(comparison.spread, options.ratio_margin)}"
    if comparison.tests is not None:
        margin = number(comparison.tests.margin, pairs.unit)
        if comparison.tests.limits_within:
            words += (
                f" Shown: the limits, their intervals included, lie within the margin of {margin}."
            )
        elif comparison.tests.p < 0.05:
            words += (
                f" Shown: the mean lies within the margin of {margin}. Not shown: that the limits "
                f"do, their intervals included."
            )
        else:
            words += f" Neither the mean nor the limits are shown to lie within {margin}."
    return words


def _spread_words(spread: RaterSpread, margin: float | None) -> str:
    """Say how far the tool is from a rater, and whether that is shown to be no worse."""
    if spread.rater_to_rater.value == 0:
        return "The raters agree exactly, so the tool cannot be set against their spread."
    if not spread.ratio.has_interval():
        return (
            "Two raters measured one subject alone, too few to set the tool against their spread."
        )
    words = (
        f"The tool is {_with_interval(spread.ratio, 'icc')} times as far from a rater as raters "
        f"are from each other"
    )
    if margin is None:
        return f"{words}."
    shown = "This shows" if spread.is_within(margin) else "This does not show"
    return f"{words}. {shown} that it is no worse than another rater (stated factor {margin:g})."


def reliability_headline(result: Reliability) -> str:
    """State the smallest detectable change, its main source and the repeats worth averaging."""
    single, best = result.plan[0], result.plan[(result.enough or MOST_REPEATS) - 1]
    errors = [part for part in result.stated_errors if not math.isnan(part.variance)]
    largest = max(errors, key=lambda part: part.variance)
    share = largest.variance / sum(part.variance for part in errors)
    label = measure_label(result.structure, result.measure, result.unit)
    words = (
        f"{label}: a change between two single values of {result.who} must exceed "
        f"{_in_unit(single.mdc95, result.unit)} to be seen over the error"
    )
    anew = ""
    if best.apart is not None:
        apart = number(best.apart.scaled(CHANGE_PER_SEM).value, result.unit)
        anew = f" ({apart} with the probe placed anew for each)"
    if result.enough is None:
        gain = f"each further repeat still lowers it by more than {_percent(LEAST_GAIN)}"
    else:
        gain = "more repeats gain little"
    if result.enough == 1:
        words += "; averaging repeats gains little"
    else:
        words += (
            f", and {_in_unit(best.mdc95, result.unit)} between means of {best.repeats} "
            f"repeats{anew}; {gain}"
        )
    return f"{words}. The largest part of the error is {largest.name}, {_percent(share)}."


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


def probability(value: float) -> str:
    """Write a p value as journals ask for it.

    Examples
    --------
    >>> probability(0.0321), probability(0.00004)
    ('0.032', '< 0.001')
    """
    return "< 0.001" if value < 0.001 else number(value, "")


def _with_minus(words: str) -> str:
    return words.replace(" - ", " \N{MINUS SIGN} ")


def _with_blanks(words: str) -> Markup:
    """Mark what the researcher must fill in."""
    return Markup(re.sub(r"\[\[(.+?)\]\]", r"<mark>[\1]</mark>", str(escape(words))))


def _flow_row(row: Flow) -> dict[str, object]:
    return {**asdict(row), "label": measure_label(row.structure, row.measure, row.unit)}


def _outlier(item: Outlier) -> dict[str, str]:
    return {
        "label": measure_label(item.structure, item.measure, item.unit),
        "subject": str(item.subject),
        "clip": item.clip,
        "repeat": item.repeat,
        "auto": number(item.auto, item.unit, with_unit=False),
        "manual": number(item.manual, item.unit, with_unit=False),
        "difference": number(item.difference, item.unit),
    }


def _part(
    comparison: Comparison, drawings: tuple[Drawing, ...], place: int, options: StudyOptions
) -> _Part:
    pairs, limits, unit = comparison.pairs, comparison.limits, comparison.pairs.unit
    bias, low, high = limits.bias, limits.lower, limits.upper
    if comparison.as_ratio:
        bias, low, high, unit = *map(back_from_log, (bias, low, high)), "ratio"
    return _Part(
        anchor=f"measure-{place}",
        label=measure_label(pairs.structure, pairs.measure, pairs.unit),
        headline=compare_headline(comparison, options),
        counts=f"{pairs.subjects}, {pairs.auto.size}",
        bias=_with_interval(bias, unit),
        limits=f"{number(low.value, unit, with_unit=False)} to {number(high.value, unit)}",
        icc=_with_interval(comparison.forms[1].estimate, "icc"),
        mdc=_in_unit(comparison.error.mdc95, pairs.unit),
        single_mdc=_in_unit((comparison.single_error or comparison.error).mdc95, pairs.unit),
        ratio=_ratio_words(comparison),
        cautions=tuple(compare_cautions(comparison, options)),
        drawings=drawings,
        rows=tuple(_rows(comparison.statistics)),
    )


def _ratio_words(comparison: Comparison) -> str:
    if comparison.spread is not None:
        return _with_interval(comparison.spread.ratio, "icc")
    return "one rater" if len(comparison.pairs.raters) < 2 else "nothing in common"


def _rows(statistics: Sequence[Statistic]) -> Iterator[_Row]:
    previous, before = "", ("", "")
    for row in statistics:
        estimate = Estimate(row.value, row.low, row.high)
        is_p = row.statistic.removeprefix("log: ").startswith("p of ")
        yield _Row(
            comparison=_with_minus(row.comparison),
            is_first=row.comparison != previous,
            statistic=_with_minus(row.statistic),
            value=probability(row.value) if is_p else number(row.value, row.unit),
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


def _in_unit(estimate: Estimate, unit: str) -> str:
    """Write a value with its unit, then its interval."""
    words = _with_interval(estimate, unit).partition(" ")
    return "".join((number(estimate.value, unit), *words[1:]))


def _percent(share: float) -> str:
    return f"{100 * share:.0f}\N{NO-BREAK SPACE}%"


def _count(size: int, word: str) -> str:
    return f"{size} {word}{'' if size == 1 else 's'}"


def _count_unused(unused: Sequence[Unused]) -> list[_UnusedCount]:
    counts = Counter((item.table, item.reason) for item in unused)
    return [_UnusedCount(table, reason, count) for (table, reason), count in counts.items()]
