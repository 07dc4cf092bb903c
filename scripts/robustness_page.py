"""Draw the robustness page: one small plot for each factor, tables, one self-contained file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from layermotion.labels import Structure
from layermotion.report.palette import FAINT_INK, INK, LOOKS, PAPER, RULE, short_name
from layermotion.report.plots import STYLE, to_svg
from layermotion_synthetic.factors import SHARES as TRAINED
from layermotion_synthetic.factors import TWO_SIDED

# Names of the rows that are no single factor.
ALL_OFF, ALL_DRAWN, NEITHER = "all factors off", "all factors drawn as in training", "neither view"
KIND_WORDS = {
    "still": "Abdominal wall, stills: thickness",
    "clip": "Abdominal wall, drawing in: thickness in every frame",
    "bladder": "Bladder, lifting the pelvic floor: displacement of the base",
}
# Highest error drawn, mm; beyond it a line leaves its plot (our choice: TrA at rest is 3 to 6 mm).
MOST_MM = 1.5
BEYOND_TINT = "#EFE6DA"
HARDEST = 12
STYLE_SHEET = f"""
body {{ margin: 0 auto; padding: 2rem 1.5rem 4rem; max-width: 66rem; background: {PAPER};
  color: {INK}; font: 1.02rem/1.5 Georgia, "Liberation Serif", serif; }}
h1 {{ font-size: 2rem; font-weight: 500; line-height: 1.15; margin: 1rem 0 0.4rem; }}
h2 {{ font-size: 1.2rem; font-weight: 600; margin: 2.4rem 0 0.6rem; padding-top: 0.5rem;
  border-top: 1px solid {RULE}; }}
p {{ max-width: 46rem; margin: 0.4rem 0; }}
.grid {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(18rem, 1fr));
  gap: 1.3rem; }}
figure {{ margin: 0; break-inside: avoid; }}
figcaption {{ font-weight: 600; }}
svg {{ display: block; width: 100%; height: auto; }}
table {{ border-collapse: collapse; font: 0.95rem/1.4 "Liberation Sans", Arial, sans-serif;
  font-variant-numeric: tabular-nums; }}
