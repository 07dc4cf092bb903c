"""Owns report.html: one self-contained page that a clinician reads, checks and signs."""

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from layermotion.boundaries import Boundaries
from layermotion.clip import Clip, Frame
from layermotion.events import Course, Window
from layermotion.labels import FULL_NAMES, STRUCTURES, Structure, View
from layermotion.measures import Measure, Status
from layermotion.report import palette
from layermotion.report.plots import plot_series
from layermotion.report.words import (
    environment,
    interval_words,
    is_change,
    measure_words,
    number_words,
)
from layermotion.series import Series

TITLES = {
    View.ABDOMINAL_WALL: "Layers of the abdominal wall",
    View.BLADDER: "Movement of the bladder base",
}
ROLE_TITLES = {
    View.ABDOMINAL_WALL: {"rest": "At rest", "contracted": "Contracted"},
    View.BLADDER: {"rest": "At rest", "contracted": "At the effort"},
}
# Whose edges at rest are drawn again, dotted, into the other pictures.
SHADOWED = {View.ABDOMINAL_WALL: Structure.TRA, View.BLADDER: Structure.BLADDER}
STATUS_WORDS = {
    Status.DRAFT: "draft",
    Status.NEEDS_MANUAL: "measure by hand",
    Status.CONFIRMED: "confirmed",
    Status.CORRECTED: "corrected",
}
# Measures whose change the first sentence states, in this order, and what to call the ways.
HEADLINES = {
    View.ABDOMINAL_WALL: ("thickness_change", Structure.TRA, "thickened", "thinned"),
    View.BLADDER: ("base_displacement", Structure.BLADDER, "lifted", "descended"),
}
SUBJECTS = {Structure.TRA: "Transversus abdominis (TrA)", Structure.BLADDER: "The bladder base"}
# Lengths that a scale bar may have, mm; the longest below a third of the width is taken.
SCALE_BARS_MM = (1, 2, 5, 10, 20, 50)
# Good enough to judge an edge on paper, a third of the size of PNG (our choice).
JPEG_QUALITY = 90


@dataclass(frozen=True, eq=False)
class KeyFrame:
    """One frame to show, with its edges.

    Parameters
    ----------
    role
        ``rest``, ``contracted`` or another plain word.
    frame
        The picture.
    boundaries
        Its edges.
    """

    role: str
    frame: Frame
    boundaries: Boundaries


@dataclass(frozen=True, eq=False)
class ReportContent:
    """Everything that the page shows of one clip.

    Parameters
    ----------
    clip
        The source; its name is not shown, since it may carry identity.
    view, view_reason
        What the probe looked at, and who says so.
    series, measures, windows
        What was measured.
    key_frames
        Shown side by side at one scale.
    site_column_px
        Column at which layers are measured, or None.
    cautions
        Sentences beyond those that the clip carries.
    provenance
        Facts by name: software version, weights, checksum, calibration source, and so on.
    overlay_name
        File name of the overlay beside the page, or None.
    courses
        When each effort began and was over.
    """

    clip: Clip
    view: View
    view_reason: str
    series: Series
    measures: tuple[Measure, ...]
    windows: tuple[Window, ...]
    key_frames: tuple[KeyFrame, ...]
    site_column_px: float | None
    cautions: tuple[str, ...]
    provenance: dict[str, str]
    overlay_name: str | None
    courses: tuple[Course, ...] = ()


def build_page(content: ReportContent) -> str:
    """Write the page as one HTML text that refers to nothing outside itself.

    The only link is to the overlay that lies beside it, where there is one.
    """
    clip = content.clip
    measured = [measure for measure in content.measures if measure.value is not None]
    main = _main_measures(content.measures)
    return (
        environment()
        .get_template("page.html.j2")
        .render(
            title=TITLES[content.view],
            content=content,
            is_bladder=content.view is View.BLADDER,
            headline=write_headline(content.view, content.measures),
            pictures=[_picture(key_frame, content) for key_frame in content.key_frames],
            shown_structures=_shown_structures(content.key_frames),
            shadowed=palette.short_name(SHADOWED[content.view]),
            main=[_row(measure) for measure in main],
            repeats=[_row(measure) for measure in measured if measure not in main],
            tasks=sorted({measure.task.replace("_", " ") for measure in content.measures}),
            missing=_group_missing(content.measures),
            methods=list(dict.fromkeys(measure.method for measure in measured if measure.method)),
            plots=plot_series(content.series, content.windows, content.courses),
            has_slide=any(quantity.name == "slide" for quantity in content.series.quantities),
            cautions=list(dict.fromkeys((*clip.cautions, *content.cautions))),
            task=clip.task.replace("_", " ") if clip.task else "not stated",
        )
    )


