"""The generator: exact truth, motion, ranges, repeatable draws and whole files."""

import resource
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import av
import cv2
import numpy as np
import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from published import published
from scenes import draw_with, profile, seeded, view_of_example

from layermotion import cli
from layermotion.errors import InputError
from layermotion.evaluation.compare import compare_measures
from layermotion.labels import BACKGROUND, STRUCTURES, WALL_LAYERS, Structure, Task, View, label_of
from layermotion_synthetic.anatomy import STEP_MM, Layer, Stack, Tissue
from layermotion_synthetic.bladder import draw_bladder
from layermotion_synthetic.clips import ClipPlan, clip_truth, draw_clip, render_clip
from layermotion_synthetic.dataset import VIEWS, draw_example, draw_pose
from layermotion_synthetic.factors import PLAIN, draw_factors
from layermotion_synthetic.motion import BLADDER_TASKS, Motion, draw_motion
from layermotion_synthetic.other import draw_other
from layermotion_synthetic.pose import (
    Pose,
    base_displacement_mm,
    label_image,
    layer_tops,
    material_x,
    rest_pose,
    slide_mm,
    structure_edges,
)
from layermotion_synthetic.scene import Scene, draw_scene, picture_grid, render
from layermotion_synthetic.truth import perpendicular_thickness_mm, tra_slide_mm, wall_thickness_mm
from layermotion_synthetic.wall import draw_wall
from layermotion_synthetic.write import (
    synthesize,
    write_clip,
    write_dicom,
    write_still,
    write_truth,
    write_video,
)

Array = NDArray[np.float64]
TISSUE = Tissue(0.0, 0.5)
# Unequal on purpose, so that rows and columns cannot be mixed up.
ROW_MM, COLUMN_MM = 0.15, 0.11


@pytest.fixture(scope="module")
def walls() -> list[Stack]:
    return [draw_with(draw_wall, seed) for seed in range(400)]


@pytest.fixture(scope="module")
def bladders() -> list[Stack]:
    return [draw_with(draw_bladder, seed) for seed in range(400)]


# --- Deformation -----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 399),
    st.floats(0.6, 2.5),
    st.floats(-5, 15),
    st.floats(22, 48),
    st.tuples(st.floats(-20, 0), st.floats(2, 20)),
)
def test_thickening_muscle_keeps_its_area(
    walls: list[Stack],
    seed: int,
    ratio: float,
    shift_mm: float,
    anchor_mm: float,
    verticals: tuple[float, float],
) -> None:
    """Between two vertical lines of tissue the area is the same at rest and contracted."""
    stack = walls[seed]
    k = stack.index(Structure.TRA)
    rest = rest_pose(stack)
    ratios, shifts = rest.ratio.copy(), rest.shift_mm.copy()
    ratios[k], shifts[k] = ratio, shift_mm
    now = replace(rest, ratio=ratios, shift_mm=shifts, anchor_mm=anchor_mm)
    low, high = verticals
    # Profiles are straight between the stack's own positions: integrate from knot to knot.
    inner = stack.x_mm[(stack.x_mm > low) & (stack.x_mm < high)]
    rest_x = np.concatenate([[low], inner, [high]])
    now_x = np.array([x + slide_mm(now, k, x) for x in rest_x])
    areas = []
    for pose, x in ((rest, rest_x), (now, now_x)):
        tops = layer_tops(stack, pose, x)
        areas.append(np.trapezoid(tops[k + 1] - tops[k], x))
    assert areas[1] == pytest.approx(areas[0], rel=1e-6, abs=1e-9)
    np.testing.assert_allclose(material_x(now, k, now_x), rest_x, atol=1e-9)


def test_layers_never_cross(walls: list[Stack], bladders: list[Stack]) -> None:
    for seed, stack in enumerate(walls[:100] + bladders[:100]):
        tops = layer_tops(stack, draw_pose(seeded(seed), stack), stack.x_mm)
        assert np.isfinite(tops).all()
        assert (np.diff(tops, axis=0) >= 0).all()


def test_base_moves_by_the_lift_and_never_through_the_bladder(bladders: list[Stack]) -> None:
    limited = 0
    for stack in bladders[:100]:
        for lift in (-9.0, 4.0, 12.0, 25.0):
            pose = replace(rest_pose(stack), lift_mm=lift)
            moved = base_displacement_mm(stack, pose)
            depth = float(np.interp(stack.base_x_mm, stack.x_mm, profile(stack, Structure.BLADDER)))
            if depth * 2 / 3 >= lift:
                assert moved == pytest.approx(lift)
            else:
                limited += 1
                assert moved == pytest.approx(depth * 2 / 3)
    assert 0 < limited < 100


