"""Medial end of the TrA: displacement by hand-made motion, and in the truth of the generator."""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.efforts.windows import Window, frames_at_rest
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import STRUCTURES, Structure, Task, View, label_of
from layermotion.measures.measure import Status
from layermotion.measures.medial_edge import measure_medial_edge
from layermotion.normal import Z95
from layermotion.series.medial_edge import (
    FARTHEST_END_MM,
    NOT_IN_VIEW,
    TOO_FAR,
    UNSEEN_END,
    MedialEdge,
    follow_medial_edge,
)
from layermotion.tissue.tracker import LOST, MotionTracker, Shift, TissueMotion
from layermotion_synthetic.clips import ClipPlan, clip_truth, draw_clip, render_clip
from layermotion_synthetic.pose import slide_mm

Array = NDArray[np.float64]

# Unequal on purpose.
SPACING = Spacing(0.08, 0.11, "test")
COLUMNS = 400
AREA = ImageArea(12, 20, 360, COLUMNS)
COLUMN_PX = (AREA.left + np.arange(COLUMNS)).astype(np.float32)
TRA, FAT = label_of(Structure.TRA) - 1, label_of(Structure.FAT) - 1
SITE_PX = 250.0
DEPTH_PX = 200.0
WINDOWS = (Window("rest", 0, 4, 1), Window("contracted", 6, 9, 1))
FRAMES = 10


def wall(end_px: float, *, mirrored: bool = False) -> Boundaries:
    """Fat over the whole width; a TrA that thins out and ends at a column."""
    edges = np.full((2, len(STRUCTURES), COLUMNS), np.nan, np.float32)
    edges[0, FAT], edges[1, FAT] = 20, 90
    share = np.clip((COLUMN_PX - end_px) / 80, 0, 1)
    edges[0, TRA] = np.where(share > 0, 180, np.nan)
    edges[1, TRA] = np.where(share > 0, 180 + 60 * share, np.nan)
    if mirrored:
        edges = edges[..., ::-1].copy()
    sure = np.isfinite(edges[0]).astype(np.float32)
    return Boundaries(COLUMN_PX, edges[0].copy(), edges[1].copy(), sure)


def motion(
    shift_px: float, stretch: float = 0.0, near_px: float = 0.0, turn_rad: float = 0.0
) -> TissueMotion:
    """TrA moved and stretched around the site by known amounts, near tissue by the probe."""
    nowhere = (float("nan"),) * 3
    return TissueMotion(
        (LOST, LOST, LOST, Shift(shift_px, 0.0, 0.9)),
        Shift(near_px, 0.0, 0.9),
        turn_rad,
        (*nowhere, DEPTH_PX),
        (*nowhere, 0.0),
        stretch,
    )


def follow(
    motions: Sequence[TissueMotion],
    end_px: float = 150.0,
    lateral: int = 1,
    spacing: Spacing = SPACING,
    windows: Sequence[Window] = WINDOWS,
) -> MedialEdge:
    mirrored = lateral < 0
    site = SITE_PX if not mirrored else 2 * AREA.left + COLUMNS - 1 - SITE_PX
    frames = [wall(end_px, mirrored=mirrored)] * len(motions)
    time_s = np.arange(len(motions), dtype=float)
    at_rest = frames_at_rest(windows, len(motions))
    return follow_medial_edge(frames, motions, time_s, at_rest, site, lateral, spacing)


def effort(shift_px: float, stretch: float = 0.0, **probe: float) -> list[TissueMotion]:
    """Rest for six frames, then moved."""
    return [motion(0.0)] * 6 + [motion(shift_px, stretch, **probe)] * 4


def test_end_moves_with_the_site_and_the_shortening_between() -> None:
    edge = follow(effort(40.0, -0.2))
    # The first column with an edge, 151, is 99 columns medial of the site at 250; shortened by a
    # fifth it moves 19.8 columns more than the site: 59.8 columns of 0.11 mm.
    assert edge.quantity.value[-1] == pytest.approx(59.8 * 0.11)
    assert edge.quantity.value[0] == 0
    assert edge.column_px[[0, -1]] == pytest.approx([151, 210.8])
    (measure,) = measure_medial_edge(edge, WINDOWS, "draw_in")
    assert measure.name == "medial_edge_displacement"
    assert (measure.value, measure.frames) == (pytest.approx(59.8 * 0.11), "0-4;6-9")
    assert measure.low is not None and measure.high is not None
    assert measure.low < 59.8 * 0.11 < measure.high


def test_an_end_far_from_the_site_is_less_sure() -> None:
    halves = []
    for end_px in (200.0, 60.0):
        edge = follow(effort(40.0), end_px)
        (measure,) = measure_medial_edge(edge, WINDOWS, "draw_in")
        assert measure.low is not None and measure.high is not None
        halves.append((measure.high - measure.low) / 2)
        assert halves[-1] == pytest.approx(Z95 * np.hypot(0.3, 0.03 * edge.distance_mm))
    assert halves[1] > 1.5 * halves[0]


def test_lateral_counts_as_positive_on_either_side() -> None:
    right, left = follow(effort(40.0, -0.2)), follow(effort(-40.0, -0.2), lateral=-1)
    assert left.quantity.value == pytest.approx(right.quantity.value)
    assert follow(effort(-40.0)).quantity.value[-1] == pytest.approx(-40 * 0.11)


def test_doubled_spacing_doubles_every_mm() -> None:
    # The other way round, so that the end stays near enough.
    half = Spacing(SPACING.row_mm / 2, SPACING.column_mm / 2, "test")
    moved = effort(40.0, -0.2, near_px=3.0, turn_rad=0.01)
    whole, halved = follow(moved), follow(moved, spacing=half)
    assert whole.quantity.value == pytest.approx(2 * halved.quantity.value)


