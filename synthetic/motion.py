"""Owns time: what each task does to the tissue and the probe, as one pose for every frame."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure, Task, View
from synthetic.anatomy import Stack, chance, uniform
from synthetic.pose import Pose, rest_pose

WALL_TASKS = (Task.REST, Task.DRAW_IN)
BLADDER_TASKS = (Task.REST, Task.PELVIC_FLOOR_LIFT, Task.COUGH, Task.CURL_UP, Task.STRAIN)


@dataclass(frozen=True)
class Repeat:
    """One effort: when it starts, is full, is let go and is over, s."""

    onset_s: float
    full_s: float
    release_s: float
    end_s: float


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


def _ease(time_s: NDArray[np.float64], start_s: float, end_s: float) -> NDArray[np.float64]:
    """Raised-cosine rise from 0 at ``start_s`` to 1 at ``end_s``."""
    share = np.clip((time_s - start_s) / (end_s - start_s), 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * share))


def _draw_repeats(rng: np.random.Generator, task: Task, count: int) -> tuple[Repeat, ...]:
    """Draw efforts one after the other; a cough rises in under 0.1 s and is not held."""
    quick = task is Task.COUGH
    repeats, now = [], uniform(rng, 1.2, 2.5)
    for _ in range(count):
        full = now + (uniform(rng, 0.05, 0.1) if quick else uniform(rng, 0.3, 1.1))
        release = full + (uniform(rng, 0.03, 0.12) if quick else uniform(rng, 1.5, 4.5))
        end = release + (uniform(rng, 0.15, 0.4) if quick else uniform(rng, 0.3, 1.2))
        repeats.append(Repeat(now, full, release, end))
        now = end + uniform(rng, 1.2, 2.5)
    return tuple(repeats)


def _wall_targets(rng: np.random.Generator, pattern: str) -> dict[Structure, float]:
    """Thickness ratio at full effort; draw-in ranges hold the published means (TrA 1.3 to 1.8)."""
    ranges = {
        "tra_alone": ((1.25, 2.0), (0.97, 1.05), (0.95, 1.03)),
        "tra_with_others": ((1.2, 1.8), (1.1, 1.4), (1.03, 1.2)),
        "others_alone": ((0.95, 1.05), (1.15, 1.4), (1.08, 1.3)),
    }[pattern]
    names = (Structure.TRA, Structure.IO, Structure.EO)
    return {name: uniform(rng, *limits) for name, limits in zip(names, ranges, strict=True)}


def _lift_target_mm(rng: np.random.Generator, task: Task) -> float:
    """Draw the base displacement at full effort.

    Published: lift 3 to 15 mm with the wrong sign in up to 43 % (Thompson and O'Sullivan 2003);
    curl-up descent 0 to 31 mm (Barton et al. 2015); no cough or strain figure for this view.
    """
    if task is Task.PELVIC_FLOOR_LIFT:
        return uniform(rng, 3, 14) if chance(rng, 0.7) else -uniform(rng, 2, 9)
    if task is Task.COUGH:
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
) -> Motion:
    """Draw one performance of a task.

    Parameters
    ----------
    repeats
        Number of efforts (ignored for rest, which lasts 4 s).
    probe_mm
        Size of the slow probe drift, and of how far an effort of the trunk lifts the probe, mm.
    breath
        Share by which breathing thickens TrA and IO.
    peristalsis_mm
        How far bowel moves to and fro, mm.
    out_of_plane
        Factor on how far tissue leaves the picture's plane.
    """
    efforts = () if task is Task.REST else _draw_repeats(rng, task, repeats)
    length_s = efforts[-1].end_s + uniform(rng, 1.0, 2.0) if efforts else 4.0
    time = np.arange(0, length_s, 1 / frame_rate_hz)
    activation = np.zeros_like(time)
    for effort in efforts:
        rise = _ease(time, effort.onset_s, effort.full_s)
        fall = _ease(time, effort.release_s, effort.end_s)
        fade = uniform(rng, 0, 0.15) * np.clip(
            (time - effort.full_s) / (effort.release_s - effort.full_s), 0, 1
        )
        activation = np.maximum(activation, (rise - fall) * (1 - fade))
    cycle = breath * np.sin(2 * np.pi * (time / uniform(rng, 3.0, 5.0) + rng.random()))
    bowel_mm = peristalsis_mm * _wander(rng, time)
    drift = probe_mm * np.stack([_wander(rng, time) for _ in range(3)])

    targets: dict[int, float] = {}
    lift = 0.0
    pattern = "rest"
    if stack.view is View.ABDOMINAL_WALL:
        if efforts:
            pattern = str(
                rng.choice(["tra_alone", "tra_with_others", "others_alone"], p=[0.5, 0.3, 0.2])
            )
            targets = {stack.index(k): v for k, v in _wall_targets(rng, pattern).items()}
    elif efforts:
        lift = _lift_target_mm(rng, task)
        pattern = "lift" if lift > 0 else "descent"
    # The belly's own movement under the hand: none in a draw-in, whose art is stillness.
    push = probe_mm * rng.normal(0, 0.5, 2) * (task in (Task.COUGH, Task.CURL_UP, Task.STRAIN))
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
                ratio[stack.index(structure)] *= 1 + cycle[i]
        poses.append(
            replace(
                rest,
                ratio=ratio,
                shift_mm=shift,
                anchor_mm=anchor,
                lift_mm=lift * effort_now + (20 * cycle[i] if lift else 0.0),
                probe_lateral_mm=float(drift[0, i]),
                probe_depth_mm=float(0.3 * drift[1, i] + push[0] * effort_now),
                probe_tilt_rad=float(0.01 * drift[2, i] + 0.02 * push[1] * effort_now),
            )
        )
    turn = out_of_plane * (0.25 * activation + 0.15 * np.abs(_wander(rng, time)))
    return Motion(task, time, activation, tuple(poses), turn, efforts, pattern)


def _wander(rng: np.random.Generator, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slow drift that starts at 0, about unit size."""
    phase = rng.random() * 2 * np.pi
    rate = 2 * np.pi / uniform(rng, 6, 14)
    return np.asarray(rng.normal() * 0.7 * (np.sin(rate * time_s + phase) - np.sin(phase)))
