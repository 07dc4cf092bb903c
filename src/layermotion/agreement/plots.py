"""Owns the figures of a study, as inline SVG and as files; it computes nothing that is reported."""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure

from layermotion.agreement.estimate import Z95, Array
from layermotion.agreement.reliability import Reliability
from layermotion.agreement.study import ALPHA, Comparison
from layermotion.labels import Structure
from layermotion.report.palette import FAINT_INK, INK, LOOKS, REST_TINT, RULE, short_name
from layermotion.report.plots import STYLE, to_svg

WIDTH_IN = 6.4
# How many points of a figure one rem of the page shows (our choice).
POINTS_PER_REM = 10.5
# More points than this only make a file heavy; an even choice of them is drawn (our choice).
MOST_POINTS = 3000
# Raters are told apart by shape as well as by place, for grey print.
MARKERS = "o^sDv<>P"
# Greys that stay apart in print, from dark to light, each with a hatch.
FILLS = (
    (INK, ""),
    ("#8A8F98", "////"),
    ("#5A5F68", "...."),
    ("#D6D1C4", "xxxx"),
    ("#F1EEE6", ""),
)
SVG_NAMES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'


@dataclass(frozen=True)
class Drawing:
    """One figure.

    Parameters
    ----------
    name
        Stem of its files.
    svg
        An ``<svg>`` element for a page, without any outside reference.
    pdf
        The same figure as a PDF file.
    description
        What it shows, for a reader who cannot see it.
    """

    name: str
    svg: str
    pdf: bytes
    description: str

    def svg_file(self) -> str:
        """Return the SVG as a file of its own."""
        return self.svg.replace("<svg ", f"<svg {SVG_NAMES} ", 1) + "\n"


def measure_words(measure: str) -> str:
    """Words for a measure's name.

    Examples
    --------
    >>> measure_words("thickness_rest")
    'thickness, rest'
    """
    first, _, rest = measure.partition("_")
    has_parts = first == "thickness" and rest
    return f"{first}, {rest.replace('_', ' ')}" if has_parts else measure.replace("_", " ")


def draw_comparison(comparison: Comparison) -> tuple[Drawing, ...]:
    """Difference plot, regression, subjects, and error against what may explain it."""
    pairs = comparison.pairs
    stem = f"{pairs.structure}-{pairs.measure}-{_unit_word(pairs.unit)}".replace("_", "-")
    label = f"{short_name(pairs.structure)} {measure_words(pairs.measure)}"
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
        name = f"overview-{_unit_word(unit)}"
        with matplotlib.rc_context({**STYLE, "svg.hashsalt": name, "pdf.fonttype": 42}):
            yield _overview(own, unit, name)


def draw_reliability(results: Sequence[Reliability]) -> tuple[Drawing, ...]:
    """Share of each variance component, and the detectable change against repeats."""
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "reliability", "pdf.fonttype": 42}):
        return (_components_plot(results), *_repeats_plots(results))


def _difference_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs, limits = comparison.pairs, comparison.limits
    mean, difference = _mean_and_difference(comparison)
    figure = Figure(figsize=(WIDTH_IN, 3.9))
    axes = figure.subplots()
    for estimate in (limits.bias, limits.lower, limits.upper):
        if estimate.has_interval():
            axes.axhspan(estimate.low, estimate.high, color=REST_TINT, linewidth=0, zorder=0)
    axes.axhline(0, color=FAINT_INK, linewidth=0.8, zorder=1)
    _points(axes, mean, difference, pairs.structure)
    named = (
        (limits.bias, "bias", "-"),
        (limits.lower, "lower", "--"),
        (limits.upper, "upper", "--"),
    )
    for estimate, word, style in named:
        axes.axhline(estimate.value, color=INK, linewidth=1.3, linestyle=style, zorder=3)
        words = f"{word} {_signed(estimate.value)}"
        axes.annotate(
            words, (1.01, estimate.value), xycoords=("axes fraction", "data"), va="center",
            fontsize=8.5,
        )  # fmt: skip
    if comparison.tests is not None:
        for edge in (-comparison.tests.margin, comparison.tests.margin):
            axes.axhline(edge, color=INK, linewidth=1.0, linestyle=":", zorder=2)
            axes.annotate(
                "margin", (0.005, edge), xycoords=("axes fraction", "data"), va="bottom",
                fontsize=8,
            )  # fmt: skip
    if comparison.trend.slope_p < ALPHA and not comparison.as_ratio:
        ends = np.array([mean.min(), mean.max()])
        for away in (-Z95 * comparison.trend.sd, 0.0, Z95 * comparison.trend.sd):
            axes.plot(ends, comparison.trend.at(ends) + away, color=INK, linewidth=1.0,
                      linestyle=(0, (6, 2, 1, 2)), zorder=3)  # fmt: skip
    unit = "log ratio" if comparison.as_ratio else pairs.unit
    axes.set_xlabel(f"mean of tool and raters, {pairs.unit}")
    axes.set_ylabel(f"tool \N{MINUS SIGN} raters, {unit}")
    _bare(axes)
    how = "line: bias; dashed: limits of agreement; grey: their 95 % intervals"
    return _drawing(
        figure, name, f"{label}: difference between tool and raters against their mean; {how}."
    )