def test_motion_of_the_probe_is_removed() -> None:
    still = follow(effort(40.0, -0.2))
    slipped = follow(effort(40.0 + 25.0, -0.2, near_px=25.0))
    assert slipped.quantity.value == pytest.approx(still.quantity.value)
    # A clockwise turn moves what lies deep to the left, by its angle times its depth.
    turn = 0.02
    turned_px = turn * DEPTH_PX * SPACING.row_mm / SPACING.column_mm
    turned = follow(effort(40.0 - turned_px, -0.2, turn_rad=turn))
    assert turned.quantity.value == pytest.approx(still.quantity.value)


@pytest.mark.parametrize(
    ("motions", "end_px", "lateral", "reason"),
    [
        (effort(40.0), -100.0, 1, NOT_IN_VIEW),
        (effort(40.0), 150.0, 0, NOT_IN_VIEW),
        ([motion(float("nan"), float("nan"))] * FRAMES, 150.0, 1, UNSEEN_END),
        (effort(float("nan"), float("nan")), 150.0, 1, UNSEEN_END),
        (effort(40.0, near_px=float("nan")), 150.0, 1, UNSEEN_END),
    ],
)
def test_what_is_not_seen_needs_a_person_and_says_why(
    motions: list[TissueMotion], end_px: float, lateral: int, reason: str
) -> None:
    edge = follow(motions, end_px, lateral)
    (measure,) = measure_medial_edge(edge, WINDOWS, "draw_in")
    assert (measure.value, measure.status) == (None, Status.NEEDS_MANUAL)
    assert measure.reason == reason
    missing = np.isnan(edge.quantity.value)
    assert missing[-1] and not edge.quantity.confidence[missing].any()


def test_end_far_from_the_site_is_not_guessed() -> None:
    wide = Spacing(0.3, 0.3, "test")
    edge = follow(effort(40.0), spacing=wide)
    assert edge.distance_mm == pytest.approx(99 * 0.3) and edge.distance_mm > FARTHEST_END_MM
    (measure,) = measure_medial_edge(edge, WINDOWS, "draw_in")
    assert measure.reason == TOO_FAR


def test_rest_alone_has_no_displacement() -> None:
    rest = (Window("rest", 0, 9, 1),)
    assert measure_medial_edge(follow([motion(0.0)] * 10, windows=rest), rest, "rest") == ()


def sliding_end() -> ClipPlan:
    """First clip with raw speckle whose thick TrA ends in view and is drawn in by 8 to 25 mm."""
    smoothing = ("speckle_filter", "compounding", "persistence", "screen_grab", "bone")
    forced = {**dict.fromkeys(smoothing, 0.0), "medial_end": 0.3}
    for seed in range(9200, 9300):
        rng = np.random.default_rng(seed)
        plan = draw_clip(rng, View.ABDOMINAL_WALL, forced, task=Task.DRAW_IN, frame_rate_hz=20.0)
        moved = tip_displacement_mm(plan)
        stack = plan.scene.stack
        thickest = stack.layers[stack.index(Structure.TRA)].thickness_mm.max()
        if 8 < np.ptp(moved) < 25 and thickest > 4 and plan.motion.time_s.size < 130:
            return plan
    raise AssertionError("no clip is drawn in far enough; the generator has changed")


def tip_displacement_mm(plan: ClipPlan) -> Array:
    """Displacement of the very tip of the TrA over the clip."""
    stack = plan.scene.stack
    k = stack.index(Structure.TRA)
    tip = stack.x_mm[np.flatnonzero(stack.layers[k].thickness_mm > 0)[0]]
    return np.array([slide_mm(pose, k, float(tip)) for pose in plan.motion.poses])


@pytest.mark.slow
def test_generator_clip_is_drawn_in_as_its_truth() -> None:
    plan = sliding_end()
    truth, area, grid = clip_truth(plan), plan.area, plan.grid
    spacing = Spacing(grid.row_mm, grid.column_mm, "test")
    lateral = -1 if plan.scene.mirrored else 1
    column = (area.left + np.arange(area.width)).astype(np.float32)
    frames, motions = [], []
    tracker: MotionTracker | None = None
    site = float("nan")
    for (screen, _), edges_mm in zip(render_clip(plan), truth.edges_mm, strict=True):
        edges = (area.top + edges_mm / grid.row_mm - 0.5).astype(np.float32)
        confidence = np.ones((5, area.width), np.float32)
        boundaries = Boundaries(column, edges[:, 0].copy(), edges[:, 1].copy(), confidence)
        if tracker is None:
            site = float(np.median(column[np.isfinite(edges[TRA, 0])]))
            tracker = MotionTracker(spacing, area, View.ABDOMINAL_WALL, site)
        frames.append(boundaries)
        motions.append(tracker.update(screen, boundaries))
    onset = int(plan.motion.repeats[0].onset_s * 20)
    at_rest = np.arange(len(motions)) < onset
    time_s = np.arange(len(motions)) / 20
    edge = follow_medial_edge(frames, motions, time_s, at_rest, site, lateral, spacing)
    value = edge.quantity.value
    # Measured: 41 to 60 % of the frames, with a mean error of 0.14 mm.
    assert edge.reason == "" and np.isfinite(value).mean() > 0.3
    moved = tip_displacement_mm(plan)
    assert np.ptp(moved[np.isfinite(value)]) > 5
    error = (value - np.nanmean(value[:onset])) - (moved - moved[:onset].mean())
    assert np.nanmean(np.abs(error)) < 0.4