# --- Truth -----------------------------------------------------------------------------------


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_labels_agree_with_exact_edges(
    walls: list[Stack], bladders: list[Stack], view: View
) -> None:
    stacks = walls if view is View.ABDOMINAL_WALL else bladders
    signed = []
    for seed, stack in enumerate(stacks[:40]):
        x = np.arange(-15, 15, COLUMN_MM)
        edges = structure_edges(stack, draw_pose(seeded(seed), stack), x)
        rows = 900
        labels = label_image(edges, ROW_MM, rows)
        for structure in STRUCTURES:
            top, bottom = edges[label_of(structure) - 1]
            seen = (bottom - top > ROW_MM) & (top > 0) & (bottom < rows * ROW_MM)
            mask = labels[:, seen] == label_of(structure)
            if not seen.any():
                continue
            # Rows of one structure are connected: its first row and its end, as borders.
            first = mask.argmax(axis=0) * ROW_MM
            end = (rows - mask[::-1].argmax(axis=0)) * ROW_MM
            np.testing.assert_allclose(mask.sum(axis=0) * ROW_MM, end - first)
            signed += [first - top[seen], end - bottom[seen]]
    errors = np.concatenate(signed)
    assert errors.size > 10_000
    assert np.abs(errors).max() <= ROW_MM / 2 + 1e-9
    assert np.abs(errors).mean() < 0.05
    assert abs(errors.mean()) < 0.002


def test_label_image_by_hand() -> None:
    edges = np.full((5, 2, 2), np.nan)
    edges[0, :, 0] = 1.0, 3.0
    edges[3, :, 0] = 3.0, 3.5
    edges[4, :, 1] = -1.0, 0.6
    expected = [[0, 5], [1, 0], [1, 0], [4, 0], [0, 0]]  # centres 0.5, 1.5, 2.5, 3.5, 4.5
    edges[3, 1, 0] = 3.51
    np.testing.assert_array_equal(label_image(edges, 1.0, 5), expected)


def slab(*layers: tuple[str, int, float], slope: float = 0.0) -> Stack:
    """Layers of even thickness below a wedge of skin that slopes by ``slope``."""
    x = np.arange(-100, 100 + STEP_MM, STEP_MM)
    wedge = Layer("skin", BACKGROUND, 25 + slope * x.clip(-90, 90), TISSUE)
    rest = [Layer(name, label, np.full_like(x, mm), TISSUE) for name, label, mm in layers]
    return Stack(None, x, (wedge, *rest), 90.0, 60.0)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-0.25, 0.25),
    st.floats(-5, 5),
    st.floats(-2, 2),
    st.floats(-0.2, 0.2),
    st.floats(5, 55),
)
def test_probe_motion_is_a_rigid_transform(
    tilt_rad: float, lateral_mm: float, deeper_mm: float, slope: float, fat_mm: float
) -> None:
    """Every point of an edge, moved by hand, lies on the edge that the moved probe sees."""
    stack = slab(("fat", label_of(Structure.FAT), fat_mm), ("deep", BACKGROUND, 60.0), slope=slope)
    moved = replace(
        rest_pose(stack),
        probe_lateral_mm=lateral_mm,
        probe_depth_mm=deeper_mm,
        probe_tilt_rad=tilt_rad,
    )
    columns = np.arange(-30, 30, COLUMN_MM)
    x = np.arange(-80, 80, 0.5)
    y = 25 + slope * x + fat_mm
    turn = np.array([[np.cos(tilt_rad), np.sin(tilt_rad)], [-np.sin(tilt_rad), np.cos(tilt_rad)]])
    across, down = turn @ np.stack([x - lateral_mm, y - deeper_mm])
    edge = structure_edges(stack, moved, columns)[0, 1]
    assert across[0] < columns[0] and across[-1] > columns[-1]
    np.testing.assert_allclose(edge, np.interp(columns, across, down), atol=1e-3)


def test_absent_structures_have_no_edges() -> None:
    stack = slab(("fat", 1, 10.0), ("gone", label_of(Structure.TRA), 0.0), ("deep", 0, 60.0))
    edges = structure_edges(stack, rest_pose(stack), np.arange(-20, 20, COLUMN_MM))
    assert np.isfinite(edges[0]).all()
    assert np.isnan(edges[1:]).all()
    np.testing.assert_allclose(edges[0, 0], 25)
    np.testing.assert_allclose(edges[0, 1], 35)


@settings(max_examples=100, deadline=None)
@given(st.floats(-1.0, 1.0), st.floats(0.5, 25), st.floats(-12, 12), st.floats(20, 60))
def test_slab_is_as_thick_at_any_angle(
    angle_rad: float, thick_mm: float, site_mm: float, depth_mm: float
) -> None:
    x = np.arange(-60, 60, COLUMN_MM)
    middle = depth_mm + np.tan(angle_rad) * x
    half = thick_mm / 2 / np.cos(angle_rad)
    edges = np.stack([middle - half, middle + half])
    assert perpendicular_thickness_mm(edges, x, site_mm) == pytest.approx(thick_mm, abs=1e-6)