def _regression_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs = comparison.pairs
    manual, auto = pairs.manual_mean(), pairs.auto
    figure = Figure(figsize=(WIDTH_IN, 4.4))
    axes = figure.subplots()
    ends = np.array([min(manual.min(), auto.min()), max(manual.max(), auto.max())])
    ends += np.array([-0.05, 0.05]) * np.ptp(ends)
    axes.plot(ends, ends, color=FAINT_INK, linewidth=0.9, linestyle=":", label="equal")
    _points(axes, manual, auto, pairs.structure)
    lines = (
        (comparison.deming, "Deming", "-"),
        (comparison.passing_bablok, "Passing-Bablok", "--"),
    )
    for line, word, style in lines:
        if line is not None and np.isfinite(line.slope.value):
            fitted = line.intercept.value + line.slope.value * ends
            words = f"{word}: {_signed(line.intercept.value)} + {line.slope.value:.3f} x"
            axes.plot(ends, fitted, color=INK, linewidth=1.4, linestyle=style, label=words)
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)
    axes.set_aspect("equal")
    axes.set_xlabel(f"raters, {pairs.unit}")
    axes.set_ylabel(f"tool, {pairs.unit}")
    axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1), frameon=False, fontsize=8.5)
    _bare(axes)
    return _drawing(
        figure, name, f"{label}: tool against mean of raters, with lines that allow error in both."
    )


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
    axes.vlines(place, lowest, highest, color=FAINT_INK, linewidth=0.8)
    for rater, word in enumerate(pairs.raters):
        marker = MARKERS[rater % len(MARKERS)]
        x, y = place[pairs.subject], differences[:, rater]
        shift = (rater - (len(pairs.raters) - 1) / 2) * 0.22
        _points(axes, x + shift, y, pairs.structure, marker, word, is_hollow=rater % 2 == 0)
    axes.set_xlabel("subjects, from the smallest value to the largest")
    axes.set_ylabel(f"tool \N{MINUS SIGN} rater, {pairs.unit}")
    axes.set_xticks([])
    if len(pairs.raters) > 1:
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1), frameon=False, fontsize=8.5,
                    title="rater", title_fontsize=8.5, alignment="left")  # fmt: skip
    _bare(axes)
    return _drawing(figure, name, f"{label}: difference between tool and each rater by subject.")


def _error_plot(comparison: Comparison, name: str, label: str) -> Drawing:
    pairs = comparison.pairs
    offered = (
        (pairs.manual_mean(), f"value, {pairs.unit}"),
        (pairs.depth_mm, "depth of the layer, mm"),
        (pairs.quality, "confidence of the tool"),
    )
    panels = [(x, word) for x, word in offered if np.unique(x[np.isfinite(x)]).size > 2]
    figure = Figure(figsize=(WIDTH_IN if len(panels) > 1 else WIDTH_IN * 0.62, 2.7))
    size = np.abs(pairs.auto - pairs.manual_mean())
    grid = figure.subplots(1, len(panels), sharey=True, squeeze=False)
    for axes, (x, word) in zip(grid[0], panels, strict=True):
        _points(axes, x, size, pairs.structure)
        known = np.isfinite(x)
        trend = _trend(x[known], size[known])
        if trend is not None:
            axes.plot(*trend, color=INK, linewidth=1.5)
        axes.set_xlabel(word)
        axes.set_ylim(bottom=0)
        _bare(axes)
    grid[0][0].set_ylabel(f"size of the difference, {pairs.unit}")
    words = " and ".join(word.split(",")[0] for _, word in panels)
    return _drawing(figure, name, f"{label}: size of the difference against {words}, with trend.")


def _overview(comparisons: Sequence[Comparison], unit: str, name: str) -> Drawing:
    figure = Figure(figsize=(WIDTH_IN, 0.75 + 0.5 * len(comparisons)))
    axes = figure.subplots()
    axes.axvline(0, color=FAINT_INK, linewidth=0.8)
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
    axes.set_xlabel(f"tool \N{MINUS SIGN} raters, {unit}")
    axes.tick_params(axis="y", length=0)
    _bare(axes)
    return _drawing(
        figure, name,
        "Bias (circle), limits of agreement (bar) and the outer ends of their intervals (line) of "
        "every measure.",
    )  # fmt: skip


