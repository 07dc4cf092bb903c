"""Owns the figures of a comparison; it computes nothing that is reported."""

from collections.abc import Iterator, Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, NullLocator, ScalarFormatter

from layermotion.agreement.book import back_from_log
from layermotion.agreement.cautions import ALPHA
from layermotion.agreement.drawing import (
    MARKERS,
    MOST_POINTS,
    WIDTH_IN,
    Drawing,
    draw_points,
    finish,
    legend_beside,
    mark_beside,
    rater_words,
    signed,
    strip_frame,
    unit_word,
)
from layermotion.agreement.estimate import Array
from layermotion.agreement.study import Comparison
from layermotion.labels import Structure
from layermotion.normal import Z95
from layermotion.report.palette import FAINT_INK, INK, LOOKS, REST_TINT, short_name
from layermotion.report.plots import STYLE
from layermotion.report.words import measure_words, signed_words

# Subjects drawn side by side: more run together (our choice).
MOST_SUBJECTS = 500


def draw_comparison(comparison: Comparison) -> tuple[Drawing, ...]:
    """Difference plot, regression, subjects, and error against what may explain it."""
    pairs = comparison.pairs
    stem = f"{pairs.structure}-{pairs.measure}-{unit_word(pairs.unit)}".replace("_", "-")
    label = f"{short_name(pairs.structure)} {signed_words(pairs.measure)}"
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": stem, "pdf.fonttype": 42}):
        return (
            _difference_plot(comparison, f"{stem}-difference", label),
            _regression_plot(comparison, f"{stem}-regression", label),
            _subject_plot(comparison, f"{stem}-subjects", label),
            _error_plot(comparison, f"{stem}-error", label),
        )


def draw_overview(comparisons: Sequence[Comparison]) -> Iterator[Drawing]:
    """Draw bias and limits of all measures of one unit beside each other, one figure a unit."""
    plain = [item for item in comparisons if not item.as_ratio]
    for unit in dict.fromkeys(item.pairs.unit for item in plain):
        own = [item for item in plain if item.pairs.unit == unit]
        name = f"overview-{unit_word(unit)}"
        with matplotlib.rc_context({**STYLE, "svg.hashsalt": name, "pdf.fonttype": 42}):
            yield _overview(own, unit, name)


def _difference_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs, limits = comparison.pairs, comparison.limits
    auto, manual = pairs.auto, pairs.manual_mean()
    mean = (auto + manual) / 2
    difference = auto / manual if comparison.as_ratio else auto - manual
    lines = [limits.bias, limits.lower, limits.upper]
    if comparison.as_ratio:
        lines = [back_from_log(line) for line in lines]
    named = list(zip(lines, ("bias", "lower", "upper"), ("-", "--", "--"), strict=True))
    figure = Figure(figsize=(WIDTH_IN, 3.9))
    axes = figure.subplots()
    if comparison.as_ratio:
        axes.set_yscale("log")
        axes.yaxis.set_major_locator(MaxNLocator(7))
        axes.yaxis.set_major_formatter(ScalarFormatter())
        axes.yaxis.set_minor_locator(NullLocator())
    for estimate in lines:
        if estimate.has_interval():
            axes.axhspan(estimate.low, estimate.high, color=REST_TINT, linewidth=0, zorder=0)
    axes.axhline(1 if comparison.as_ratio else 0, color=FAINT_INK, linewidth=0.8, zorder=1)
    draw_points(axes, mean, difference, pairs.structure)
    for estimate, _, style in named:
        axes.axhline(estimate.value, color=INK, linewidth=1.3, linestyle=style, zorder=3)
    marks = [(estimate.value, f"{word} {signed(estimate.value)}") for estimate, word, _ in named]
    if comparison.tests is not None:
        for edge in (-comparison.tests.margin, comparison.tests.margin):
            axes.axhline(edge, color=INK, linewidth=1.0, linestyle=":", zorder=2)
            marks.append((edge, f"margin {signed(edge)}"))
    how = "line: bias; dashed: limits of agreement; grey: their 95 % intervals"
    if comparison.trend.slope_p < ALPHA and not comparison.as_ratio:
        how += "; sloping: bias and limits where both change with the mean"
        ends = np.array([mean.min(), mean.max()])
        for away in (-Z95 * comparison.trend.sd, 0.0, Z95 * comparison.trend.sd):
            axes.plot(ends, comparison.trend.at(ends) + away, color=INK, linewidth=1.0,
                      linestyle=(0, (6, 2, 1, 2)), zorder=3)  # fmt: skip
    if comparison.tests is not None:
        how += "; dotted: the margin"
    mark_beside(axes, marks)
    axes.set_xlabel(f"mean of tool and {pairs.who}, {pairs.unit}")
    scale = f"tool over {pairs.who}, ratio" if comparison.as_ratio else None
    axes.set_ylabel(scale or f"tool \N{MINUS SIGN} {pairs.who}, {pairs.unit}")
    strip_frame(axes)
    what = "ratio of tool to" if comparison.as_ratio else "difference between tool and"
    return finish(figure, name, f"{label}: {what} {pairs.who} against their mean; {how}.")


