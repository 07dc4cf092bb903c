"""Owns report.html: one self-contained page that a clinician reads, checks and signs."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.analysis.result import Analysis
from layermotion.labels import STRUCTURES, Structure, Task, View
from layermotion.measures.bladder import NOTHING_TO_MEASURE, ONE_STILL
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.report import palette
from layermotion.report.content import ReportContent
from layermotion.report.patterns import (
    QUIET_NOTE,
    holds_zero,
    lift_words,
    muscle_pattern,
    quiet_words,
)
from layermotion.report.pictures import (
    ALIGNED,
    AT_THE_END,
    NOT_ALIGNED,
    POINTERS,
    SHADOWED,
    draw_picture,
    shown_structures,
)
from layermotion.report.plots import plot_series
from layermotion.report.words import (
    environment,
    interval_words,
    is_change,
    measure_words,
    number_words,
    said_once,
    signed_words,
    task_words,
)

TITLES = {
    View.ABDOMINAL_WALL: "Layers of the abdominal wall",
    View.BLADDER: "Movement of the bladder base",
}
STATUS_WORDS = {
    Status.DRAFT: "draft",
    Status.NEEDS_MANUAL: "measure by hand",
    Status.CONFIRMED: "confirmed",
    Status.CORRECTED: "corrected",
}
# In place of the status, where there is nothing that a person could measure by hand.
NOTHING = "nothing to measure"
WITHOUT_MOVEMENT = (*NOTHING_TO_MEASURE, ONE_STILL)
# What says one change in several units.
CHANGES = ("thickness_change", "contraction_ratio")
# Measures whose change the first sentence states, in this order, and what to call the ways.
HEADLINES = {
    View.ABDOMINAL_WALL: ("thickness_change", Structure.TRA, "thickened", "thinned"),
    View.BLADDER: ("base_displacement", Structure.BLADDER, "lifted", "descended"),
}
SUBJECTS = {Structure.TRA: "Transversus abdominis (TrA)", Structure.BLADDER: "The bladder base"}


def build_page(content: ReportContent) -> str:
    """Write the page as one HTML text that refers to nothing outside itself.

    The only link is to the overlay that lies beside it, where there is one.
    """
    clip = content.analysis.clip
    measured = [measure for measure in content.analysis.measures if measure.value is not None]
    main = _main_measures(content.analysis.measures)
    pictures = [draw_picture(key_frame, content) for key_frame in content.key_frames]
    aligned = ALIGNED if any(p.is_aligned for p in pictures) else NOT_ALIGNED
    return (
        environment()
        .get_template("page.html.j2")
        .render(
            title=TITLES[content.analysis.view],
            content=content,
            signature=content.signature,
            is_bladder=content.analysis.view is View.BLADDER,
            headline=write_headline(
                content.analysis.view,
                content.analysis.measures,
                without_effort(content.analysis),
            ),
            pictures=pictures,
            aligned_words=aligned,
            shown_structures=shown_structures(content.key_frames),
            shadowed_look=SHADOWED[content.analysis.view],
            pointer_words=_pointer_words(content.analysis, aligned),
            shadowed=palette.short_name(SHADOWED[content.analysis.view]),
            patterns=list(_patterns(main)),
            main=_main_rows(main, is_lateral_known=content.analysis.is_lateral_known),
            repeats=[
                _row(measure, is_lateral_known=content.analysis.is_lateral_known)
                for measure in measured
                if measure not in main
            ],
            tasks=sorted({task_words(measure.task) for measure in content.analysis.measures}),
            missing=_group_missing(content.analysis.measures),
            methods=_methods(measured),
            plots=plot_series(
                content.analysis.given,
                content.analysis.efforts.windows,
                content.analysis.efforts.courses,
                is_lateral_known=content.analysis.is_lateral_known,
            ),
            without_line=without_line(content.analysis),
            has_slide=any(
                quantity.name == "slide" for quantity in content.analysis.given.quantities
            ),
            cautions=content.analysis.all_cautions,
            task=task_words(clip.task) if clip.task else "not stated",
        )
    )


def write_headline(view: View, measures: Sequence[Measure], without: str = "") -> str:
    """State the main change with its interval, or that none can be told.

    A change is stated only when its interval excludes zero.

    Parameters
    ----------
    without
        What to say where no change was to be measured.

    Examples
    --------
    >>> change = Measure("thickness_change", "tra", "draw_in", "mean", 41.0, "%", 30.0, 52.0,
    ...                  Status.DRAFT, "", "0-9", "")
    >>> write_headline(View.ABDOMINAL_WALL, [change])
    'Transversus abdominis (TrA) thickened by 41 % (interval 30 to 52 %), mean of repeats.'
    """
    name, structure, more, less = HEADLINES[view]
    found = [
        measure
        for measure in measures
        if measure.name.startswith(name) and measure.structure == structure
    ]
    # The mean of repeats first, then what has a value, then per cent before mm.
    found.sort(key=lambda m: (m.repeat != MEAN, m.value is None, m.unit != "%"))
    subject = SUBJECTS[structure]
    if not found:
        return without or f"{subject}: no change was measured."
    main = found[0]
    if main.value is None or main.low is None or main.high is None:
        is_nothing = main.reason in WITHOUT_MOVEMENT
        return main.reason if is_nothing else f"{subject} needs measuring by hand: {main.reason}"
    if holds_zero(main):
        interval = interval_words(main.low, main.high, main.unit)
        return f"{subject}: no change beyond measurement error was seen (interval {interval})."
    # The way is in the verb, so the sizes are written without a sign.
    low, high = sorted((abs(main.low), abs(main.high)))
    way = more if main.value > 0 else less
    of = f"repeat {main.repeat}"
    if main.repeat == MEAN:
        repeats = sum(m.repeat != MEAN and m.value is not None for m in _alike(found, main))
        of = f"mean of {repeats} repeats" if repeats else "mean of repeats"
    return (
        f"{subject} {way} by {number_words(abs(main.value), main.unit, 0.0)} {main.unit} "
        f"(interval {interval_words(low, high, main.unit)} {main.unit}), {of}."
    )


def _pointer_words(analysis: Analysis, aligned: str) -> str:
    """Say what the arrows show; the probe, which moves the EO as well, has no part in a slide."""
    words = POINTERS[analysis.view]
    if analysis.view is View.BLADDER:
        return words + aligned
    end = analysis.given.get("medial_edge", Structure.TRA)
    is_seen = end is not None and not np.isnan(end.value).all()
    return f"{words}{AT_THE_END}{aligned}" if is_seen else words


def _alike(measures: Iterable[Measure], one: Measure) -> list[Measure]:
    """Measures of the same name, structure and unit."""
    key = (one.name, one.structure, one.unit)
    return [
        measure for measure in measures if (measure.name, measure.structure, measure.unit) == key
    ]


def without_effort(analysis: Analysis) -> str:
    """Say what a recording of the wall without an effort shows of the TrA, or what to do.

    Of either view it says why a person left out every effort.
    """
    if analysis.efforts.left_out:
        return (
            f"Every effort of this clip was left out by a person ({analysis.efforts.left_out}), so "
            f"nothing of it is counted."
        )
    clip, subject = analysis.clip, SUBJECTS[Structure.TRA]
    one = "one still" if clip.is_still else "a recording of rest"
    if not clip.is_still and clip.task is not Task.REST:
        words = "check in the video that it was made, and record it again from rest to rest"
        if clip.task is None:
            words = "state the task with --task, without which fewer efforts are recognised"
        return f"No effort was found in this clip, so there is no change to give; {words}."
    for measure in analysis.measures:
        if (measure.name, measure.structure) != ("thickness_rest", Structure.TRA):
            continue
        if measure.value is None or measure.low is None or measure.high is None:
            return f"{subject} needs measuring by hand: {measure.reason}"
        when = "at rest" if clip.task is Task.REST else "in this still"
        interval = interval_words(measure.low, measure.high, measure.unit)
        return (
            f"{subject}: {number_words(measure.value, measure.unit)} {measure.unit} thick {when} "
            f"(interval {interval} {measure.unit}); {one} shows no change."
        )
    return f"{subject}: {one} shows no change."


def without_line(analysis: Analysis) -> list[str]:
    """Names of what was seen over time but is not drawn, since its measures are withheld."""
    names = []
    for seen, given in zip(analysis.series.quantities, analysis.given.quantities, strict=True):
        if np.isfinite(seen.value).any() and not np.isfinite(given.value).any():
            what = "" if seen.name in ("thickness", "base_displacement") else f" {seen.name}"
            names.append(f"{palette.short_name(seen.structure)}{what.replace('_', ' ')}")
    return names


def _patterns(main: Sequence[Measure]) -> Iterator[str]:
    """Say which muscles changed, whether EO and IO stayed quiet, and what a lift did."""
    counts = Counter((m.name, m.structure, m.unit) for m in main)
    # Of repeats without a mean none stands for all.
    single = [m for m in main if counts[m.name, m.structure, m.unit] == 1]
    change = ("thickness_change", "%")
    changes = {m.structure: m for m in single if (m.name, m.unit) == change}
    apart = {m.structure for m in main if (m.name, m.unit) == change} - set(changes)
    lifts = {m.name: m for m in single if m.name.startswith("lift_")}
    muscles = (muscle_pattern(changes, apart), quiet_words(changes)) if changes else ()
    for words in (*muscles, lift_words(lifts)):
        if words:
            yield f"{words[0].upper()}{words[1:]}."


def _methods(measured: Sequence[Measure]) -> list[str]:
    """Sentences on how it was done, each once."""
    methods = [measure.method for measure in measured if measure.method]
    if any(measure.name == "thickness_change" for measure in measured):
        methods.append(QUIET_NOTE)
    return said_once(methods)


@dataclass(frozen=True)
class _Row:
    """One line of a table of measures, in words."""

    name: str
    structure: str
    look: str
    task: str
    repeat: str
    value: str
    unit: str
    interval: str
    is_within_error: bool
    status: str
    frames: str


@dataclass(frozen=True)
class _Missing:
    """Measures that need a person for the same reason."""

    reason: str
    names: tuple[str, ...]


def _main_measures(measures: Sequence[Measure]) -> list[Measure]:
    """Take the mean over repeats where there is one, else every repeat that has a value.

    Where none has, the first stands for them; layer by layer. What says a change in several units
    is taken from the same repeats in all of them.
    """
    groups: dict[tuple[str, ...], list[Measure]] = {}
    for measure in measures:
        key = (measure.structure, measure.name, measure.unit, measure.task)
        groups.setdefault(key, []).append(measure)
    # Changes of which one unit has no mean although another has one.
    split = {
        (structure, task)
        for (structure, name, _, task), group in groups.items()
        if name in CHANGES
        and any(m.value is not None for m in group)
        and not any(m.repeat == MEAN and m.value is not None for m in group)
    }
    main: list[Measure] = []
    for (structure, name, _, task), group in groups.items():
        means = [m for m in group if m.repeat == MEAN and m.value is not None]
        if name in CHANGES and (structure, task) in split:
            means = []
        known = [m for m in group if m.value is not None and m.repeat != MEAN]
        main += means or known or group[:1]
    return sorted(main, key=lambda measure: _depth(measure.structure))


def _depth(structure: str) -> int:
    return STRUCTURES.index(Structure(structure)) if structure in STRUCTURES else len(STRUCTURES)


def _main_rows(main: Sequence[Measure], *, is_lateral_known: bool) -> list[_Row]:
    """Lines of the main table; where a measure has no mean its repeats are told apart."""
    counts = Counter((m.name, m.structure, m.unit, m.task) for m in main)
    rows = []
    for measure in main:
        row = _row(measure, is_lateral_known=is_lateral_known)
        several = counts[measure.name, measure.structure, measure.unit, measure.task] > 1
        rows.append(replace(row, name=f"{row.name}, repeat {row.repeat}") if several else row)
    return rows


def _row(measure: Measure, *, is_lateral_known: bool) -> _Row:
    unit = "" if measure.unit == "ratio" else measure.unit
    interval = ""
    if measure.low is not None and measure.high is not None:
        interval = interval_words(measure.low, measure.high, measure.unit)
    return _Row(
        name=signed_words(measure.name, is_lateral_known=is_lateral_known),
        structure=palette.short_name(measure.structure),
        look=measure.structure if measure.structure in palette.LOOKS else "",
        task=task_words(measure.task),
        repeat=measure.repeat,
        value="" if measure.value is None else number_words(measure.value, measure.unit),
        unit=unit,
        interval=interval,
        is_within_error=is_change(measure.name) and holds_zero(measure),
        status=NOTHING if measure.reason in WITHOUT_MOVEMENT else STATUS_WORDS[measure.status],
        frames=measure.frames,
    )


def _group_missing(measures: Iterable[Measure]) -> list[_Missing]:
    names: dict[str, list[str]] = {}
    for measure in measures:
        if measure.status is Status.NEEDS_MANUAL:
            repeat = "" if measure.repeat == MEAN else f" (repeat {measure.repeat})"
            words = f"{palette.short_name(measure.structure)} {measure_words(measure.name)}"
            names.setdefault(measure.reason, []).append(words + repeat)
    return [_Missing(reason, tuple(dict.fromkeys(items))) for reason, items in names.items()]