def _components_plot(results: Sequence[Reliability]) -> Drawing:
    figure = Figure(figsize=(WIDTH_IN, 1.0 + 0.55 * len(results)))
    axes = figure.subplots()
    labels = []
    for row, result in enumerate(reversed(results)):
        start = 0.0
        errors = result.errors
        whole = float(np.nansum([part.variance for part in errors]))
        for part, (fill, hatch) in zip(errors, FILLS, strict=True):
            share = 0.0 if np.isnan(part.variance) else 100 * part.variance / whole
            word = part.name if row == 0 else None
            axes.barh(
                row,
                share,
                left=start,
                height=0.55,
                color=fill,
                hatch=hatch,
                edgecolor="white",
                linewidth=0.6,
                label=word,
            )
            start += share
        labels.append(f"{short_name(result.structure)} {measure_words(result.measure)}")
    axes.set_yticks(range(len(labels)), labels)
    axes.set_xlim(0, 100)
    axes.set_xlabel("share of the error variance of one value, %")
    axes.tick_params(axis="y", length=0)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.02), ncols=3, frameon=False, fontsize=8.5)
    _bare(axes)
    axes.grid(visible=False)
    return _drawing(
        figure, "components", "Share of each source in the error of one value, by measure."
    )


def _repeats_plots(results: Sequence[Reliability]) -> Iterator[Drawing]:
    for unit in dict.fromkeys(result.unit for result in results):
        figure = Figure(figsize=(WIDTH_IN, 3.0))
        axes = figure.subplots()
        for place, result in enumerate(r for r in results if r.unit == unit):
            look = LOOKS[Structure(result.structure)]
            repeats = [row.repeats for row in result.plan]
            change = [row.mdc95.value for row in result.plan]
            word = f"{look.short_name} {measure_words(result.measure)}"
            axes.plot(repeats, change, color=look.on_paper, linewidth=1.4, label=word,
                      marker=MARKERS[place % len(MARKERS)], markersize=4.5,
                      markerfacecolor="white")  # fmt: skip
        axes.set_ylim(bottom=0)
        axes.set_xlabel("repeats averaged within one placement")
        axes.set_ylabel(f"smallest detectable change, {unit}")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1), frameon=False, fontsize=8.5)
        _bare(axes)
        yield _drawing(
            figure, f"repeats-{_unit_word(unit)}",
            f"Smallest detectable change, {unit}, against the number of repeats averaged.",
        )  # fmt: skip


def _mean_and_difference(comparison: Comparison) -> tuple[Array, Array]:
    auto, manual = comparison.pairs.auto, comparison.pairs.manual_mean()
    difference = np.log(auto / manual) if comparison.as_ratio else auto - manual
    return (auto + manual) / 2, difference


def _points(
    axes: Axes,
    x: Array,
    y: Array,
    structure: str,
    marker: str = "o",
    label: str | None = None,
    *,
    is_hollow: bool = True,
) -> None:
    step = -(-x.size // MOST_POINTS)
    colour = LOOKS[Structure(structure)].on_paper
    axes.plot(
        x[::step],
        y[::step],
        marker,
        markersize=4 if x.size < 300 else 2.5,
        markerfacecolor="none" if is_hollow else colour,
        markeredgecolor=colour,
        markeredgewidth=0.9,
        label=label,
        zorder=2,
    )


def _trend(x: Array, y: Array) -> tuple[Array, Array] | None:
    """Locally weighted trend; None where x hardly varies."""
    from statsmodels.nonparametric.smoothers_lowess import lowess

    if np.unique(x).size < 6:
        return None
    step = -(-x.size // MOST_POINTS)
    smooth = lowess(y[::step], x[::step], frac=0.75, delta=0.01 * float(np.ptp(x)))
    return smooth[:, 0], smooth[:, 1]


def _bare(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)


def _signed(value: float) -> str:
    return f"{value:.2f}".replace("-", "\N{MINUS SIGN}")


def _unit_word(unit: str) -> str:
    return "percent" if unit == "%" else unit


def _drawing(figure: Figure, name: str, description: str) -> Drawing:
    svg = to_svg(figure)
    # So wide on the page that the letters of all figures have one size.
    width = float(svg.split('viewBox="', 1)[1].split()[2])
    svg = svg.replace("<svg ", f'<svg style="max-width: {width / POINTS_PER_REM:.1f}rem" ', 1)
    stream = io.BytesIO()
    FigureCanvasPdf(figure).print_figure(
        stream, bbox_inches="tight", metadata={"CreationDate": None, "Creator": None}
    )
    return Drawing(name, svg, stream.getvalue(), description)