def _regression_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs = comparison.pairs
    manual, auto = pairs.manual_mean(), pairs.auto
    figure = Figure(figsize=(WIDTH_IN, 4.4))
    axes = figure.subplots()
    ends = np.array([min(manual.min(), auto.min()), max(manual.max(), auto.max())])
    ends += np.array([-0.05, 0.05]) * np.ptp(ends)
    axes.plot(ends, ends, color=FAINT_INK, linewidth=0.9, linestyle=":", label="equal")
    draw_points(axes, manual, auto, pairs.structure)
    lines = (
        (comparison.deming, "Deming", "-"),
        (comparison.passing_bablok, "Passing-Bablok", "--"),
    )
    for line, word, style in lines:
        if line is not None and np.isfinite(line.slope.value):
            fitted = line.intercept.value + line.slope.value * ends
            words = f"{word}: {signed(line.intercept.value)} + {line.slope.value:.3f} x"
            axes.plot(ends, fitted, color=INK, linewidth=1.4, linestyle=style, label=words)
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)
    axes.set_aspect("equal")
    axes.set_xlabel(f"{pairs.who}, {pairs.unit}")
    axes.set_ylabel(f"tool, {pairs.unit}")
    axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1), frameon=False, fontsize=8.5)
    strip_frame(axes)
    whom = "mean of raters" if len(pairs.raters) > 1 else "rater"
    words = f"{label}: tool against {whom}, with lines that allow error in both."
    return finish(figure, name, words)


