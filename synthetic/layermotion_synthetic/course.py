"""Owns the course of a task: efforts, coughs and breaths over time, before any tissue moves."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Task
from layermotion_synthetic.anatomy import uniform

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Repeat:
    """One effort: when it starts, is full, is let go and is over, s.

    Parameters
    ----------
    height
        Share of the clip's full effort.
    is_dip
        Whether it is a descent that a cough or curl-up brings, beside or upon a lift.
    """

    onset_s: float
    full_s: float
    release_s: float
    end_s: float
    height: float = 1.0
    is_dip: bool = False

    def moved(self, by_s: float = 0.0, pace: float = 1.0) -> "Repeat":
        """Return it so many times as slow, and then so much later."""
        onset_s, full_s, release_s, end_s = (
            pace * each + by_s for each in (self.onset_s, self.full_s, self.release_s, self.end_s)
        )
        return replace(self, onset_s=onset_s, full_s=full_s, release_s=release_s, end_s=end_s)


@dataclass(frozen=True, eq=False)
class Course:
    """What is done, frame by frame.

    Parameters
    ----------
    time_s
        Shape (F,), s.
    activation, dip
        Shape (F,), 0 at rest to 1 at full effort: of what is held, and of coughs or a curl-up.
    breath
        Shape (F,), share by which breathing thickens TrA and IO.
    repeats
        In the order of time.
    """

    time_s: Array
    activation: Array
    dip: Array
    breath: Array
    repeats: tuple[Repeat, ...]


def ease(time_s: Array, start_s: float, end_s: float) -> Array:
    """Raised-cosine rise from 0 at ``start_s`` to 1 at ``end_s``."""
    share = np.clip((time_s - start_s) / (end_s - start_s), 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * share))


def cropped(course: Course, begin_s: float, end_s: float) -> Course:
    """Course of the time from ``begin_s`` to ``end_s`` alone, which then begins at 0."""
    kept = (course.time_s >= begin_s) & (course.time_s <= end_s)
    begin_s = float(course.time_s[kept][0])
    moved = tuple(one.moved(-begin_s) for one in course.repeats)
    return Course(
        course.time_s[kept] - begin_s,
        course.activation[kept],
        course.dip[kept],
        course.breath[kept],
        moved,
    )


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


def plain_course(
    rng: np.random.Generator, task: Task, frame_rate_hz: float, repeats: int, breath: float
) -> Course:
    """Draw efforts that are all alike, with even breaths.

    Parameters
    ----------
    repeats
        Number of efforts (ignored for rest, which lasts 4 s).
    breath
        Share by which breathing thickens TrA and IO.
    """
    efforts = () if task is Task.REST else _draw_repeats(rng, task, repeats)
    length_s = efforts[-1].end_s + uniform(rng, 1.0, 2.0) if efforts else 4.0
    time = np.arange(0, length_s, 1 / frame_rate_hz)
    activation = np.zeros_like(time)
    for effort in efforts:
        rise = ease(time, effort.onset_s, effort.full_s)
        fall = ease(time, effort.release_s, effort.end_s)
        fade = uniform(rng, 0, 0.15) * np.clip(
            (time - effort.full_s) / (effort.release_s - effort.full_s), 0, 1
        )
        activation = np.maximum(activation, (rise - fall) * (1 - fade))
    cycle = breath * np.sin(2 * np.pi * (time / uniform(rng, 3.0, 5.0) + rng.random()))
    return Course(time, activation, np.zeros_like(time), cycle, efforts)