def test_thickness_is_withheld_where_an_edge_is_missing() -> None:
    x = np.arange(-20, 20, COLUMN_MM)
    edges = np.stack([10 + 0.75 * x, 14 + 0.75 * x])
    edges[:, np.abs(x - 6) < 1] = np.nan
    assert perpendicular_thickness_mm(edges, x, -3.0) == pytest.approx(3.2)
    assert np.isnan(perpendicular_thickness_mm(edges, x, 6.0))
    # Beyond the picture nothing is known, so that the normal may not leave it.
    assert np.isnan(perpendicular_thickness_mm(edges, x, -19.6))
    assert np.isnan(perpendicular_thickness_mm(edges, x, 30.0))


def small_scene(view: View, seed: int = 4) -> Scene:
    return draw_scene(seeded(seed), view, samples=128)


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_mirroring_flips_picture_labels_and_edges(view: View) -> None:
    scene = small_scene(view)
    grid = picture_grid(scene, 120, 90)
    pose = draw_pose(seeded(1), scene.stack)
    plain, mirrored = (
        render(seeded(2), replace(scene, mirrored=way), pose, grid) for way in (False, True)
    )
    assert (plain.labels != plain.labels[:, ::-1]).any()
    np.testing.assert_array_equal(mirrored.pixels, plain.pixels[:, ::-1])
    np.testing.assert_array_equal(mirrored.labels, plain.labels[:, ::-1])
    np.testing.assert_array_equal(mirrored.inside, plain.inside[:, ::-1])
    np.testing.assert_array_equal(mirrored.edges_mm, plain.edges_mm[:, :, ::-1])


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_noise_and_out_of_plane_motion_leave_the_truth_alone(view: View) -> None:
    scene = small_scene(view)
    scene = replace(scene, settings=replace(scene.settings, noise_db=-50.0))
    grid = picture_grid(scene, 120, 90)
    pose = rest_pose(scene.stack)
    first, second = render(seeded(2), scene, pose, grid), render(seeded(3), scene, pose, grid)
    turned = render(seeded(2), scene, pose, grid, turn_rad=1.0)
    for other in (second, turned):
        assert (other.pixels != first.pixels).mean() > 0.05
        np.testing.assert_array_equal(other.labels, first.labels)
        np.testing.assert_array_equal(other.edges_mm, first.edges_mm)


# --- Ranges against published people -------------------------------------------------------------


def test_muscles_at_rest_have_the_published_order(walls: list[Stack]) -> None:
    # TrA thinnest, IO thickest: Mannion et al. 2008; Rankin et al. 2006; Tahan et al. 2016.
    mean = {
        name: np.mean([profile(stack, name).max() for stack in walls])
        for name in (Structure.TRA, Structure.EO, Structure.IO)
    }
    assert mean[Structure.TRA] < mean[Structure.EO] < mean[Structure.IO]


@pytest.mark.parametrize(
    ("structure", "row"),
    [
        (Structure.TRA, "tra-rest-men"),
        (Structure.TRA, "tra-rest-women"),
        (Structure.TRA, "tra-rest-right"),
        (Structure.TRA, "tra-rest-left"),
        (Structure.IO, "io-rest-men"),
        (Structure.IO, "io-rest-women"),
        (Structure.IO, "io-rest-right"),
        (Structure.IO, "io-rest-left"),
        (Structure.EO, "eo-rest-right"),
        (Structure.EO, "eo-rest-left"),
    ],
)
def test_published_thicknesses_are_common_among_drawn_walls(
    walls: list[Stack], structure: Structure, row: str
) -> None:
    low, high = published(row).range
    middle = [
        float(np.median(profile(stack, structure)[profile(stack, structure) > 0]))
        for stack in walls
    ]
    assert np.percentile(middle, 5) < low < high < np.percentile(middle, 95)


def test_scan_order_is_anatomical(walls: list[Stack]) -> None:
    # Skin, fat, EO, IO, TrA, contents: Teyhen et al. 2009, Arch Phys Med Rehabil 90(5):761-7.
    for stack in walls:
        labels = [layer.label for layer in stack.layers if layer.label]
        assert labels == [label_of(structure) for structure in WALL_LAYERS]
        between = [stack.index(name) for name in WALL_LAYERS]
        assert (np.diff(between) >= 2).all()  # a border lies between any two
        for above, below in zip(between[:-1], between[1:], strict=True):
            borders = [layer.thickness_mm for layer in stack.layers[above + 1 : below]]
            assert np.sum(borders, axis=0).min() >= 0.2


