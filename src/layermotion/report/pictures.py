"""Owns the key frames of a page as vector drawings: picture, edges, site and scale."""

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import FULL_NAMES, STRUCTURES, Structure, View
from layermotion.report import palette
from layermotion.report.alignment import Alignment
from layermotion.report.arrows import Arrow
from layermotion.report.content import ReportContent
from layermotion.report.key_frames import KeyFrame
from layermotion.report.words import number_words

ROLE_TITLES = {
    View.ABDOMINAL_WALL: {"rest": "At rest", "contracted": "Contracted"},
    View.BLADDER: {"rest": "At rest", "contracted": "At the effort"},
}
# Whose edges at rest are drawn again, dotted, into the other pictures.
SHADOWED = {View.ABDOMINAL_WALL: Structure.TRA, View.BLADDER: Structure.BLADDER}
# What the arrows show.
POINTERS = {
    View.ABDOMINAL_WALL: "IO and TrA at the place of measurement, from where they would lie had "
    "they moved with the EO (ring)",
    View.BLADDER: "bladder base, from where it lay at rest (ring)",
}
AT_THE_END = "; the TrA at its medial end, from where it lay at rest"
ALIGNED = ", movement of the probe removed"
NOT_ALIGNED = ", not corrected for movement of the probe"
# Lengths that a scale bar may have, mm; the longest below a third of the width is taken.
SCALE_BARS_MM = (1, 2, 5, 10, 20, 50)
# Head of an arrow and radius of the ring at its start, as shares of the width (our choice).
HEAD_SHARE, RING_SHARE = 0.022, 0.007
# Good enough to judge an edge on paper, a third of the size of PNG (our choice).
KEY_FRAME_QUALITY = 90


@dataclass(frozen=True)
class Line:
    """One edge as the points of an SVG polyline, in display units."""

    structure: str
    points: str
    dashes: str


@dataclass(frozen=True)
class Pointer:
    """An arrow as SVG path data, in display units: its shaft, its head, and the ring at rest."""

    structure: str
    shaft: str
    head: str
    ring: tuple[float, float, float]


@dataclass(frozen=True)
class Picture:
    """One key frame to draw; lengths are mm, or columns where there is no calibration."""

    title: str
    time: str
    description: str
    href: str
    width: float
    height: float
    lines: tuple[Line, ...]
    shadows: tuple[Line, ...]
    is_aligned: bool
    pointers: tuple[Pointer, ...]
    site: float | None
    bar_mm: int | None
    values: tuple[tuple[str, str], ...]


def draw_picture(key_frame: KeyFrame, content: ReportContent) -> Picture:
    """Put one key frame into display units, with the edges at rest beside its own."""
    area, spacing = content.analysis.clip.area, content.analysis.clip.spacing
    column_mm, row_mm = (spacing.column_mm, spacing.row_mm) if spacing else (1.0, 1.0)
    width, height = area.width * column_mm, area.height * row_mm
    frame = key_frame.frame
    role = ROLE_TITLES[content.analysis.view].get(key_frame.role, key_frame.role.replace("_", " "))
    shadowed = SHADOWED[content.analysis.view]
    rests = [item for item in content.key_frames if item.role == "rest"]
    is_beside_rest = key_frame.role != "rest" and bool(rests)
    quantities = [
        quantity
        for quantity in content.analysis.given.quantities
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
    if content.analysis.site_px is not None:
        site = (content.analysis.site_px - area.left + 0.5) * column_mm
    return Picture(
        title=role,
        time="" if content.analysis.clip.is_still else f"{frame.time_s:.2f} s",
        description=f"{role}: ultrasound image with the edges of "
        + ", ".join(FULL_NAMES[item] for item in shown_structures((key_frame,)))
        + " outlined.",
        href=_data_uri(frame.pixels[area.slices]),
        width=round(width, 3),
        height=round(height, 3),
        lines=tuple(_lines(key_frame.boundaries, content)),
        shadows=tuple(
            line
            for line in (
                _lines(rests[0].boundaries, content, key_frame.alignment) if is_beside_rest else ()
            )
            if line.structure == shadowed
        ),
        is_aligned=key_frame.alignment is not None,
        pointers=tuple(_pointer(arrow, content) for arrow in key_frame.arrows),
        site=site,
        bar_mm=_bar_length(width) if spacing else None,
        values=tuple(values),
    )


def _lines(
    boundaries: Boundaries, content: ReportContent, alignment: Alignment | None = None
) -> Iterable[Line]:
    """Edges in display units, carried along with the probe where an alignment is given.

    There pixel (0, 0) of the area covers 0 to 1 pixel size.
    """
    area, spacing = content.analysis.clip.area, content.analysis.clip.spacing
    column_mm, row_mm = (spacing.column_mm, spacing.row_mm) if spacing else (1.0, 1.0)
    column_px = boundaries.column_px.astype(float)
    for place, structure in enumerate(STRUCTURES):
        # On the screen as on paper, half the width of an image has room for half the pattern.
        dashes = " ".join(f"{length * 0.6:.1f}" for length in palette.LOOKS[structure].pattern_px)
        for edge in (boundaries.superficial_px[place], boundaries.deep_px[place]):
            columns, rows = column_px, edge.astype(float)
            if alignment is not None:
                columns, rows = alignment.carry(columns, rows)
            across, down = (columns - area.left + 0.5) * column_mm, (rows - area.top + 0.5) * row_mm
            for run in _finite_runs(edge):
                points = " ".join(
                    f"{x:.3f},{y:.3f}" for x, y in zip(across[run], down[run], strict=True)
                )
                yield Line(str(structure), points, dashes)


def _pointer(arrow: Arrow, content: ReportContent) -> Pointer:
    area, spacing = content.analysis.clip.area, content.analysis.clip.spacing
    column_mm, row_mm = (spacing.column_mm, spacing.row_mm) if spacing else (1.0, 1.0)
    own = arrow.seen_from(area)
    size = np.array([column_mm, row_mm])
    start = (np.array([own.from_column_px, own.from_row_px]) + 0.5) * size
    tip = (np.array([own.to_column_px, own.to_row_px]) + 0.5) * size
    way = (tip - start) / np.hypot(*(tip - start))
    across = np.array([-way[1], way[0]])
    long = min(HEAD_SHARE * area.width * column_mm, float(np.hypot(*(tip - start))) / 2)
    neck = tip - long * way
    corners = (tip, neck + 0.45 * long * across, neck - 0.45 * long * across)
    radius = RING_SHARE * area.width * column_mm
    return Pointer(
        structure=str(arrow.structure),
        shaft="M" + " L".join(f"{x:.3f} {y:.3f}" for x, y in (start, neck)),
        head="M" + " L".join(f"{x:.3f} {y:.3f}" for x, y in corners) + " Z",
        ring=(round(float(start[0]), 3), round(float(start[1]), 3), round(radius, 3)),
    )


def _finite_runs(values: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    places = np.flatnonzero(np.isfinite(values))
    runs = np.split(places, np.flatnonzero(np.diff(places) > 1) + 1)
    return [run for run in runs if run.size > 1]


def shown_structures(key_frames: Sequence[KeyFrame]) -> list[Structure]:
    """Structures with an edge in any of the frames."""
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
    Image.fromarray(pixels).save(stream, format="JPEG", quality=KEY_FRAME_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
