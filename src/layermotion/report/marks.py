"""Owns what stands on a plot over time beside its lines: windows, events, confidence."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from layermotion.efforts.course import Course
from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.report.palette import CONTRACTED_TINT, FAINT_INK, INK, LOOKS, REST_TINT
from layermotion.series.series import Quantity

# More points than pixels across a printed page add size and no detail (our choice).
MAX_POINTS = 2000
# Room that a letter above a window needs, as a share of the time axis (our choice).
LETTER_SHARE = 0.0135
# Words for the windows beside that of an effort.
WORDS = {"rest": "rest", "lifted": "lift", "regained": "after"}


def mark_windows(
    axes: Axes, time_s: NDArray[np.float64], windows: Sequence[Window], effort: str
) -> None:
    """Shade each window and name it where there is room; ``effort`` names a contraction."""
    span = float(time_s[-1] - time_s[0])
    several = len({window.repeat for window in windows}) > 1
    taken_until = -np.inf
    for window in sorted(windows, key=lambda window: window.first):
        first, last = float(time_s[window.first]), float(time_s[window.last])
        is_height = window.state == "contracted"
        axes.axvspan(
            first,
            last,
            facecolor=CONTRACTED_TINT if is_height else REST_TINT,
            edgecolor="none",
            zorder=0,
        )
        axes.plot(
            (first, last),
            (1, 1),
            transform=axes.get_xaxis_transform(),
            color=INK if is_height else FAINT_INK,
            linewidth=3.2 if is_height else 1.2,
            solid_capstyle="butt",
            clip_on=False,
        )
        word = WORDS.get(window.state, effort)
        word = f"{word} {window.repeat}" if several else word
        middle, half = (first + last) / 2, len(word) / 2 * LETTER_SHARE * span
        # A name without room is left out: the shade and the bar say the same.
        if middle - half > taken_until:
            axes.text(
                middle,
                1.03,
                word,
                transform=axes.get_xaxis_transform(),
                ha="center",
                va="bottom",
                fontsize=8.5,
            )
            taken_until = middle + half


def mark_events(axes: Axes, courses: Sequence[Course]) -> None:
    """Draw a dotted line where each effort begins and where it is over; one not known is left out.

    Named once, at the first effort: the others look alike.
    """
    for number, course in enumerate(courses):
        for word, time_s in (("onset", course.onset_s), ("over", course.end_s)):
            if np.isnan(time_s):
                continue
            axes.axvline(time_s, color=INK, linewidth=0.9, linestyle=(0, (1, 2)), gid="event")
            if number == 0:
                axes.annotate(
                    word,
                    (time_s, 0.03),
                    xycoords=axes.get_xaxis_transform(),
                    xytext=(-3, 0) if word == "onset" else (3, 0),
                    textcoords="offset points",
                    ha="right" if word == "onset" else "left",
                    fontsize=7.5,
                    color=FAINT_INK,
                )


def draw_confidence(
    axes: Axes, time_s: NDArray[np.float64], quantities: Sequence[Quantity]
) -> None:
    """Draw one row for each quantity: dark is sure, white is not measured."""
    run = -(-time_s.size // MAX_POINTS)
    pad = -time_s.size % run
    rows = np.stack(
        [
            np.pad(quantity.confidence, (0, pad), mode="edge").reshape(-1, run).min(axis=1)
            for quantity in quantities
        ]
    )  # (quantities, runs)
    count = len(quantities)
    axes.imshow(
        rows,
        aspect="auto",
        cmap="Greys",
        vmin=0,
        vmax=1.25,
        interpolation="nearest",
        extent=(float(time_s[0]), float(time_s[-1]), count - 0.5, -0.5),
    )
    axes.hlines(np.arange(count - 1) + 0.5, *axes.get_xlim(), color="white", linewidth=1.2)
    names = [LOOKS[Structure(quantity.structure)].short_name for quantity in quantities]
    axes.set_yticks(range(count), names if count > 1 else ["confidence"], fontsize=7.5)
    axes.tick_params(axis="y", length=0)
    if count > 1:
        axes.set_ylabel("confidence", fontsize=8.5)
    axes.set_xlabel("time, s      (strip: dark = sure, white = not measured)")