def bladder_volumes_ml(**forced: float) -> list[float]:
    factor = published("bladder-volume-factor").value
    volumes = []
    for seed in range(300):
        stack = draw_with(draw_bladder, seed, **forced)
        depth = profile(stack, Structure.BLADDER)
        width = STEP_MM * np.count_nonzero(depth)
        # Round seen from above: the third axis is as long as the width.
        volumes.append(factor * width * width * depth.max() / 1000)
    return volumes


def test_bladder_volumes_are_clinical() -> None:
    volumes = bladder_volumes_ml(small_bladder=0.0, thick_bladder_wall=0.0)
    # Drawn evenly on a log scale from 30 to 600 ml; indented bladders hold less, and a flat
    # one's width exceeds its third axis by up to a quarter.
    assert 15 < min(volumes) and max(volumes) < 750
    assert np.percentile(volumes, 10) < 80 and np.percentile(volumes, 90) > 300
    assert np.median(volumes) == pytest.approx(np.sqrt(30 * 600), rel=0.25)
    # Nearly empty ones hold 8 ml, less what indents them.
    nearly_empty = bladder_volumes_ml(small_bladder=1.0, thick_bladder_wall=0.0)
    assert 4 < min(nearly_empty) and max(nearly_empty) < 12


def test_empty_bladder_is_no_bladder_view() -> None:
    for seed in range(30):
        rng = seeded(seed)
        stack = draw_bladder(rng, draw_factors(rng), empty=True)
        assert stack.view is None and not profile(stack, Structure.BLADDER).any()
        assert {layer.label for layer in stack.layers} <= {BACKGROUND, label_of(Structure.FAT)}


def test_other_views_show_no_structure() -> None:
    for seed in range(120):
        stack = draw_with(draw_other, seed)
        wanted = {Structure.EO, Structure.IO, Structure.TRA, Structure.BLADDER}
        assert not {layer.label for layer in stack.layers} & {label_of(s) for s in wanted}


# --- Tasks -----------------------------------------------------------------------------------


def motions(stacks: list[Stack], task: Task, rate_hz: float = 20.0) -> Iterator[Motion]:
    for seed, stack in enumerate(stacks):
        yield draw_motion(seeded(seed), stack, task, rate_hz)


def test_published_change_of_tra_is_within_what_is_drawn(walls: list[Stack]) -> None:
    ratios = []
    for stack, motion in zip(walls[:150], motions(walls[:150], Task.DRAW_IN), strict=True):
        full = motion.poses[int(motion.activation.argmax())]
        if motion.pattern == "tra_alone":
            ratios.append(full.ratio[stack.index(Structure.TRA)])
    for row in ("tra-draw-in-change-men", "tra-draw-in-change-women"):
        assert min(ratios) < 1 + published(row).value / 100 < max(ratios)


def test_tra_slides_laterally_as_far_as_published(walls: list[Stack]) -> None:
    ends = []
    for stack, motion in zip(walls[:150], motions(walls[:150], Task.DRAW_IN), strict=True):
        if motion.pattern == "tra_alone":
            slide = tra_slide_mm(stack, motion, -10.0)
            ends.append(slide[int(motion.activation.argmax())])
    assert np.mean(np.array(ends) > 0) > 0.98
    for row in ("tra-slide-left", "tra-slide-right"):
        low, high = published(row).range
        assert min(ends) < low and high < max(ends)
        assert low < np.median(ends) < high


@pytest.mark.parametrize(
    ("task", "row"),
    [
        (Task.PELVIC_FLOOR_LIFT, "base-pelvic-floor-lift"),
        (Task.CURL_UP, "base-curl-up-parous"),
        (Task.CURL_UP, "base-curl-up-nulliparous"),
    ],
)
def test_published_base_displacement_is_within_what_is_drawn(
    bladders: list[Stack], task: Task, row: str
) -> None:
    ends = []
    for motion in motions(bladders[:150], task):
        ends.append(motion.poses[int(motion.activation.argmax())].lift_mm)
    assert min(ends) < published(row).value < max(ends)
    if task is Task.CURL_UP:
        # All 90 women descended: Barton et al. 2015. Breathing adds up to 0.6 mm here.
        assert max(ends) < 0
    else:
        share = 100 * np.mean(np.array(ends) < 0)
        assert published("base-cannot-lift").value - 12 < share < 50


def test_cough_rises_in_under_a_tenth_of_a_second(bladders: list[Stack]) -> None:
    for motion in motions(bladders[:40], Task.COUGH, 500.0):
        (effort,) = motion.repeats
        assert 0 < effort.full_s - effort.onset_s < 0.1
        rising = (motion.activation > 0.01) & (motion.time_s <= effort.full_s)
        assert np.ptp(motion.time_s[rising]) < 0.1
        assert motion.activation.max() > 0.95
    held = next(motions(bladders[:1], Task.STRAIN, 500.0))
    assert held.repeats[0].release_s - held.repeats[0].full_s > 1


