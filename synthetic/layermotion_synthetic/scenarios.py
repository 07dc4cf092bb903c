"""Owns what really happens in a clip: unequal efforts, irregular breaths, tasks stated wrongly.

The kinds were written before any rule or model that counts efforts was tuned on them.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Task, View
from layermotion_synthetic.anatomy import chance, log_uniform, uniform
from layermotion_synthetic.course import Course, Repeat, cropped, ease

Array = NDArray[np.float64]


class Kind(StrEnum):
    """What is unlike a textbook clip."""

    EVEN = "even"
    UNEQUAL = "unequal"
    WEAK_THIRD = "weak third"
    BREATHING = "breathing"
    BREATH_HELD = "breath held"
    DRIFT = "drift"
    SAGGING = "sagging"
    STACKED = "stacked"
    CUT = "cut"
    FAST = "fast"
    SLOW = "slow"
    NO_EFFORT = "no effort"
    REST = "rest"
    REST_WITH_EFFORT = "rest with effort"
    WRONG_TASK = "wrong task"
    COUGHS = "coughs"
    DIP_ON_LIFT = "dip on lift"
    LEAVES = "leaves"
    HALF_RELEASED = "half released"
    LIFT_REGAINED = "lift regained"


# Kinds that no rule and no model is tuned on: they are for the last judgement alone.
ASIDE = (Kind.HALF_RELEASED, Kind.LIFT_REGAINED)
BLADDER_ONLY = (Kind.WRONG_TASK, Kind.COUGHS, Kind.DIP_ON_LIFT, Kind.LIFT_REGAINED)
WITH_DIPS = (Kind.COUGHS, Kind.DIP_ON_LIFT, Kind.LIFT_REGAINED)
HELD_TASKS = {
    View.ABDOMINAL_WALL: (Task.DRAW_IN, Task.DRAW_IN, Task.CURL_UP),
    View.BLADDER: (Task.PELVIC_FLOOR_LIFT, Task.CURL_UP, Task.STRAIN),
}
# Share by which the strongest breath thickens TrA and IO, and the same of the bladder base, which a
# breath of one moves by 20 mm (so by 2.5 mm here; our choice).
STRENGTH_OF_BREATH = {View.ABDOMINAL_WALL: 0.25, View.BLADDER: 0.125}
# Least height of an effort over the clip's full effort, and of a third that is weak.
SMALLEST_HEIGHT, WEAK_HEIGHT = 0.2, 0.35
# An effort that is let go by up to this share and taken up again is one effort; let go by more, it
# is two (our choice, between which nothing is drawn).
DIP_SHARES, TWO_FROM = (0.2, 0.5), 0.8


@dataclass(frozen=True, eq=False)
class Scenario:
    """A course with what is known of it beforehand.

    Parameters
    ----------
    task
        What is done.
    stated
        What the file says was asked for; None where it says nothing.
    probe_factor
        Factor on how far the probe moves.
    """

    kind: Kind
    view: View
    task: Task
    stated: Task | None
    course: Course
    probe_factor: float = 1.0


def draw_scenario(
    rng: np.random.Generator, kind: Kind, view: View, frame_rate_hz: float
) -> Scenario:
    """Draw one clip of a kind.

    Raises
    ------
    ValueError
        If the kind is not seen in the view.
    """
    if kind in BLADDER_ONLY and view is not View.BLADDER:
        raise ValueError(f"{kind} is seen in the bladder view alone")
    tasks = HELD_TASKS[view]
    task = tasks[int(rng.integers(len(tasks)))]
    stated: Task | None = task if chance(rng, 0.7) else None
    efforts: list[_Effort] = []
    if kind in WITH_DIPS:
        task = Task.COUGH if kind is Kind.COUGHS else Task.COUGH_PRELIFT
        if kind is not Kind.COUGHS and chance(rng, 0.4):
            task = Task.CURL_UP_PRELIFT
        stated = task if chance(rng, 0.7) else None
        efforts = _coughs(rng) if kind is Kind.COUGHS else list(_on_lift(rng, kind, task))
    elif kind in (Kind.NO_EFFORT, Kind.REST):
        stated = task if kind is Kind.NO_EFFORT else (Task.REST if chance(rng, 0.7) else None)
        task = Task.REST
    else:
        efforts = _held(rng, kind)
        if kind is Kind.REST_WITH_EFFORT:
            stated = Task.REST
        elif kind is Kind.WRONG_TASK:
            task, stated = _mistaken(rng)
    efforts.sort(key=lambda effort: effort.onset_s)
    over_s = max((effort.end_s for effort in efforts), default=0.0)
    length_s = over_s + uniform(rng, 1.0, 2.5) if efforts else uniform(rng, 4.0, 12.0)
    time = np.arange(0, length_s, 1 / frame_rate_hz)
    activation, dip = np.zeros_like(time), np.zeros_like(time)
    for effort in efforts:
        into = dip if effort.is_dip else activation
        np.maximum(into, effort.course(time), out=into)
    breath = STRENGTH_OF_BREATH[view] * _breaths(rng, time, kind, efforts)
    drifting = kind is Kind.DRIFT
    course = Course(time, activation, dip, breath, tuple(effort.repeat for effort in efforts))
    if kind is Kind.CUT:
        course = _cut(rng, course)
    factor = uniform(rng, 2.0, 4.0) if drifting else 6.0 if kind is Kind.LEAVES else 1.0
    return Scenario(kind, view, task, stated, course, factor)


@dataclass(frozen=True)
class _Effort(Repeat):
    """One effort with what makes it unlike the others.

    Parameters
    ----------
    sag
        Share by which it fades while it is held.
    let_go_s, let_go
        When it is let go in part for a second, and by which share.
    step
        Share that is reached first and held for a while, 0 where it rises at once.
    """

    sag: float = 0.0
    let_go_s: float = 0.0
    let_go: float = 0.0
    step: float = 0.0

    @property
    def repeat(self) -> Repeat:
        return Repeat(
            self.onset_s, self.full_s, self.release_s, self.end_s, self.height, self.is_dip
        )

    def course(self, time_s: Array) -> Array:
        """Its activation, shape of ``time_s``."""
        takes_s = self.full_s - self.onset_s
        if self.step:
            # A second effort on top of the first, in the last third of the way.
            first = ease(time_s, self.onset_s, self.onset_s + takes_s / 3)
            second = ease(time_s, self.full_s - takes_s / 3, self.full_s)
            rise = self.step * first + (1 - self.step) * second
        else:
            rise = ease(time_s, self.onset_s, self.full_s)
        held = np.clip((time_s - self.full_s) / (self.release_s - self.full_s), 0, 1)
        level = rise * (1 - self.sag * held) * (1 - ease(time_s, self.release_s, self.end_s))
        if self.let_go:
            down = ease(time_s, self.let_go_s, self.let_go_s + 0.4)
            up = ease(time_s, self.let_go_s + 0.8, self.let_go_s + 1.3)
            level = level * (1 - self.let_go * (down - up))
        return np.asarray(self.height * level)


def _held(rng: np.random.Generator, kind: Kind) -> list[_Effort]:
    """Efforts that are held, one after the other."""
    count = 3 if kind is Kind.WEAK_THIRD else int(rng.integers(1, 4))
    if kind in (Kind.REST_WITH_EFFORT, Kind.LEAVES):
        count = int(rng.integers(1, 3))
    ramp_s = {Kind.FAST: (0.1, 0.2), Kind.SLOW: (1.2, 2.0)}.get(kind, (0.15, 1.5))
    is_even = kind is Kind.EVEN
    common = [log_uniform(rng, *ramp_s), uniform(rng, 1.5, 4.5), log_uniform(rng, *ramp_s)]
    efforts, now = [], uniform(rng, 1.0, 3.0)
    highest = int(rng.integers(count))
    for number in range(count):
        rise_s, hold_s, fall_s = common if is_even else (
            log_uniform(rng, *ramp_s), log_uniform(rng, 0.8, 5.0), log_uniform(rng, *ramp_s),
        )  # fmt: skip
        height = 1.0
        if kind is Kind.UNEQUAL and number != highest:
            height = uniform(rng, SMALLEST_HEIGHT, 1.0)
        elif kind is Kind.WEAK_THIRD:
            height = WEAK_HEIGHT if number == 2 else uniform(rng, 0.9, 1.0)
        elif not is_even and number != highest:
            height = uniform(rng, 0.6, 1.0)
        step = uniform(rng, 0.35, 0.75) if kind is Kind.STACKED else 0.0
        rise_s = 3 * rise_s + uniform(rng, 0.5, 2.0) if step else rise_s
        full_s = now + rise_s
        let_go, let_go_s = 0.0, 0.0
        if kind is Kind.HALF_RELEASED:
            hold_s += 2.5
            let_go, let_go_s = uniform(rng, *DIP_SHARES), full_s + uniform(rng, 0.5, hold_s - 1.8)
        effort = _Effort(
            now, full_s, full_s + hold_s, full_s + hold_s + fall_s, height,
            sag=uniform(rng, 0.25, 0.6) if kind is Kind.SAGGING else uniform(rng, 0, 0.15),
            let_go_s=let_go_s, let_go=let_go, step=step,
        )  # fmt: skip
        efforts.append(effort)
        now = effort.end_s + log_uniform(rng, 0.8, 3.5)
    return efforts


def _coughs(rng: np.random.Generator) -> list[_Effort]:
    """Coughs in series, or apart."""
    in_series = chance(rng, 0.7)
    now, efforts = uniform(rng, 1.0, 2.5), []
    for _ in range(int(rng.integers(2, 6) if in_series else rng.integers(1, 4))):
        efforts.append(_cough(rng, now))
        now = efforts[-1].end_s + (uniform(rng, 0.1, 0.6) if in_series else uniform(rng, 1.0, 3.0))
    return efforts


def _cough(rng: np.random.Generator, now: float) -> _Effort:
    full = now + uniform(rng, 0.05, 0.12)
    release = full + uniform(rng, 0.03, 0.12)
    end = release + uniform(rng, 0.15, 0.4)
    return _Effort(now, full, release, end, uniform(rng, 0.45, 1.0), is_dip=True)


def _on_lift(rng: np.random.Generator, kind: Kind, task: Task) -> Iterator[_Effort]:
    """Lifts with coughs or a curl-up upon them; the lift is held, lost, or lost and regained."""
    now = uniform(rng, 1.0, 2.5)
    for _ in range(int(rng.integers(1, 3))):
        onset, full = now, now + log_uniform(rng, 0.2, 1.2)
        at = full + uniform(rng, 0.8, 2.5)
        dips = []
        for _ in range(int(rng.integers(1, 4)) if task is Task.COUGH_PRELIFT else 1):
            if task is Task.COUGH_PRELIFT:
                dips.append(_cough(rng, at))
            else:
                up = at + uniform(rng, 0.3, 1.0)
                down = up + uniform(rng, 1.0, 3.0)
                end = down + uniform(rng, 0.3, 1.0)
                dips.append(_Effort(at, up, down, end, uniform(rng, 0.6, 1.0), is_dip=True))
            at = dips[-1].end_s + uniform(rng, 0.3, 1.2)
        lift = _Effort(onset, full, at + uniform(rng, 0.5, 2.0), 0.0)
        lift = replace(lift, end_s=lift.release_s + log_uniform(rng, 0.2, 1.2))
        if kind is Kind.LIFT_REGAINED:
            let_go_s = dips[0].release_s
            later = max(lift.release_s, let_go_s + 2.5)
            lift = replace(
                lift, let_go_s=let_go_s, let_go=uniform(rng, *DIP_SHARES),
                release_s=later, end_s=later + lift.end_s - lift.release_s,
            )  # fmt: skip
        elif chance(rng, 0.3):
            # Lost with the last cough.
            lost_s = dips[-1].release_s
            lift = replace(lift, release_s=lost_s, end_s=lost_s + uniform(rng, 0.2, 0.6))
        yield lift
        yield from dips
        now = max(lift.end_s, dips[-1].end_s) + uniform(rng, 1.0, 3.0)


def _mistaken(rng: np.random.Generator) -> tuple[Task, Task]:
    """Draw what is done and what is stated, of which one moves the base the other way."""
    pairs = (
        (Task.PELVIC_FLOOR_LIFT, Task.STRAIN),
        (Task.STRAIN, Task.PELVIC_FLOOR_LIFT),
        (Task.PELVIC_FLOOR_LIFT, Task.CURL_UP),
        (Task.CURL_UP, Task.PELVIC_FLOOR_LIFT),
    )
    return pairs[int(rng.integers(len(pairs)))]


def _breaths(rng: np.random.Generator, time_s: Array, kind: Kind, efforts: list[_Effort]) -> Array:
    """Breath by breath, each of its own length and depth; highest at the end of a breath out."""
    is_strong = kind in (Kind.BREATHING, Kind.BREATH_HELD, Kind.REST, Kind.NO_EFFORT)
    strength = uniform(rng, 0.2, 1.0) if is_strong else log_uniform(rng, 0.02, 0.4)
    uneven = uniform(rng, 0.0, 0.4)
    usual_s = 60 / uniform(rng, 9, 22)
    out_share, pause = uniform(rng, 0.4, 0.65), uniform(rng, 0.0, 0.25)
    ends: list[tuple[float, float]] = []
    now = -usual_s * rng.random()
    while now < time_s[-1] + usual_s:
        length = usual_s * float(np.exp(uneven * rng.normal()))
        depth = float(np.clip(1 + 1.5 * uneven * rng.normal(), 0.2, 2.0))
        inhale = length * (1 - out_share) * (1 - pause)
        ends += [(now, 0.0), (now + inhale, -depth), (now + length * (1 - pause), 0.0)]
        now += length
    at, value = (np.array(part) for part in zip(*ends, strict=True))
    breath_time = time_s
    if kind is Kind.BREATH_HELD:
        breath_time = _held_breath(rng, time_s, efforts)
    index = np.clip(np.searchsorted(at, breath_time, side="right") - 1, 0, at.size - 2)
    share = (breath_time - at[index]) / np.maximum(at[index + 1] - at[index], 1e-9)
    step = 0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0, 1))
    return np.asarray(strength * (value[index] + (value[index + 1] - value[index]) * step))


def _held_breath(rng: np.random.Generator, time_s: Array, efforts: list[_Effort]) -> Array:
    """Let time stand still while the breath is held: in each effort, or once in the clip."""
    spans = [(effort.onset_s, effort.end_s) for effort in efforts]
    if not spans or chance(rng, 0.3):
        start_s = uniform(rng, 0.0, 0.6) * float(time_s[-1])
        spans = [(start_s, start_s + uniform(rng, 2.0, 6.0))]
    stands = np.zeros(time_s.size, bool)
    for start_s, end_s in spans:
        stands |= (time_s >= start_s) & (time_s <= end_s)
    step = np.append(0.0, np.diff(time_s))
    return np.asarray(np.cumsum(np.where(stands, 0.0, step)))


def _cut(rng: np.random.Generator, course: Course) -> Course:
    """Let the clip begin or end inside an effort, or both."""
    first, last = course.repeats[0], course.repeats[-1]
    begin_s, end_s = 0.0, float(course.time_s[-1])
    at_start = chance(rng, 0.5)
    if at_start:
        begin_s = uniform(
            rng, first.full_s, first.release_s - 0.3 * (first.release_s - first.full_s)
        )
    if not at_start or chance(rng, 0.3):
        low = last.full_s + 0.3 * (last.release_s - last.full_s)
        end_s = max(uniform(rng, low, last.release_s), begin_s + 2.0)
    return cropped(course, begin_s, end_s)