def write_headline(view: View, measures: Sequence[Measure]) -> str:
    """State the main change with its interval, or that none can be told.

    A change is stated only when its interval excludes zero.

    Examples
    --------
    >>> change = Measure("thickness_change", "tra", "draw_in", "mean", 41.0, "%", 30.0, 52.0,
    ...                  Status.DRAFT, "", "0-9", "")
    >>> write_headline(View.ABDOMINAL_WALL, [change])
    'Transversus abdominis (TrA) thickened by 41 % (95 % interval 30 to 52 %), mean of repeats.'
    """
    name, structure, more, less = HEADLINES[view]
    found = [
        measure
        for measure in measures
        if measure.name.startswith(name) and measure.structure == structure
    ]
    # The mean of repeats first, then per cent before mm.
    found.sort(key=lambda measure: (measure.repeat != "mean", measure.unit != "%"))
    subject = SUBJECTS[structure]
    if not found:
        return f"{subject}: no change was measured in this clip."
    main = found[0]
    if main.value is None or main.low is None or main.high is None:
        return f"{subject} needs measuring by hand: {main.reason}"
    if _holds_zero(main):
        interval = interval_words(main.low, main.high, main.unit)
        return f"{subject}: no change beyond measurement error was seen (95 % interval {interval})."
    # The way is in the verb, so the sizes are written without a sign.
    low, high = sorted((abs(main.low), abs(main.high)))
    way = more if main.value > 0 else less
    of = "mean of repeats" if main.repeat == "mean" else f"repeat {main.repeat}"
    return (
        f"{subject} {way} by {number_words(abs(main.value), main.unit)} {main.unit} "
        f"(95 % interval {interval_words(low, high, main.unit)} {main.unit}), {of}."
    )


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


@dataclass(frozen=True)
class _Line:
    """One edge as the points of an SVG polyline, in display units."""

    structure: str
    points: str
    dashes: str


@dataclass(frozen=True)
class _Picture:
    """One key frame to draw; lengths are mm, or columns where there is no calibration."""

    title: str
    time: str
    description: str
    href: str
    width: float
    height: float
    lines: tuple[_Line, ...]
    shadows: tuple[_Line, ...]
    site: float | None
    bar_mm: int | None
    values: tuple[tuple[str, str], ...]


def _main_measures(measures: Sequence[Measure]) -> list[Measure]:
    """Take the mean over repeats where there is one, else every repeat."""
    keys = {
        (measure.name, measure.structure, measure.task)
        for measure in measures
        if measure.repeat == "mean"
    }
    return [
        measure
        for measure in measures
        if measure.repeat == "mean" or (measure.name, measure.structure, measure.task) not in keys
    ]


def _row(measure: Measure) -> _Row:
    unit = "" if measure.unit == "ratio" else measure.unit
    interval = ""
    if measure.low is not None and measure.high is not None:
        interval = interval_words(measure.low, measure.high, measure.unit)
    return _Row(
        name=measure_words(measure.name),
        structure=palette.short_name(measure.structure),
        look=measure.structure if measure.structure in palette.LOOKS else "",
        task=measure.task.replace("_", " "),
        repeat=measure.repeat,
        value="" if measure.value is None else number_words(measure.value, measure.unit),
        unit=unit,
        interval=interval,
        is_within_error=is_change(measure.name) and _holds_zero(measure),
        status=STATUS_WORDS[measure.status],
        frames=measure.frames,
    )


def _holds_zero(measure: Measure) -> bool:
    return measure.low is not None and measure.high is not None and measure.low <= 0 <= measure.high