@pytest.mark.parametrize("task", [Task.DRAW_IN, *BLADDER_TASKS[1:]])
@pytest.mark.parametrize("repeats", [1, 3])
def test_repeats_are_counted(
    walls: list[Stack], bladders: list[Stack], task: Task, repeats: int
) -> None:
    stack = walls[0] if task is Task.DRAW_IN else bladders[0]
    for seed in range(5):
        motion = draw_motion(seeded(seed), stack, task, 100.0, repeats=repeats)
        up = np.flatnonzero(np.diff((motion.activation > 0.5).astype(int)) == 1)
        assert len(motion.repeats) == up.size == repeats
        assert motion.activation[0] == motion.activation[-1] == 0
        assert len(motion.poses) == motion.time_s.size == motion.turn_rad.size
        times = [t for r in motion.repeats for t in (r.onset_s, r.full_s, r.release_s, r.end_s)]
        assert times == sorted(times) and times[-1] < motion.time_s[-1]


def test_rest_holds_only_breathing_and_drift(walls: list[Stack], bladders: list[Stack]) -> None:
    for stack in walls[:30] + bladders[:30]:
        motion = draw_motion(seeded(7), stack, Task.REST, 20.0, probe_mm=0.5)
        assert motion.pattern == "rest" and motion.repeats == () and not motion.activation.any()
        first = motion.poses[0]
        breathing = set()
        if stack.view is View.ABDOMINAL_WALL:
            breathing = {stack.index(Structure.TRA), stack.index(Structure.IO)}
        for pose in motion.poses:
            assert pose.lift_mm == 0
            assert not pose.shift_mm.any() and pose.anchor_mm == first.anchor_mm
            for k, ratio in enumerate(pose.ratio):
                assert abs(ratio - 1) <= (0.03 if k in breathing else 0)
            # Drift is slow and starts at zero.
            assert abs(pose.probe_lateral_mm) < 0.5 * 8 and abs(pose.probe_tilt_rad) < 0.04
        assert (first.probe_lateral_mm, first.probe_depth_mm, first.probe_tilt_rad) == (0, 0, 0)
        still = draw_motion(seeded(7), stack, Task.REST, 20.0, probe_mm=0.0)
        assert all(pose.probe_lateral_mm == pose.probe_tilt_rad == 0 for pose in still.poses)


def test_thickness_series_follows_the_effort(walls: list[Stack]) -> None:
    """Perpendicular thickness of flat, even layers is their ratio times their rest thickness."""
    stack = slab(
        ("fat", 1, 10.0),
        ("a", 0, 0.5),
        ("eo", 2, 7.0),
        ("b", 0, 0.5),
        ("io", 3, 9.0),
        ("c", 0, 0.5),
        ("tra", 4, 4.0),
        ("deep", 0, 60.0),
    )
    stack = replace(stack, view=View.ABDOMINAL_WALL)
    motion = draw_motion(seeded(3), stack, Task.DRAW_IN, 10.0)
    x = np.arange(-20, 20, COLUMN_MM)
    for pose in motion.poses:
        seen = wall_thickness_mm(structure_edges(stack, pose, x), x, 0.0)
        for layer, rest_mm in zip(WALL_LAYERS, (10.0, 7.0, 9.0, 4.0), strict=True):
            assert seen[layer] == pytest.approx(pose.ratio[stack.index(layer)] * rest_mm, rel=1e-4)


# --- Repeatable draws ------------------------------------------------------------------------


def small_clip(view: View, seed: int = 1, task: Task | None = None) -> ClipPlan:
    return draw_clip(seeded(seed), view, task=task, screen_px=(97, 131), frame_rate_hz=3.0)


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_same_seed_same_clip(view: View) -> None:
    first, second, other = (small_clip(view, seed) for seed in (1, 1, 2))
    for (one, label), (again, same) in zip(render_clip(first), render_clip(second), strict=True):
        np.testing.assert_array_equal(one, again)
        np.testing.assert_array_equal(label, same)
    unlike, _ = next(iter(render_clip(other)))
    assert (next(iter(render_clip(first)))[0] != unlike).mean() > 0.1


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_clip_labels_lie_in_the_image_area_between_the_true_edges(view: View) -> None:
    plan = small_clip(view, seed=6)
    truth = clip_truth(plan)
    frames = plan.motion.time_s.size
    rows, columns = plan.area.slices
    assert truth.edges_mm.shape == (frames, 5, 2, plan.area.width)
    assert truth.x_mm.shape == (plan.area.width,)
    holds_base = np.isfinite(truth.base_displacement_mm).all()
    holds_slide = np.isfinite(truth.slide_mm).all()
    assert (holds_base, holds_slide) == (view is View.BLADDER, view is View.ABDOMINAL_WALL)
    for (screen, labels), edges in zip(render_clip(plan), truth.edges_mm, strict=True):
        assert screen.shape == labels.shape == (97, 131)
        inside = labels[rows, columns]
        assert inside.any() and np.count_nonzero(labels) == np.count_nonzero(inside)
        expected = label_image(edges, plan.grid.row_mm, plan.area.height)
        shown = inside > 0  # shadows and the sector's sides hide the rest
        np.testing.assert_array_equal(inside[shown], expected[shown])


