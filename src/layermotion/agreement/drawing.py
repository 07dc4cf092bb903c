"""Owns one figure of a study as inline SVG and as files, and the look that all of them share."""

import io
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from layermotion.agreement.estimate import Array
from layermotion.labels import Structure
from layermotion.report.palette import LOOKS, RULE
from layermotion.report.plots import to_svg

WIDTH_IN = 6.4
# How many points of a figure one rem of the page shows (our choice).
POINTS_PER_REM = 10.5
# More points than this only make a file heavy; an even choice of them is drawn (our choice).
MOST_POINTS = 2000
# Raters are told apart by shape as well as by place, for grey print.
MARKERS = "o^sDv<>P"
# Raters in one column of a legend, and height that a label needs, in heights of the axes (our
# choice, looked at).
MOST_IN_COLUMN = 14
LABEL_GAP = 0.052
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


def draw_points(
    axes: Axes,
    x: Array,
    y: Array,
    structure: str,
    marker: str = "o",
    label: str | None = None,
    *,
    is_hollow: bool = True,
) -> None:
    """Draw points in the colour of a structure; an even choice of them where there are many."""
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


def rater_words(raters: Sequence[str]) -> tuple[list[str], str]:
    """Words for raters in a figure, and a note on those whose letters the figures' font lacks.

    Examples
    --------
    >>> rater_words(["Zoë", "山田"])
    (['Zoë', 'rater 2'], 'rater 2: 山田')
    """
    font = get_font(findfont(FontProperties(family=["sans-serif"])))
    words, notes = [], []
    for place, name in enumerate(raters, start=1):
        has_letters = all(font.get_char_index(ord(letter)) for letter in name)
        words.append(name if has_letters else f"rater {place}")
        notes += [] if has_letters else [f"rater {place}: {name}"]
    return words, ", ".join(notes)


def legend_beside(axes: Axes, words: Sequence[str], title: str) -> None:
    """Put a legend to the right; words may begin with _, which labels of lines may not."""
    legend = axes.legend(
        loc="upper left",
        bbox_to_anchor=(1.01, 1),
        frameon=False,
        fontsize=8.5,
        title=title,
        title_fontsize=8.5,
        alignment="left",
        ncols=-(-len(words) // MOST_IN_COLUMN),
    )
    for text, word in zip(legend.get_texts(), words, strict=True):
        text.set_text(word)


def mark_beside(axes: Axes, marks: Sequence[tuple[float, str]]) -> None:
    """Write words beside heights of an axis, moved apart where they would overlap."""
    to_axes = (axes.transData + axes.transAxes.inverted()).transform
    x = axes.get_xlim()[0]
    placed = -LABEL_GAP
    heights = sorted((float(to_axes((x, value))[1]), word) for value, word in marks)
    lowest = []
    for height, _ in heights:
        placed = max(height, placed + LABEL_GAP)
        lowest.append(placed)
    # Half of what the topmost moved up is given back, so that no label strays to one side only.
    moved = (lowest[-1] - heights[-1][0]) / 2
    for (_, word), height in zip(heights, lowest, strict=True):
        axes.annotate(
            word, (1.01, height - moved), xycoords="axes fraction", va="center", fontsize=8.5
        )


def strip_frame(axes: Axes) -> None:
    """Leave the two axes that carry numbers, and faint lines across."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)


def signed(value: float) -> str:
    """Write two decimals with a true minus sign."""
    return f"{value:.2f}".replace("-", "\N{MINUS SIGN}")


def unit_word(unit: str) -> str:
    """Give the unit as part of a file name."""
    return "percent" if unit == "%" else unit


def finish(figure: Figure, name: str, description: str) -> Drawing:
    """Turn a figure into its SVG and PDF; the same figure gives the same bytes."""
    svg = to_svg(figure)
    # So wide on the page that the letters of all figures have one size.
    width = float(svg.split('viewBox="', 1)[1].split()[2])
    svg = svg.replace("<svg ", f'<svg style="max-width: {width / POINTS_PER_REM:.1f}rem" ', 1)
    stream = io.BytesIO()
    FigureCanvasPdf(figure).print_figure(
        stream, bbox_inches="tight", metadata={"CreationDate": None, "Creator": None}
    )
    return Drawing(name, svg, stream.getvalue(), description)
