"""Owns the plots over time as inline SVG; it draws and computes nothing that is reported."""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from numpy.typing import NDArray

from layermotion.efforts.course import Course
from layermotion.efforts.windows import Window
from layermotion.labels import WALL_LAYERS, Structure
from layermotion.report.marks import MAX_POINTS, draw_confidence, mark_events, mark_windows
from layermotion.report.palette import (
    FAINT_INK,
    INK,
    LOOKS,
    RULE,
)
from layermotion.series.series import Quantity, Series

WIDTH_IN = 5.6
# Room that a label at a line's end needs, as a share of the value axis (our choice).
LABEL_STEP = 0.09
# Height of a low panel as a share of the main one (our choice).
PANEL_SHARE = 0.3
# The axis of the fat reaches at least this share to either side, and that of a displacement so
# far, so that noise does not look like a change (our choice).
FAT_SHARE, LEAST_MM = 0.2, 2.0
# Any: matplotlib's type for these keys is a list of all its settings.
STYLE: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 9.5,
    "text.color": INK,
    "axes.edgecolor": FAINT_INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "xtick.color": FAINT_INK,
    "ytick.color": FAINT_INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.linewidth": 0.5,
}


@dataclass(frozen=True)
class Plot:
    """One drawing.

    Parameters
    ----------
    svg
        An ``<svg>`` element without any outside reference.
    description
        What it shows, for a reader who cannot see it.
    """

    svg: str
    description: str


def plot_series(
    series: Series,
    windows: Sequence[Window],
    courses: Sequence[Course] = (),
    *,
    is_lateral_known: bool = True,
) -> tuple[Plot, ...]:
    """Draw each plot that the series has data for; none for fewer than three frames."""
    if series.time_s.size < 3:
        return ()
    plots = (
        _plot_thickness(series, windows, courses, "lateral" if is_lateral_known else "right"),
        _plot_displacement(series, windows, courses),
    )
    return tuple(plot for plot in plots if plot)


