"""Owns the picture of one measure over all visits, as SVG in the language of its words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import ScalarFormatter

from layermotion.labels import Structure
from layermotion.record.chart import Chart, Point
from layermotion.report.palette import FAINT_INK, LOOKS, REST_TINT, RULE
from layermotion.report.plots import STYLE, WIDTH_IN, to_svg

HEIGHT_IN = 2.9
# Room on both sides of the visits, as a share of their span, and at least so many days (our
# choice).
SIDE_SHARE, SIDE_DAYS = 0.07, 3.0
# Least distance of two dates beneath the axis, as a share of its width: a date takes 0.8 of 4.3 in.
DATE_SHARE = 0.19
# Room above and below what is drawn, as a share of it (our choice).
MARGIN_SHARE = 0.12


@dataclass(frozen=True)
class Words:
    """Texts in the picture, in the language of the page.

    Parameters
    ----------
    value
        What is drawn, with its unit, and what is positive where its sign is a direction.
    band, no_band
        Beside the band, and in its place where no smallest detectable change is known.
    beyond
        What a filled value is.
    no_value
        What a cross is.
    decimal
        Mark before the decimals.
    day
        How a day is written, in digits, as ``date.strftime`` takes it.
    """

    value: str
    band: str
    no_band: str
    beyond: str
    no_value: str
    decimal: str
    day: str


class _Marks(ScalarFormatter):
    """Numbers beside an axis, with the decimal mark of the reader."""

    def __init__(self, decimal: str) -> None:
        super().__init__()
        self.decimal = decimal

    def __call__(self, x: float, pos: int | None = None) -> str:
        return super().__call__(x, pos).replace(".", self.decimal)


def draw_chart(chart: Chart, words: Words) -> str:
    """Draw a chart as an ``<svg>`` element without any outside reference.

    Each visit stands at its day, intervals are lines, the detectable change is a band.
    A value beyond the band is filled, one within it is hollow, and a visit without one is a cross
    at the foot of the picture. So the picture can be read in grey.
    """
    key = chart.key
    name = f"chart-{key.side}-{key.task}-{key.structure}-{key.measure}-{key.unit}"
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": name}):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        axes = figure.subplots()
        low, high = _span(chart.points)
        axes.set_xlim(low, high)
        axes.set_ylim(*_reach(chart))
        axes.grid(axis="y", color=RULE, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.axhline(0, color=FAINT_INK, linewidth=0.8, zorder=0.5)
        _draw_band(axes, chart)
        _draw_values(axes, chart)
        _draw_missing(axes, chart.points, words.no_value)
        _label_days(axes, [point.day for point in chart.points], low, high, words.day)
        axes.set_ylabel(words.value)
        axes.yaxis.set_major_formatter(_Marks(words.decimal))
        beside = [words.band if chart.source else words.no_band]
        beside += [words.beyond] if any(point.is_beyond for point in chart.points) else []
        axes.annotate(
            "\n\n".join(beside), (1.015, 0.5), xycoords="axes fraction", va="center", fontsize=8.5,
            color=FAINT_INK,
        )  # fmt: skip
        axes.spines[["top", "right"]].set_visible(False)
        return to_svg(figure)


def _span(points: Sequence[Point]) -> tuple[float, float]:
    """Give the ends of the axis of days."""
    first, last = points[0].day.toordinal(), points[-1].day.toordinal()
    room = max(SIDE_DAYS, SIDE_SHARE * (last - first))
    return first - room, last + room


def _reach(chart: Chart) -> tuple[float, float]:
    """Give the ends of the axis of values: all values, intervals and the band, with room around."""
    ends = [chart.first]
    for point in chart.points:
        ends += [end for end in (point.value, point.low, point.high) if end is not None]
        if point.detectable is not None:
            ends += [chart.first - point.detectable, chart.first + point.detectable]
    low, high = min(ends), max(ends)
    room = MARGIN_SHARE * ((high - low) or 1.0)
    return low - room, high + room


def _draw_band(axes: Axes, chart: Chart) -> None:
    """Shade what is within the smallest detectable change; it may differ with the repeats."""
    known = [point for point in chart.points if point.detectable is not None]
    if not known:
        return
    low, high = axes.get_xlim()
    days = [low, *(point.day.toordinal() for point in known), high]
    halves = [point.detectable or 0.0 for point in (known[0], *known, known[-1])]
    axes.fill_between(
        days,
        [chart.first - half for half in halves],
        [chart.first + half for half in halves],
        color=REST_TINT,
        linewidth=0,
        zorder=0,
        gid="band",
    )
    axes.axhline(chart.first, color=FAINT_INK, linewidth=0.8, linestyle=(0, (4, 3)), zorder=1)


def _draw_values(axes: Axes, chart: Chart) -> None:
    colour = LOOKS[Structure(chart.key.structure)].on_paper
    days = [point.day.toordinal() for point in chart.points]
    # A visit without a value cuts the line: what was in between is not known.
    values = [float("nan") if p.value is None else p.value for p in chart.points]
    axes.plot(days, values, color=colour, linewidth=1.2, zorder=2, gid="course")
    for day, point in zip(days, chart.points, strict=True):
        if point.value is None:
            continue
        if point.low is not None and point.high is not None:
            axes.plot([day, day], [point.low, point.high], color=colour, linewidth=1.2, zorder=2)
        axes.plot(
            day,
            point.value,
            "o",
            markersize=6.5,
            markerfacecolor=colour if point.is_beyond else "white",
            markeredgecolor=colour,
            markeredgewidth=1.6,
            zorder=3,
            gid="beyond" if point.is_beyond else "value",
        )


def _draw_missing(axes: Axes, points: Sequence[Point], words: str) -> None:
    """Mark visits without a value at the foot of the picture."""
    missing = [point.day.toordinal() for point in points if point.value is None]
    for day in missing:
        axes.plot(
            day, 0.05, "x", transform=axes.get_xaxis_transform(), color=FAINT_INK, markersize=6,
            gid="missing",
        )  # fmt: skip
    if missing:
        axes.annotate(
            words, (missing[0], 0.05), xycoords=("data", "axes fraction"), xytext=(7, 0),
            textcoords="offset points", va="center", fontsize=8.5, color=FAINT_INK,
        )  # fmt: skip


def _label_days(axes: Axes, days: Sequence[date], low: float, high: float, written: str) -> None:
    """Write the days beneath the axis, the first and the last, and others where there is room."""
    least = DATE_SHARE * (high - low)
    places = [day.toordinal() for day in days]
    shown = [0]
    for number, place in enumerate(places[1:-1], start=1):
        if place - places[shown[-1]] >= least and places[-1] - place >= least:
            shown.append(number)
    if places[-1] - places[shown[-1]] >= least:
        shown.append(len(places) - 1)
    axes.set_xticks([places[n] for n in shown], [days[n].strftime(written) for n in shown])
    axes.set_xticks([place for n, place in enumerate(places) if n not in shown], minor=True)
    axes.tick_params(axis="x", which="both", length=3)
