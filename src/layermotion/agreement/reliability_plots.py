"""Owns the figures of a reliability study; it computes nothing that is reported."""

from collections.abc import Iterator, Sequence

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from layermotion.agreement.drawing import (
    MARKERS,
    WIDTH_IN,
    Drawing,
    finish,
    strip_frame,
    unit_word,
)
from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.agreement.methods import measure_label
from layermotion.agreement.reliability import Reliability
from layermotion.labels import Structure
from layermotion.report.palette import INK, LOOKS
from layermotion.report.plots import STYLE
from layermotion.report.words import measure_words

# Greys that stay apart in print, from dark to light, each with a hatch.
FILLS = (
    (INK, ""),
    ("#8A8F98", "////"),
    ("#5A5F68", "...."),
    ("#D6D1C4", "xxxx"),
    ("#F1EEE6", ""),
)


def draw_reliability(results: Sequence[Reliability]) -> tuple[Drawing, ...]:
    """Share of each variance component, and the detectable change against repeats."""
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": "reliability", "pdf.fonttype": 42}):
        return (_components_plot(results), *_repeats_plots(results))


def _components_plot(results: Sequence[Reliability]) -> Drawing:
    figure = Figure(figsize=(WIDTH_IN, 1.0 + 0.55 * len(results)))
    axes = figure.subplots()
    labels = []
    named = set[str]()
    for row, result in enumerate(reversed(results)):
        start = 0.0
        errors = result.errors
        whole = float(np.nansum([part.variance for part in errors]))
        for part, (fill, hatch) in zip(errors, FILLS, strict=True):
            if np.isnan(part.variance):
                continue
            share = 100 * part.variance / whole
            word = None if part.name in named else part.name
            named.add(part.name)
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
        labels.append(measure_label(result.structure, result.measure, result.unit))
    axes.set_yticks(range(len(labels)), labels)
    axes.set_xlim(0, 100)
    axes.set_xlabel("share of the error variance of one value, %")
    axes.tick_params(axis="y", length=0)
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.02), ncols=3, frameon=False, fontsize=8.5)
    strip_frame(axes)
    axes.grid(visible=False)
    return finish(
        figure, "components", "Share of each source in the error of one value, by measure."
    )


def _repeats_plots(results: Sequence[Reliability]) -> Iterator[Drawing]:
    for unit in dict.fromkeys(result.unit for result in results):
        figure = Figure(figsize=(WIDTH_IN, 3.0))
        axes = figure.subplots()
        own = [result for result in results if result.unit == unit]
        for place, result in enumerate(own):
            look = LOOKS[Structure(result.structure)]
            repeats = [row.repeats for row in result.plan]
            change = [row.mdc95.value for row in result.plan]
            word = f"{look.short_name} {measure_words(result.measure)}, {result.who}"
            axes.plot(repeats, change, color=look.on_paper, linewidth=1.4, label=word,
                      marker=MARKERS[place % len(MARKERS)], markersize=4.5,
                      markerfacecolor="white")  # fmt: skip
            apart = [row.apart for row in result.plan if row.apart is not None]
            if apart:
                anew = [sem.scaled(CHANGE_PER_SEM).value for sem in apart]
                axes.plot(repeats, anew, color=look.on_paper, linewidth=1.2, linestyle="--",
                          marker=MARKERS[place % len(MARKERS)], markersize=3.5,
                          label=f"{word}, probe placed anew")  # fmt: skip
        # The topmost point is drawn whole.
        axes.set_ylim(0, 1.06 * axes.get_ylim()[1])
        axes.set_xlabel("repeats averaged")
        axes.set_ylabel(f"smallest detectable change, {unit}")
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1), frameon=False, fontsize=8.5)
        strip_frame(axes)
        words = f"Smallest detectable change, {unit}, against the number of repeats averaged"
        if any(result.plan[0].apart is not None for result in own):
            words += ": within one placement, or with the probe placed anew for each (dashed)"
        yield finish(figure, f"repeats-{unit_word(unit)}", f"{words}.")