def decimate(
    time_s: NDArray[np.float64], value: NDArray[np.float64], limit: int = MAX_POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thin a long series to at most ``limit`` points, keeping peaks and gaps.

    Each run of frames gives its lowest and its highest value, at the middle of its time; a run
    that holds a gap becomes a gap.

    Examples
    --------
    >>> times, values = decimate(np.arange(8.0), np.array([1, 0, 9, 2, 3, 4, np.nan, 5]), 4)
    >>> values
    array([ 0.,  9., nan, nan])
    """
    if time_s.size <= limit:
        return time_s, value
    run = -(-time_s.size // (limit // 2))
    pad = -time_s.size % run
    # (frames,) -> (runs, frames in a run); the last run is filled with its own last frame
    times = np.pad(time_s, (0, pad), mode="edge").reshape(-1, run)
    values = np.pad(value, (0, pad), mode="edge").reshape(-1, run)
    middle = times.mean(axis=1)
    pairs = np.stack([values.min(axis=1), values.max(axis=1)], axis=1)  # (runs, 2)
    return np.repeat(middle, 2), pairs.reshape(-1)


def _plot_thickness(
    series: Series, windows: Sequence[Window], courses: Sequence[Course], positive: str
) -> Plot | None:
    """Draw thickness over time; a slide is positive towards ``positive``."""
    layers = _quantities(series, "thickness", WALL_LAYERS)
    if not layers:
        return None
    slides = _quantities(series, "slide", WALL_LAYERS)
    ends = _quantities(series, "medial_edge", WALL_LAYERS)
    # Fat is thick and hardly changes, so on one axis it would flatten the muscles.
    muscles = [layer for layer in layers if layer.structure != Structure.FAT]
    fat = [layer for layer in layers if layer.structure == Structure.FAT and muscles]
    names = ", ".join(LOOKS[Structure(layer.structure)].short_name for layer in layers)
    beneath = [
        _Panel(label, panel)
        for label, panel in (
            (f"slide past EO,\n+ {positive},", slides),
            (f"medial end,\n+ {positive},", ends),
            ("fat,", fat),
        )
        if panel
    ]
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "thickness"}):
        main = muscles or layers
        frame = _Frame(series, windows, courses, "contracted")
        svg = _draw_plot(frame, main, "thickness,", 3.45, beneath, layers)
    return Plot(
        svg,
        f"Thickness over time of {names}, with rest and contraction shaded"
        + (f", the slide of IO and TrA past EO, positive is {positive}" if slides else "")
        + (f", the displacement of the medial end, positive is {positive}" if ends else "")
        + " and the confidence of each frame beneath.",
    )


def _plot_displacement(
    series: Series, windows: Sequence[Window], courses: Sequence[Course]
) -> Plot | None:
    bases = _quantities(series, "base_displacement", (Structure.BLADDER,))
    if not bases:
        return None
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "displacement"}):
        frame = _Frame(series, windows, courses, "effort")
        svg = _draw_plot(frame, bases, "bladder base,", 3.3, [], bases)
    return Plot(
        svg,
        "Movement of the bladder base over time; positive is lift towards the probe"
        + (", with the estimated movement of the probe beneath." if _probe(series) else "."),
    )


@dataclass(frozen=True, eq=False)
class _Panel:
    """A low panel beneath the main one."""

    label: str
    quantities: Sequence[Quantity]


@dataclass(frozen=True, eq=False)
class _Frame:
    """What all panels of a plot stand on; ``effort`` is the word for a contraction window."""

    series: Series
    windows: Sequence[Window]
    courses: Sequence[Course]
    effort: str


def _draw_plot(
    frame: _Frame,
    main: Sequence[Quantity],
    label: str,
    height_in: float,
    beneath: Sequence[_Panel],
    judged: Sequence[Quantity],
) -> str:
    """Draw the main lines, low panels beneath them, and the confidence of what was measured."""
    series = frame.series
    probe = _probe(series)
    panels = [*beneath, *([_Panel("probe,", [probe])] if probe else [])]
    is_signed = main[0].name == "base_displacement"
    figure = Figure(figsize=(WIDTH_IN, height_in + 0.95 * len(panels) + 0.12 * len(judged)))
    ratios = (1, *[PANEL_SHARE] * len(panels), 0.055 + 0.045 * len(judged))
    axes = figure.subplots(len(ratios), 1, sharex=True, height_ratios=ratios)
    top, strip = axes[0], axes[-1]
    if is_signed:
        top.axhline(0, color=FAINT_INK, linewidth=0.8)
    _draw_lines(top, series.time_s, main)
    mark_windows(top, series.time_s, frame.windows, frame.effort)
    if is_signed:
        _widen(top, main[0])
    else:
        top.set_ylim(bottom=0)
    mark_events(top, frame.courses)
    sign = "\n+ is lift towards the probe" if is_signed else ""
    top.set_ylabel(f"{label} {_unit_text(main[0])}{sign}")
    _label_ends(top, main)
    for axis, panel in zip(axes[1:-1], panels, strict=True):
        _draw_panel(axis, series.time_s, panel)
    draw_confidence(strip, series.time_s, judged)
    return to_svg(figure)


def _draw_panel(axes: Axes, time_s: NDArray[np.float64], panel: _Panel) -> None:
    named = [quantity for quantity in panel.quantities if quantity.structure in LOOKS]
    if named:
        _draw_lines(axes, time_s, named)
    else:
        (quantity,) = panel.quantities
        axes.plot(*decimate(time_s, quantity.value), color=INK, linewidth=1.0)
    if panel.quantities[0].name == "thickness":
        low, high = axes.get_ylim()
        middle = (low + high) / 2
        axes.set_ylim(min(low, middle * (1 - FAT_SHARE)), max(high, middle * (1 + FAT_SHARE)))
    else:
        axes.axhline(0, color=FAINT_INK, linewidth=0.8)
        _widen(axes, panel.quantities[0])
    _label_ends(axes, named, LABEL_STEP / PANEL_SHARE)
    axes.set_ylabel(f"{panel.label}\n{_unit_text(panel.quantities[0])}")
    _bare(axes)


def _widen(axes: Axes, displacement: Quantity) -> None:
    """Let the axis of a displacement reach ``LEAST_MM``."""
    low, high = axes.get_ylim()
    lack = LEAST_MM - (high - low)
    if displacement.unit == "mm" and lack > 0:
        axes.set_ylim(low - lack / 2, high + lack / 2)


def _quantities(series: Series, name: str, structures: Sequence[Structure]) -> list[Quantity]:
    found = (series.get(name, structure) for structure in structures)
    return [quantity for quantity in found if quantity is not None and _has_values(quantity)]


def _probe(series: Series) -> Quantity | None:
    shift = series.get("probe_shift", "image")
    return shift if shift is not None and _has_values(shift) else None


def _draw_lines(axes: Axes, time_s: NDArray[np.float64], quantities: Sequence[Quantity]) -> None:
    for quantity in quantities:
        look = LOOKS[Structure(quantity.structure)]
        times, values = decimate(time_s, quantity.value)
        dashes = (0, tuple(length * 0.35 for length in look.pattern_px))
        axes.plot(
            times,
            values,
            color=look.on_paper,
            linestyle=dashes if look.pattern_px else "solid",
            linewidth=2.0 if quantity.structure == Structure.TRA else 1.5,
            gid=f"line-{quantity.structure}",
        )
        alone = _stands_alone(values)
        axes.plot(times[alone], values[alone], ".", color=look.on_paper, markersize=2.5)
    axes.set_xlim(float(time_s[0]), float(time_s[-1]))
    axes.margins(y=0.14)
    axes.grid(axis="y", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    _bare(axes)


def _label_ends(axes: Axes, quantities: Sequence[Quantity], step: float = LABEL_STEP) -> None:
    """Write each name at the right of its line, pushed apart where lines end close together."""
    low, high = axes.get_ylim()
    ends = []
    for quantity in quantities:
        last = quantity.value[np.isfinite(quantity.value)][-1]
        ends.append((float((last - low) / (high - low)), Structure(quantity.structure)))
    ends.sort()
    places: list[float] = []
    for place, _ in ends:
        places.append(max(place, places[-1] + step) if places else place)
    # Names that would rise above the axes go down together.
    down = max(0.0, places[-1] - 1) if places else 0.0
    for place, (_, structure) in zip(places, ends, strict=True):
        look = LOOKS[structure]
        axes.text(
            1.015,
            place - down,
            look.short_name,
            transform=axes.transAxes,
            color=look.on_paper,
            fontweight="bold",
            va="center",
        )


def _bare(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(axis="x", length=0)


def _has_values(quantity: Quantity) -> bool:
    return bool(np.isfinite(quantity.value).any())


def _stands_alone(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Values with a gap on both sides, which a line would not show."""
    gap = np.pad(np.isnan(values), 1, constant_values=True)
    alone: NDArray[np.bool_] = ~gap[1:-1] & gap[:-2] & gap[2:]
    return alone


def _unit_text(quantity: Quantity) -> str:
    return "pixels (no calibration)" if quantity.unit == "px" else quantity.unit


def to_svg(figure: Figure) -> str:
    """Draw a figure as an ``<svg>`` element without any outside reference."""
    figure.align_ylabels()
    stream = io.StringIO()
    FigureCanvasSVG(figure).print_figure(
        stream,
        bbox_inches="tight",
        pad_inches=0.03,
        facecolor="none",
        metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
    )
    svg = stream.getvalue()
    svg = svg[svg.index("<svg") :]
    # Inside HTML the namespaces are implied, and no address is left in the page.
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    return re.sub(r'<svg\b[^>]*?(viewBox="[^"]*")[^>]*>', r"<svg \1>", svg, count=1)
