"""Owns time: what each task does to the tissue and the probe, as one pose for every frame."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure, Task, View
from layermotion_synthetic.anatomy import Stack, chance, uniform
from layermotion_synthetic.course import Course, Repeat, plain_course
from layermotion_synthetic.pose import Pose, rest_pose

WALL_TASKS = (Task.REST, Task.DRAW_IN)
BLADDER_TASKS = (Task.REST, Task.PELVIC_FLOOR_LIFT, Task.COUGH, Task.CURL_UP, Task.STRAIN)
# Tasks in which the belly moves the probe.
TRUNK_TASKS = (
    Task.COUGH,
    Task.COUGH_PRELIFT,
    Task.CURL_UP,
    Task.CURL_UP_PRELIFT,
    Task.STRAIN,
)


@dataclass(frozen=True, eq=False)
class Motion:
    """A task as it happens.

    Parameters
    ----------
    time_s
        Shape (F,), s.
    activation
        Shape (F,), 0 at rest to 1 at full effort.
    poses
        F poses.
    turn_rad
        Shape (F,), out-of-plane motion as a scatterer mixing angle.
    repeats
        Efforts in order; empty for rest.
    pattern
        ``tra_alone``, ``tra_with_others``, ``others_alone``, ``lift``, ``descent`` or ``rest``.
    """

    task: Task
    time_s: NDArray[np.float64]
    activation: NDArray[np.float64]
    poses: tuple[Pose, ...]
    turn_rad: NDArray[np.float64]
    repeats: tuple[Repeat, ...]
    pattern: str


def wall_pattern(rng: np.random.Generator) -> str:
    """Draw which muscles of the wall work."""
    return str(rng.choice(["tra_alone", "tra_with_others", "others_alone"], p=[0.5, 0.3, 0.2]))


def wall_targets(rng: np.random.Generator, pattern: str) -> dict[Structure, float]:
    """Thickness ratio at full effort; draw-in ranges hold the published means (TrA 1.3 to 1.8)."""
    ranges = {
        "tra_alone": ((1.25, 2.0), (0.97, 1.05), (0.95, 1.03)),
        "tra_with_others": ((1.2, 1.8), (1.1, 1.4), (1.03, 1.2)),
        "others_alone": ((0.95, 1.05), (1.15, 1.4), (1.08, 1.3)),
    }[pattern]
    names = (Structure.TRA, Structure.IO, Structure.EO)
    return {name: uniform(rng, *limits) for name, limits in zip(names, ranges, strict=True)}


def lift_target_mm(rng: np.random.Generator, task: Task) -> float:
    """Draw the base displacement at full effort.

    Published: lift 3 to 15 mm with the wrong sign in up to 43 % (Thompson and O'Sullivan 2003);
    curl-up descent 0 to 31 mm (Barton et al. 2015); no cough or strain figure for this view.
    """
    if task is Task.PELVIC_FLOOR_LIFT:
        return uniform(rng, 3, 14) if chance(rng, 0.7) else -uniform(rng, 2, 9)
    if task in (Task.COUGH, Task.COUGH_PRELIFT):
        return -uniform(rng, 3, 15)
    return -uniform(rng, 4, 22)


def draw_motion(
    rng: np.random.Generator,
    stack: Stack,
    task: Task,
    frame_rate_hz: float,
    *,
    repeats: int = 1,
    probe_mm: float = 1.0,
    breath: float = 0.03,
    peristalsis_mm: float = 0.0,
    out_of_plane: float = 1.0,
    course: Course | None = None,
) -> Motion:
    """Draw one performance of a task.

    Parameters
    ----------
    repeats
        Number of efforts (ignored for rest, which lasts 4 s).
    course
        What is done over time; by default efforts that are all alike, with even breaths.
    probe_mm
        Size of the slow probe drift, and of how far an effort of the trunk lifts the probe, mm.
    breath
        Share by which breathing thickens TrA and IO.
    peristalsis_mm
        How far bowel moves to and fro, mm.
    out_of_plane
        Factor on how far tissue leaves the picture's plane.
    """
    if course is None:
        course = plain_course(rng, task, frame_rate_hz, repeats, breath)
        if stack.view is View.BLADDER and not course.repeats:
            course = replace(course, breath=np.zeros_like(course.time_s))
    time, activation, efforts = course.time_s, course.activation, course.repeats
    bowel_mm = peristalsis_mm * wander(rng, time)
    drift = probe_mm * np.stack([wander(rng, time) for _ in range(3)])

    targets: dict[int, float] = {}
    lift = dip = 0.0
    pattern = "rest"
    if stack.view is View.ABDOMINAL_WALL:
        if efforts:
            pattern = wall_pattern(rng)
            targets = {stack.index(k): v for k, v in wall_targets(rng, pattern).items()}
    elif efforts:
        lift = lift_target_mm(rng, task)
        if course.dip.any():
            lift, dip = lift_target_mm(rng, Task.PELVIC_FLOOR_LIFT), lift_target_mm(rng, task)
        pattern = "lift" if lift > 0 and course.activation.any() else "descent"
    # The belly's own movement under the hand: none in a draw-in, whose art is stillness.
    push = probe_mm * rng.normal(0, 0.5, 2) * (task in TRUNK_TASKS)
    breathed_mm = 20 * course.breath * (stack.view is View.BLADDER)
    anchor = uniform(rng, 22, 48)
    rest = rest_pose(stack)
    poses = []
    for i, effort_now in enumerate(activation):
        ratio, shift = rest.ratio.copy(), rest.shift_mm.copy()
        shift[-1] = bowel_mm[i]
        for k, target in targets.items():
            ratio[k] = 1 + (target - 1) * effort_now
        if stack.view is View.ABDOMINAL_WALL:
            for structure in (Structure.TRA, Structure.IO):
                ratio[stack.index(structure)] *= 1 + course.breath[i]
        poses.append(
            replace(
                rest,
                ratio=ratio,
                shift_mm=shift,
                anchor_mm=anchor,
                lift_mm=lift * effort_now + dip * float(course.dip[i]) + float(breathed_mm[i]),
                probe_lateral_mm=float(drift[0, i]),
                probe_depth_mm=float(0.3 * drift[1, i] + push[0] * (effort_now + course.dip[i])),
                probe_tilt_rad=float(
                    0.01 * drift[2, i] + 0.02 * push[1] * (effort_now + course.dip[i])
                ),
            )
        )
    turn = out_of_plane * (0.25 * (activation + course.dip) + 0.15 * np.abs(wander(rng, time)))
    return Motion(task, time, activation, tuple(poses), turn, efforts, pattern)


def wander(rng: np.random.Generator, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slow drift that starts at 0, about unit size."""
    phase = rng.random() * 2 * np.pi
    rate = 2 * np.pi / uniform(rng, 6, 14)
    return np.asarray(rng.normal() * 0.7 * (np.sin(rate * time_s + phase) - np.sin(phase)))