def _group_missing(measures: Iterable[Measure]) -> list[_Missing]:
    names: dict[str, list[str]] = {}
    for measure in measures:
        if measure.status is Status.NEEDS_MANUAL:
            repeat = "" if measure.repeat == "mean" else f" (repeat {measure.repeat})"
            words = f"{palette.short_name(measure.structure)} {measure_words(measure.name)}"
            names.setdefault(measure.reason, []).append(words + repeat)
    return [_Missing(reason, tuple(dict.fromkeys(items))) for reason, items in names.items()]


def _picture(key_frame: KeyFrame, content: ReportContent) -> _Picture:
    area, spacing = content.clip.area, content.clip.spacing
    column_mm, row_mm = (spacing.column_mm, spacing.row_mm) if spacing else (1.0, 1.0)
    width, height = area.width * column_mm, area.height * row_mm
    frame = key_frame.frame
    role = ROLE_TITLES[content.view].get(key_frame.role, key_frame.role.replace("_", " "))
    shadowed = SHADOWED[content.view]
    rests = [item for item in content.key_frames if item.role == "rest"]
    is_beside_rest = key_frame.role != "rest" and bool(rests)
    quantities = [
        quantity
        for quantity in content.series.quantities
        if quantity.name in ("thickness", "base_displacement") and quantity.unit == "mm"
    ]
    values = []
    for quantity in quantities:
        value = float(quantity.value[frame.index])
        words = (
            "not measured" if np.isnan(value) else f"{number_words(value, 'mm')} {quantity.unit}"
        )
        values.append((palette.short_name(quantity.structure), words))
    site = None
    if content.site_column_px is not None:
        site = (content.site_column_px - area.left + 0.5) * column_mm
    return _Picture(
        title=role,
        time="" if content.clip.is_still else f"{frame.time_s:.2f} s",
        description=f"{role}: ultrasound image with the edges of "
        + ", ".join(FULL_NAMES[item] for item in _shown_structures((key_frame,)))
        + " outlined.",
        href=_data_uri(frame.pixels[area.slices]),
        width=round(width, 3),
        height=round(height, 3),
        lines=tuple(_lines(key_frame.boundaries, content)),
        shadows=tuple(
            line
            for line in (_lines(rests[0].boundaries, content) if is_beside_rest else ())
            if line.structure == shadowed
        ),
        site=site,
        bar_mm=_bar_length(width) if spacing else None,
        values=tuple(values),
    )


def _lines(boundaries: Boundaries, content: ReportContent) -> Iterable[_Line]:
    """Edges in display units, where pixel (0, 0) of the area covers 0 to 1 pixel size."""
    area, spacing = content.clip.area, content.clip.spacing
    column_mm, row_mm = (spacing.column_mm, spacing.row_mm) if spacing else (1.0, 1.0)
    across = (boundaries.column_px - area.left + 0.5) * column_mm
    for place, structure in enumerate(STRUCTURES):
        # On the screen as on paper, half the width of an image has room for half the pattern.
        dashes = " ".join(f"{length * 0.6:.1f}" for length in palette.LOOKS[structure].pattern_px)
        for edge in (boundaries.superficial_px[place], boundaries.deep_px[place]):
            down = (edge - area.top + 0.5) * row_mm
            for run in _finite_runs(edge):
                points = " ".join(
                    f"{x:.3f},{y:.3f}" for x, y in zip(across[run], down[run], strict=True)
                )
                yield _Line(str(structure), points, dashes)


def _finite_runs(values: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    places = np.flatnonzero(np.isfinite(values))
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    return [run for run in runs if run.size > 1]


def _shown_structures(key_frames: Sequence[KeyFrame]) -> list[Structure]:
    return [
        structure
        for place, structure in enumerate(STRUCTURES)
        if any(np.isfinite(item.boundaries.superficial_px[place]).any() for item in key_frames)
    ]


def _bar_length(width_mm: float) -> int:
    fitting = [length for length in SCALE_BARS_MM if length <= width_mm / 3]
    return fitting[-1] if fitting else SCALE_BARS_MM[0]


def _data_uri(pixels: NDArray[np.uint8]) -> str:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, format="JPEG", quality=JPEG_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