def _subject_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs = comparison.pairs
    by_rater = pairs.by_rater()
    sums = np.bincount(pairs.subject, pairs.manual_mean())
    order = np.argsort(sums / np.bincount(pairs.subject))
    place = np.empty(order.size)
    place[order] = np.arange(order.size)
    figure = Figure(figsize=(WIDTH_IN, 3.2))
    axes = figure.subplots()
    axes.axhline(0, color=FAINT_INK, linewidth=0.8)
    differences = pairs.auto[:, None] - by_rater  # (targets, raters)
    lowest = np.full(order.size, np.inf)
    highest = np.full(order.size, -np.inf)
    for rater in range(len(pairs.raters)):
        known = np.isfinite(differences[:, rater])
        np.minimum.at(lowest, pairs.subject[known], differences[known, rater])
        np.maximum.at(highest, pairs.subject[known], differences[known, rater])
    # Of many subjects an even choice is drawn, all their raters and clips together.
    drawn = np.arange(0, order.size, -(-order.size // MOST_SUBJECTS))
    is_drawn = np.isin(place[pairs.subject], drawn)
    people = order[drawn]
    axes.vlines(drawn, lowest[people], highest[people], color=FAINT_INK, linewidth=0.8)
    words, note = rater_words(pairs.raters)
    count = len(pairs.raters)
    for rater in range(count):
        # Hollow and filled by turns; a shape that comes again is filled the other way.
        lap, marker = rater // len(MARKERS), MARKERS[rater % len(MARKERS)]
        x, y = place[pairs.subject][is_drawn], differences[is_drawn, rater]
        shift = (rater - (count - 1) / 2) * min(0.22, 0.8 / count)
        is_hollow = (rater + lap) % 2 == 0
        draw_points(axes, x + shift, y, pairs.structure, marker, f"r{rater}", is_hollow=is_hollow)
    axes.set_xlabel("subjects, from the smallest value to the largest")
    axes.set_ylabel(f"tool \N{MINUS SIGN} rater, {pairs.unit}")
    axes.set_xticks([])
    if count > 1:
        legend_beside(axes, words, "rater")
    strip_frame(axes)
    each = "each rater" if count > 1 else "rater"
    what = f"{label}: difference between tool and {each} by subject, a line for each subject"
    return finish(figure, name, f"{what}{f'; {note}' if note else ''}.")


def _error_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs = comparison.pairs
    panels = [(pairs.manual_mean(), f"value, {pairs.unit}")]
    panels += [
        (x, word)
        for x, word in (
            (pairs.depth_mm, "depth of the layer, mm"),
            (pairs.quality, "confidence of the tool"),
        )
        if np.unique(x[np.isfinite(x)]).size > 2
    ]
    figure = Figure(figsize=(WIDTH_IN if len(panels) > 1 else WIDTH_IN * 0.62, 2.7))
    size = np.abs(pairs.auto - pairs.manual_mean())
    grid = figure.subplots(1, len(panels), sharey=True, squeeze=False)
    for axes, (x, word) in zip(grid[0], panels, strict=True):
        draw_points(axes, x, size, pairs.structure)
        known = np.isfinite(x)
        trend = _trend(x[known], size[known])
        if trend is not None:
            axes.plot(*trend, color=INK, linewidth=1.5)
        axes.set_xlabel(word)
        axes.set_ylim(bottom=0)
        strip_frame(axes)
    grid[0][0].set_ylabel(f"size of the difference, {pairs.unit}")
    words = ", ".join(word.split(",")[0] for _, word in panels)
    return finish(figure, name, f"{label}: size of the difference against {words}, with trend.")


def _overview(comparisons: Sequence[Comparison], unit: str, name: str) -> Drawing:
    figure = Figure(figsize=(WIDTH_IN, 0.75 + 0.5 * len(comparisons)))
    axes = figure.subplots()
    axes.axvline(0, color=FAINT_INK, linewidth=0.8)
    margins = {item.tests.margin for item in comparisons if item.tests is not None}
    for margin in margins:
        for edge in (-margin, margin):
            axes.axvline(edge, color=INK, linewidth=1.0, linestyle=":", zorder=2)
    labels = []
    for row, item in enumerate(reversed(comparisons)):
        pairs, limits = item.pairs, item.limits
        colour = LOOKS[Structure(pairs.structure)].on_paper
        axes.plot([limits.lower.low, limits.upper.high], [row, row], color=colour, linewidth=1.0)
        axes.plot(
            [limits.lower.value, limits.upper.value], [row, row], color=colour, linewidth=5,
            solid_capstyle="butt",
        )  # fmt: skip
        axes.plot(limits.bias.value, row, "o", markersize=6, markerfacecolor="white",
                  markeredgecolor=INK)  # fmt: skip
        labels.append(f"{short_name(pairs.structure)} {measure_words(pairs.measure)}")
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(-0.6, len(labels) - 0.4)
    who = max((item.pairs.who for item in comparisons), key=len)
    axes.set_xlabel(f"tool \N{MINUS SIGN} {who}, {unit}")
    axes.tick_params(axis="y", length=0)
    strip_frame(axes)
    return finish(
        figure, name,
        "Bias (circle), limits of agreement (bar) and the outer ends of their intervals (line) of "
        f"every measure{'; dotted: the margin' if margins else ''}.",
    )  # fmt: skip


def _trend(x: Array, y: Array) -> tuple[Array, Array] | None:
    """Locally weighted trend; None where x hardly varies."""
    from statsmodels.nonparametric.smoothers_lowess import lowess

    if np.unique(x).size < 6:
        return None
    step = -(-x.size // MOST_POINTS)
    smooth = lowess(y[::step], x[::step], frac=0.75, delta=0.01 * float(np.ptp(x)))
    return smooth[:, 0], smooth[:, 1]