th, td {{ text-align: right; padding: 0.2rem 1.1rem 0.2rem 0; }}
th:nth-child(-n+3), td:nth-child(-n+3) {{ text-align: left; }}
thead th {{ border-bottom: 1.5px solid {INK}; }}
"""


@dataclass(frozen=True)
class Point:
    """What one structure gave at one strength of one factor.

    Parameters
    ----------
    kind
        ``still`` or ``clip`` of the wall, or ``bladder``.
    values
        Number of values asked for.
    mean_error_mm, error_95_mm
        Of the values given: mean and 95th percentile of the absolute error; NaN without any.
    withheld_percent
        Share of the values asked for that were withheld, or whose clip was refused.
    """

    kind: str
    factor: str
    strength: float
    structure: str
    values: int
    mean_error_mm: float
    error_95_mm: float
    withheld_percent: float


@dataclass(frozen=True)
class Bin:
    """Values of about one confidence, within training or away from it.

    Parameters
    ----------
    stated_mm, error_95_mm
        Error that 95 % of these values are said to stay within, the median, and that which 95 %
        of them do stay within.
    inside_percent
        Share of the values whose error stays within the error stated with it.
    """

    away: bool
    confidence: float
    values: int
    stated_mm: float
    error_95_mm: float
    inside_percent: float


def draw_page(
    points: Sequence[Point],
    bins: Sequence[Bin],
    plain: Mapping[str, float],
    invented: tuple[float, int],
    weights: str,
) -> str:
    """Compose the page.

    Parameters
    ----------
    plain
        Strength of each factor where all are off.
    invented
        Share in percent of the pictures of neither view that yield a measure, and their number.
    """
    share, count = invented
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>",
        "<meta name='viewport' content='width=device-width'>",
        f"<title>Robustness of {escape(weights)}</title><style>{STYLE_SHEET}</style></head><body>",
        "<h1>Where measuring holds, and where it stops</h1>",
        f"<p>Synthetic pictures with exact truth, measured with the weights {escape(weights)}. In "
        "each plot one factor grows and all others are off, in the same scenes throughout. "
        "Strength 1 is the strongest shown in training; the tinted part lies beyond it. Upper "
        "plot: mean absolute error of the values given, in mm. Lower plot: share of the values "
        "withheld. An error that falls while more is withheld is no improvement.</p>",
        f"<p>These are drawn pictures, not patients. Of {count} pictures that show neither view, "
        f"{share:.1f} % yield a measure.</p>",
        _table(points),
        _reliability(bins),
    ]
    for kind, words in KIND_WORDS.items():
        own = [point for point in points if point.kind == kind]
        names = [name for name in plain if any(point.factor == name for point in own)]
        if names:
            figures = [_figure(own, name, plain[name]) for name in names]
            parts.append(f"<h2>{words}</h2><div class='grid'>{''.join(figures)}</div>")
    return "\n".join([*parts, "</body></html>", ""])


def _table(points: Sequence[Point]) -> str:
    rows = [
        _line(short_name(point.structure), KIND_WORDS[point.kind], point.factor, point)
        for point in points
        if point.factor in (ALL_OFF, ALL_DRAWN)
    ]
    known = [
        point
        for point in points
        if point.factor in TRAINED and abs(point.strength) <= 1 and point.mean_error_mm > 0
    ]
    hardest = sorted(known, key=lambda point: -point.mean_error_mm)[:HARDEST]
    hard = [
        _line(
            short_name(point.structure),
            KIND_WORDS[point.kind],
            f"{_words(point.factor)} {point.strength:+g}",
            point,
        )
        for point in hardest
    ]
    head = (
        "<table><thead><tr><th>Value</th><th>Of</th><th>Factors</th><th>Asked</th>"
        "<th>Mean error, mm</th><th>95 % within, mm</th><th>Withheld</th></tr></thead><tbody>"
    )
    return (
        f"<h2>All factors at once</h2>{head}{''.join(rows)}</tbody></table>"
        f"<h2>The hardest single factors within training</h2>{head}{''.join(hard)}</tbody></table>"
    )


def _reliability(bins: Sequence[Bin]) -> str:
    """Plot of the true against the stated error, and its numbers."""
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "reliability", "font.size": 9}):
        figure = Figure(figsize=(5.6, 3.4))
        axes = figure.subplots()
        most = 1.1 * max([0.5, *(max(one.stated_mm, one.error_95_mm) for one in bins)])
        axes.plot([0, most], [0, most], color=FAINT_INK, linewidth=0.8, linestyle=(0, (2, 3)))
        axes.annotate("as stated", (most, most), ha="right", va="bottom", color=FAINT_INK)
        looks = (
            (False, INK, "o", "within training"),
            (True, LOOKS[Structure.EO].on_paper, "s", "beyond"),
        )
        for away, colour, marker, words in looks:
            own = [one for one in bins if one.away == away]
            axes.plot(
                [one.stated_mm for one in own],
                [one.error_95_mm for one in own],
                color=colour,
                marker=marker,
                markersize=4,
                linewidth=1.2,
                label=words,
            )
        axes.set(xlim=(0, most), ylim=(0, most), xlabel="stated error, mm", ylabel="true error, mm")
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(frameon=False, loc="upper left")
        svg = to_svg(figure)
    rows = "".join(
        f"<tr><td>{'beyond' if one.away else 'within'}</td><td>{one.confidence:.3f}</td>"
        f"<td>{one.values}</td><td>{one.stated_mm:.2f}</td><td>{one.error_95_mm:.2f}</td>"
        f"<td>{one.inside_percent:.1f} %</td></tr>"
        for one in bins
    )
    label = "True against stated error of single frames, by confidence; the table holds the numbers"
    return (
        "<h2>What confidence is worth</h2><p>Values of single frames, grouped by confidence. With "
        "each comes an error that 95 % of such values should stay within. On the dotted line it is "
        "as large as stated; above it, larger.</p>"
        f"<div role='img' aria-label='{label}' style='max-width: 36rem'>{svg}</div>"
        "<table><thead><tr><th>Strength</th><th>Confidence</th><th>Values</th><th>Stated, mm</th>"
        "<th>95 % within, mm</th><th>Inside the stated</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
    )


def _line(structure: str, kind: str, factor: str, point: Point) -> str:
    return (
        f"<tr><td>{structure}</td><td>{kind.split(':')[0]}</td><td>{escape(factor)}</td>"
        f"<td>{point.values}</td><td>{_number(point.mean_error_mm)}</td>"
        f"<td>{_number(point.error_95_mm)}</td><td>{point.withheld_percent:.1f} %</td></tr>"
    )


def _words(name: str) -> str:
    return "thin EO" if name == "thin_eo" else name.replace("_", " ")


def _number(value: float) -> str:
    return "none given" if np.isnan(value) else f"{value:.2f}"


def _figure(points: Sequence[Point], name: str, plain: float) -> str:
    words = _words(name)
    lines = {}
    for structure in LOOKS:
        own = [
            (plain if point.factor == ALL_OFF else point.strength, point)
            for point in points
            if point.structure == structure and point.factor in (name, ALL_OFF)
        ]
        if own:
            lines[structure] = sorted(own, key=lambda pair: pair[0])
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": name, "font.size": 8.5}):
        figure = Figure(figsize=(3.1, 2.5))
        error, withheld = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1))
        for axes in (error, withheld):
            _tint_beyond(axes, name)
        _draw_lines(error, lines)
        for structure, line in lines.items():
            look = LOOKS[structure]
            withheld.plot(
                [level for level, _ in line],
                [point.withheld_percent for _, point in line],
                color=look.on_paper,
                linewidth=1.4,
                linestyle=_dashes(look.pattern_px),
                marker="o",
                markersize=2.5,
                clip_on=False,
            )
        error.set(ylim=(0, MOST_MM), ylabel="error, mm")
        withheld.set(ylim=(0, 100), ylabel="withheld, %", xlabel="strength", yticks=(0, 50, 100))
        svg = to_svg(figure)
    said = "; ".join(
        f"{short_name(structure)} "
        + ", ".join(f"{level:g}: {_number(point.mean_error_mm)}" for level, point in line)
        for structure, line in lines.items()
    )
    label = escape(f"Mean error in mm by strength. {said}", quote=True)
    return (
        f"<figure><figcaption>{words[0].upper()}{words[1:]}</figcaption>"
        f"<div role='img' aria-label='{label}'>{svg}</div></figure>"
    )


def _draw_lines(axes: Axes, lines: Mapping[Structure, list[tuple[float, Point]]]) -> None:
    """One line for each structure, named at its right end, names kept apart."""
    ends = []
    for structure, line in lines.items():
        look = LOOKS[structure]
        value = np.array([point.mean_error_mm for _, point in line])
        axes.plot(
            [level for level, _ in line],
            value,
            color=look.on_paper,
            linewidth=1.4,
            linestyle=_dashes(look.pattern_px),
            marker="o",
            markersize=2.5,
        )
        known = value[~np.isnan(value)]
        if known.size:
            ends.append((float(known[-1]), structure))
    place = -1.0
    for end, structure in sorted(ends, key=lambda pair: pair[0]):
        place = max(min(end, MOST_MM), place + 0.17)
        # A line that leaves its plot says where it went.
        beyond = f" {end:.1f}" if end > MOST_MM else ""
        axes.annotate(
            LOOKS[structure].short_name + beyond,
            (1.0, place),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            color=LOOKS[structure].on_paper,
            va="center",
            annotation_clip=False,
        )


def _dashes(pattern_px: tuple[int, ...]) -> str | tuple[int, tuple[float, ...]]:
    return (0, tuple(length / 3 for length in pattern_px)) if pattern_px else "-"


def _tint_beyond(axes: Axes, name: str) -> None:
    """Tint what lies beyond training, and take away what carries no information."""
    axes.axvspan(1, 1.55, color=BEYOND_TINT, linewidth=0, zorder=0)
    low = 0.0
    if name in TWO_SIDED:
        axes.axvspan(-1.55, -1, color=BEYOND_TINT, linewidth=0, zorder=0)
        low = -1.55
    axes.set_facecolor("none")
    axes.set_xlim(low, 1.55)
    axes.set_xticks([-1, 0, 1] if name in TWO_SIDED else [0, 0.5, 1, 1.5])
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.tick_params(length=2.5, color=FAINT_INK)