def test_same_seed_same_example() -> None:
    first, again, other = (draw_example(seeded(seed), 48) for seed in (3, 3, 4))
    np.testing.assert_array_equal(first.image, again.image)
    np.testing.assert_array_equal(first.label, again.label)
    assert (first.image != other.image).any()


def test_examples_have_their_shapes_and_labels() -> None:
    allowed = {0: {0, 1}, 1: {0, 1, 2, 3, 4}, 2: {0, 1, 5}}
    seen: set[int] = set()
    for example in (draw_example(seeded(seed), 32) for seed in range(60)):
        assert example.image.shape == example.label.shape == (32, 16)
        assert example.image.dtype == example.label.dtype == np.uint8
        assert 0.01 < example.mm_per_pixel < 20
        labels = {int(value) for value in np.unique(example.label)}
        assert labels <= allowed[example.view]
        seen |= labels
    assert seen == {0, 1, 2, 3, 4, 5}


def test_examples_show_each_view_in_its_share() -> None:
    count = 4000
    views = Counter(view_of_example(seed) for seed in range(count))
    declared = {None: 0.2, View.ABDOMINAL_WALL: 0.5, View.BLADDER: 0.3}
    for view, share in declared.items():
        # Four standard deviations of a binomial share.
        assert abs(views[view] / count - share) < 4 * np.sqrt(share * (1 - share) / count)
    drawn = [VIEWS[draw_example(seeded(seed), 32).view] for seed in range(6)]
    assert drawn == [view_of_example(seed) for seed in range(6)]


def test_slide_is_compared_with_the_slide_of_the_tissue() -> None:
    plan = draw_clip(seeded(3), View.ABDOMINAL_WALL, PLAIN, task=Task.DRAW_IN, frame_rate_hz=5.0)
    truth = clip_truth(plan)
    active = plan.motion.activation
    rest, full = (0, int(np.argmax(active > 0))), (int(active.argmax()), int(active.argmax()))
    measure = SimpleNamespace(
        name="slide",
        structure=Structure.TRA,
        repeat="1",
        unit="mm",
        value=1.0,
        low=0.0,
        high=2.0,
        frames=f"{rest[0]}-{rest[1] - 1};{full[0]}-{full[1]}",
    )
    site = plan.area.left + int(np.abs(truth.x_mm).argmin())
    nothing = SimpleNamespace(get=lambda *_: None)
    analysis = SimpleNamespace(
        site_px=site,
        measures=(measure,),
        series=nothing,
        is_lateral_known=True,
        efforts=SimpleNamespace(windows=()),
    )
    (compared,) = compare_measures(analysis, plan, truth)  # type: ignore[arg-type]
    # The layers of a plain wall are nearly flat, so that sliding along them is sliding across.
    assert abs(truth.slide_mm[full[0]]) > 3
    assert compared.true == pytest.approx(truth.slide_mm[full[0]], rel=0.1)


# --- Files -----------------------------------------------------------------------------------


def file_names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_dicom_holds_the_frames_their_scale_and_their_times(tmp_path: Path) -> None:
    plan = small_clip(View.ABDOMINAL_WALL)
    frames = [screen for screen, _ in render_clip(plan)]
    write_dicom(tmp_path / "a.dcm", frames, plan)
    data = pydicom.dcmread(tmp_path / "a.dcm")
    np.testing.assert_array_equal(data.pixel_array, np.stack(frames))
    assert data.FrameTime == pytest.approx(1000 / plan.frame_rate_hz)
    assert data.FrameIncrementPointer == 0x00181063
    (region,) = data.SequenceOfUltrasoundRegions
    area, grid = plan.area, plan.grid
    assert (region.RegionLocationMinX0, region.RegionLocationMinY0) == (area.left, area.top)
    assert region.RegionLocationMaxX1 == area.left + area.width - 1
    assert region.RegionLocationMaxY1 == area.top + area.height - 1
    # Units 3 are centimetres (PS3.3 C.8.5.5.1.15).
    assert region.PhysicalUnitsXDirection == region.PhysicalUnitsYDirection == 3
    assert region.PhysicalDeltaX * 10 == pytest.approx(grid.column_mm)
    assert region.PhysicalDeltaY * 10 == pytest.approx(grid.row_mm)
    assert grid.column_mm != grid.row_mm
    assert data.Modality == "US" and data.NumberOfFrames == len(frames)


