"""Owns synthetic clips: a scene in motion, on a screen, frame after frame, with its truth."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import ImageArea
from layermotion.labels import Task, View
from layermotion_synthetic.anatomy import chance, uniform
from layermotion_synthetic.beams import Grid
from layermotion_synthetic.course import Course
from layermotion_synthetic.display import Grey
from layermotion_synthetic.factors import DRAWN, split
from layermotion_synthetic.motion import BLADDER_TASKS, WALL_TASKS, Motion, draw_motion
from layermotion_synthetic.scene import (
    Scene,
    draw_scene,
    field_of_view,
    picture_grid,
    pixel_aspect,
    render,
)
from layermotion_synthetic.screen import draw_ruler, draw_text, grab
from layermotion_synthetic.truth import base_displacement, clip_edges, tra_slide_mm


@dataclass(frozen=True, eq=False)
class ClipPlan:
    """Everything needed to render a clip again, frame by frame.

    Parameters
    ----------
    screen
        uint8, shape (rows, columns), what stands around the image.
    area
        Where the image lies on the screen.
    grid
        Pixels of the image area, in mm.
    persistence
        Share of the previous frame shown, 0 to 0.6 in training.
    noise_seed
        Seed of the electronic noise.
    """

    view: View | None
    scene: Scene
    motion: Motion
    screen: Grey
    area: ImageArea
    grid: Grid
    persistence: float
    frame_rate_hz: float
    noise_seed: int


@dataclass(frozen=True, eq=False)
class ClipTruth:
    """Exact values of a clip, independent of its pixels.

    Parameters
    ----------
    time_s
        Shape (F,), s.
    x_mm
        Shape (C,), lateral position of each image column, mm.
    edges_mm
        Shape (F, 5, 2, C), depth of each edge below the top of the image area, mm.
    base_displacement_mm, slide_mm
        Shape (F,), NaN where the view does not hold it. Slide is that of the TrA against the EO,
        of what lies at x = 0 where no muscle works, zero there and positive laterally.
    """

    time_s: NDArray[np.float64]
    x_mm: NDArray[np.float64]
    edges_mm: NDArray[np.float64]
    base_displacement_mm: NDArray[np.float64]
    slide_mm: NDArray[np.float64]


def draw_clip(
    rng: np.random.Generator,
    view: View | None,
    forced: Mapping[str, float] = DRAWN,
    *,
    task: Task | None = None,
    screen_px: tuple[int, int] = (480, 640),
    frame_rate_hz: float = 30.0,
    repeats: int = 1,
    course: Course | None = None,
    probe_factor: float = 1.0,
) -> ClipPlan:
    """Draw a clip of one view; ``task`` is drawn too where it is not given.

    Parameters
    ----------
    view
        None shows neither view, at rest.
    forced
        Strengths of ``Factors`` set from outside; the others are drawn.
    screen_px
        (rows, columns) of the screen that the image is placed on.
    course
        What is done over time, in place of ``repeats`` efforts that are all alike.
    probe_factor
        Factor on how far the probe moves.
    """
    body, moves, around = split(rng, 3)
    scene = draw_scene(body, view, forced, slack_mm=25.0)
    factors = scene.factors
    tasks = WALL_TASKS if view is View.ABDOMINAL_WALL else BLADDER_TASKS
    task = task or (Task.REST if view is None else tasks[int(moves.integers(1, len(tasks)))])
    motion = draw_motion(
        moves,
        scene.stack,
        task,
        frame_rate_hz,
        repeats=repeats,
        course=course,
        probe_mm=2.0 * factors.probe_motion * probe_factor,
        breath=0.08 * factors.breathing,
        peristalsis_mm=6.0 * factors.peristalsis,
        out_of_plane=1 + 3 * factors.decorrelation,
    )
    screen, area, grid = _draw_screen(around, scene, screen_px)
    return ClipPlan(
        view,
        scene,
        motion,
        screen,
        area,
        grid,
        # Drawn for 30 frames a second; slower frames fade in the same time.
        min(0.6 * factors.persistence, 0.95) ** max(30.0 / frame_rate_hz, 1.0),
        frame_rate_hz,
        int(around.integers(2**31)),
    )


def _draw_screen(
    rng: np.random.Generator, scene: Scene, screen_px: tuple[int, int]
) -> tuple[Grey, ImageArea, Grid]:
    rows, columns = screen_px
    _, _, width, height = field_of_view(scene.beams)
    margin = uniform(rng, 0.03, 0.15)
    scale = max(height / (rows * (1 - 2 * margin)), width / (columns * (1 - 2 * margin)))
    aspect = pixel_aspect(scene.factors)
    tall, wide = int(height / scale * min(aspect, 1)), int(width / scale / max(aspect, 1))
    top, left = (
        int(edge + rng.random() * (room - 2 * edge))
        for edge, room in ((0.02 * rows, rows - tall), (0.02 * columns, columns - wide))
    )
    screen = np.full(screen_px, rng.integers(0, 40) if chance(rng, 0.3) else 0, np.uint8)
    border = np.zeros_like(screen)
    draw_text(rng, border, 2 + round(10 * scene.factors.screen_marks))
    draw_ruler(rng, border, 10 * tall / height)
    border[top - 4 : top + tall + 4, left - 4 : left + wide + 4] = 0
    np.maximum(screen, border, out=screen)
    return screen, ImageArea(top, left, tall, wide), picture_grid(scene, tall, wide)


def render_clip(plan: ClipPlan) -> Iterator[tuple[Grey, Grey]]:
    """Yield (screen, labels) of every frame, each uint8 of the screen's shape."""
    rng = np.random.Generator(np.random.SFC64(plan.noise_seed))
    white: float | None = None
    last: NDArray[np.float32] | None = None
    rows, columns = plan.area.slices
    coarse = plan.scene.factors.screen_grab
    for pose, turn in zip(plan.motion.poses, plan.motion.turn_rad, strict=True):
        picture = render(rng, plan.scene, pose, plan.grid, white_db=white, turn_rad=float(turn))
        white = picture.white_db
        pixels = picture.pixels
        if coarse:
            pixels = grab(np.random.default_rng(plan.noise_seed), pixels, coarse)
        image = pixels.astype(np.float32)
        if last is not None and plan.persistence:
            image = (1 - plan.persistence) * image + plan.persistence * last
        last = image
        screen = plan.screen.copy()
        inside = screen[rows, columns]
        np.copyto(inside, np.round(image).astype(np.uint8), where=picture.inside)
        labels = np.zeros_like(screen)
        labels[rows, columns] = picture.labels
        yield screen, labels


def clip_truth(plan: ClipPlan) -> ClipTruth:
    """Exact values of the clip, frame by frame."""
    stack, motion = plan.scene.stack, plan.motion
    frames = motion.time_s.shape[0]
    missing = np.full(frames, np.nan)
    edges = clip_edges(stack, motion, plan.grid.x_mm, plan.scene.mirrored) - plan.grid.top_mm
    if plan.view is View.BLADDER:
        return ClipTruth(
            motion.time_s, plan.grid.x_mm, edges, base_displacement(stack, motion), missing
        )
    if plan.view is None:
        return ClipTruth(motion.time_s, plan.grid.x_mm, edges, missing, missing)
    slide = tra_slide_mm(stack, motion, 0.0)
    return ClipTruth(motion.time_s, plan.grid.x_mm, edges, missing, slide)
