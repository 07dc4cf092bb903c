"""Owns a plausible report for tests: sine-shaped contractions, noise for an image."""

from collections.abc import Iterator

import numpy as np

from layermotion.analysis.footage import Footage
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip, Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.recording import Recording
from layermotion.efforts.count import Count
from layermotion.efforts.course import Course
from layermotion.efforts.efforts import Efforts
from layermotion.efforts.windows import Window
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import STRUCTURES, Structure, Task, View
from layermotion.measures.measure import Measure, Status
from layermotion.network.grid import ModelGrid
from layermotion.report.content import ReportContent
from layermotion.report.key_frames import KeyFrame
from layermotion.series.series import Quantity, Series
from layermotion.tissue.tracker import Motions

FRAMES = 60
GAP = slice(40, 44)
SHAPE = (161, 241)  # odd, so that padding to even sizes shows
SPACING = Spacing(row_mm=0.08, column_mm=0.11, source="test")
WINDOWS = (Window("rest", 2, 10, 1), Window("contracted", 20, 30, 1))
COURSES = (Course(1, 1.5, 1.75, 2.2, float("nan"), 0.05, 0.05),)


def make_series(unit: str = "mm") -> Series:
    # Unequal steps: a writer that assumes a frame rate would be off.
    time_s = np.cumsum(np.where(np.arange(FRAMES) % 2, 0.03, 0.05)) + 1.0
    activity = np.clip(np.sin(np.arange(FRAMES) / 8), 0, 1)
    quantities = []
    for structure, rest_mm, gain in (("eo", 7.0, 0.0), ("io", 9.0, 0.1), ("tra", 4.0, 0.6)):
        value = rest_mm * (1 + gain * activity)
        value[GAP] = np.nan
        confidence = np.full(FRAMES, 0.9)
        confidence[GAP] = 0.0
        quantities.append(Quantity("thickness", structure, unit, value, confidence))
    return Series("c0ffee12", time_s, tuple(quantities))


def make_boundaries(superficial_px: float = 40.25, deep_px: float = 70.75) -> Boundaries:
    """Give TrA two level edges; nothing else is present."""
    column_px = np.arange(20, 220, dtype=np.float32)
    edges = np.full((2, len(STRUCTURES), column_px.size), np.nan, np.float32)
    edges[0, 3], edges[1, 3] = superficial_px, deep_px
    return Boundaries(column_px, edges[0], edges[1], np.isfinite(edges[0]).astype(np.float32))


def make_frames() -> Iterator[Frame]:
    rng = np.random.default_rng(7)
    for index, time_s in enumerate(make_series().time_s.tolist()):
        yield Frame(index, time_s, rng.integers(20, 90, SHAPE, dtype=np.uint8))


def make_measure(
    name: str = "thickness_change",
    structure: str = "tra",
    value: float | None = 41.2,
    interval: tuple[float, float] | None = (30.0, 52.0),
    unit: str = "%",
    reason: str = "",
) -> Measure:
    low, high = interval or (None, None)
    status = Status.NEEDS_MANUAL if reason else Status.DRAFT
    return Measure(
        name,
        structure,
        "draw_in",
        "mean",
        value,
        unit,
        low,
        high,
        status,
        reason,
        "2-10",
        "Median.",
    )


def make_content(
    *,
    view: View = View.ABDOMINAL_WALL,
    spacing: Spacing | None = SPACING,
    measures: tuple[Measure, ...] | None = None,
    cautions: tuple[str, ...] = (),
) -> ReportContent:
    clip = Clip(
        clip_id="c0ffee12",
        source_name="Secret-Name.mp4",
        frame_shape=SHAPE,
        frame_count=FRAMES,
        spacing=spacing,
        spacing_reason="" if spacing else "The file states no pixel size.",
        area=ImageArea(1, 1, 150, 230),
        view=view,
        task=Task.DRAW_IN,
        is_still=False,
        read=make_frames,
    )
    frame = next(make_frames())
    series = make_series("mm" if spacing else "px")
    with Recording() as edges:
        pass  # a page reads no edge of it
    footage = Footage(
        clip=clip,
        view=view,
        view_reason="stated by the user",
        grid=ModelGrid.for_area(clip.area, spacing, 320),
        time_s=series.time_s,
        edges=edges,
        again={},
        motions=Motions(),
        site_px=120.0,
        site_words="",
    )
    analysis = Analysis(
        footage=footage,
        series=series,
        efforts=Efforts(Structure.TRA, Count(1), WINDOWS, COURSES, ()),
        measures=(make_measure(),) if measures is None else measures,
        site_px=120.0,
        cautions=cautions,
    )
    return ReportContent(
        analysis=analysis,
        key_frames=(
            KeyFrame("rest", frame, make_boundaries()),
            KeyFrame("contracted", frame, make_boundaries(38.0, 80.0)),
        ),
        provenance={"Software": "layermotion"},
        overlay_name="overlay.mp4",
    )