def test_video_holds_every_frame(tmp_path: Path) -> None:
    plan = small_clip(View.BLADDER)
    frames = [screen for screen, _ in render_clip(plan)]
    write_video(tmp_path / "a.mp4", frames, plan.frame_rate_hz)
    with av.open(str(tmp_path / "a.mp4")) as container:
        stream = container.streams.video[0]
        assert stream.average_rate == plan.frame_rate_hz
        read = [frame.to_ndarray(format="gray") for frame in container.decode(stream)]
    assert len(read) == len(frames) == plan.motion.time_s.size
    # H.264 needs even sizes: 97 x 131 gains a row and a column.
    assert read[0].shape == (98, 132)
    for shown, frame in zip(read, frames, strict=True):
        assert np.abs(shown[:97, :131].astype(int) - frame).mean() < 4


def test_clip_truth_file_equals_the_truth(tmp_path: Path) -> None:
    plan = small_clip(View.BLADDER, task=Task.STRAIN)
    truth = write_clip(tmp_path, "a", plan, dicom=False, seed=8)
    assert file_names(tmp_path) == {"a.mp4", "a.truth.npz"}
    with np.load(tmp_path / "a.truth.npz") as stored:
        np.testing.assert_allclose(stored["edges_mm"], truth.edges_mm, atol=1e-4)
        np.testing.assert_array_equal(stored["time_s"], plan.motion.time_s)
        np.testing.assert_array_equal(stored["base_displacement_mm"], truth.base_displacement_mm)
        assert tuple(stored["spacing_mm"]) == (plan.grid.row_mm, plan.grid.column_mm)
        area = plan.area
        assert tuple(stored["area_px"]) == (area.top, area.left, area.height, area.width)
        assert (stored["view"], stored["task"], stored["seed"]) == ("bladder", "strain", 8)
        # Who opens the file finds each of its names explained by the command.
        assert all(name in (cli.synthesize.__doc__ or "") for name in stored.files)


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_truth_file_says_which_side_is_lateral(tmp_path: Path, seed: int) -> None:
    plan = draw_clip(np.random.Generator(np.random.SFC64(seed)), View.ABDOMINAL_WALL)
    write_truth(tmp_path / "a.truth.npz", plan, clip_truth(plan))
    with np.load(tmp_path / "a.truth.npz") as stored:
        top, bottom = stored["edges_mm"][0, 3]
        # The TrA ends medially within these pictures.
        seen, x_mm = bottom - top > 0.3, stored["x_mm"]
        assert 0 < seen.mean() < 1
        assert np.sign(x_mm[seen].mean() - x_mm.mean()) == stored["lateral_side"]


def test_still_comes_with_labels_and_one_frame_of_truth(tmp_path: Path) -> None:
    plan = small_clip(View.ABDOMINAL_WALL, task=Task.REST)
    write_still(tmp_path, "a", plan)
    assert file_names(tmp_path) == {"a.png", "a.labels.png", "a.truth.npz"}
    screen, labels = next(iter(render_clip(plan)))
    for name, expected in (("a.png", screen), ("a.labels.png", labels)):
        read = cv2.imread(str(tmp_path / name), cv2.IMREAD_UNCHANGED)
        np.testing.assert_array_equal(read, expected)
    with np.load(tmp_path / "a.truth.npz") as stored:
        assert stored["edges_mm"].shape == (1, 5, 2, plan.area.width)
        assert stored["time_s"].shape == (1,)


def test_each_clip_and_still_has_random_numbers_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[int] = []

    def draw(rng: np.random.Generator, view: View, **_: object) -> None:
        drawn.append(int(rng.integers(2**62)))

    monkeypatch.setattr("layermotion_synthetic.write.draw_clip", draw)
    for kind in ("clip", "still"):
        monkeypatch.setattr(f"layermotion_synthetic.write.write_{kind}", lambda *_, **__: None)
    synthesize(tmp_path, tuple(View), clips=2, stills=2, seed=5)
    synthesize(tmp_path, tuple(View), clips=2, stills=2, seed=6)
    assert len(drawn) == len(set(drawn)) == 16


def test_synthesized_stills_depend_on_seed_view_and_number_alone(tmp_path: Path) -> None:
    both, one = tmp_path / "both", tmp_path / "one"
    synthesize(both, tuple(View), clips=0, stills=2, seed=5)
    synthesize(one, (View.BLADDER,), clips=0, stills=1, seed=5)
    assert len(file_names(both)) == 12
    assert file_names(one) < file_names(both)
    for name in file_names(one):
        assert (one / name).read_bytes() == (both / name).read_bytes()
    pictures = {path.read_bytes() for path in both.glob("*-0??.png")}
    assert len(pictures) == 4


def test_clips_of_two_seeds_are_not_mixed(tmp_path: Path) -> None:
    synthesize(tmp_path, (View.BLADDER,), clips=0, stills=2, seed=5)
    # The same seed may add to them, or make them again.
    synthesize(tmp_path, (View.ABDOMINAL_WALL,), clips=0, stills=1, seed=5)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(
        InputError, match=r"holds clips of the seed 5; choose another folder, or give --seed 5."
    ):
        synthesize(tmp_path, (View.BLADDER,), clips=0, stills=1, seed=6)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before
    (tmp_path / "bladder-still-001.truth.npz").write_bytes(b"damaged")
    with pytest.raises(InputError, match="still-001.truth.npz is damaged; remove it, or choose a"):
        synthesize(tmp_path, (View.BLADDER,), clips=0, stills=1, seed=5)


def test_synthesized_clips_are_the_same_files_again(tmp_path: Path) -> None:
    for folder in ("one", "again"):
        plan = small_clip(View.BLADDER)
        write_clip(tmp_path / folder, "a", plan)
    for name in ("a.dcm", "a.mp4", "a.truth.npz"):
        again = (tmp_path / "again" / name).read_bytes()
        assert (tmp_path / "one" / name).read_bytes() == again, name


@contextmanager
def full_disk(limit_bytes: int) -> Iterator[None]:
    """No file may grow beyond a few bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def _dicom(folder: Path, plan: ClipPlan) -> None:
    write_clip(folder, "a", plan, video=False)


def _video(folder: Path, plan: ClipPlan) -> None:
    write_clip(folder, "a", plan, dicom=False)


def _still(folder: Path, plan: ClipPlan) -> None:
    write_still(folder, "a", plan)


@pytest.mark.parametrize(
    ("write", "limit_bytes"), [(_dicom, 600), (_dicom, 3000), (_video, 600), (_still, 600)]
)
def test_full_disk_is_an_error_and_leaves_nothing(
    tmp_path: Path, write: Callable[[Path, ClipPlan], None], limit_bytes: int
) -> None:
    plan = small_clip(View.BLADDER)
    said = r"cannot be written \(File too large\); free some space or choose another folder.$"
    with pytest.raises(InputError, match=said), full_disk(limit_bytes):
        write(tmp_path, plan)
    assert file_names(tmp_path) == set()


def test_broken_stream_leaves_no_video(tmp_path: Path) -> None:
    def frames() -> Iterator[NDArray[np.uint8]]:
        yield np.zeros((64, 64), np.uint8)
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        write_video(tmp_path / "a.mp4", frames(), 10.0)
    assert file_names(tmp_path) == set()


# --- Refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("thickness", "message"),
    [
        (np.full(4, 1.0), "no thickness for each lateral position"),
        (np.array([1.0, -0.1, 1.0]), "negative thickness"),
        (np.array([1.0, np.nan, 1.0]), "negative thickness"),
    ],
)
def test_impossible_stack_is_refused(thickness: Array, message: str) -> None:
    layer = Layer("muscle", BACKGROUND, thickness, TISSUE)
    with pytest.raises(ValueError, match=f"muscle has a? ?{message}"):
        Stack(None, np.array([-0.5, 0.0, 0.5]), (layer,), 40.0, 30.0)


def test_unknown_layer_is_refused(walls: list[Stack]) -> None:
    with pytest.raises(ValueError, match="pancreas"):
        walls[0].index("pancreas")


def test_bladder_view_has_no_tra_to_slide(bladders: list[Stack]) -> None:
    motion = draw_motion(seeded(1), bladders[0], Task.REST, 5.0)
    with pytest.raises(ValueError, match="tra"):
        tra_slide_mm(bladders[0], motion, 0.0)


def test_pose_at_rest_moves_nothing(walls: list[Stack]) -> None:
    pose = rest_pose(walls[0])
    assert isinstance(pose, Pose)
    np.testing.assert_array_equal(material_x(pose, 3, walls[0].x_mm), walls[0].x_mm)
    assert slide_mm(pose, 3, 12.0) == 0


def test_nothing_to_make_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["synthesize", "--clips", "0", "--stills", "0", "--out", str(tmp_path / "new")])
    assert ended.value.code == 2 and not (tmp_path / "new").exists()
    assert "nothing to make; give --clips or --stills" in capsys.readouterr().err
