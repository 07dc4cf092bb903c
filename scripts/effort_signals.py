"""Owns the signals of efforts drawn without filming: what is true, with all that hides it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.channels import CHANNELS, PICTURE, Signals
from layermotion.labels import Structure, Task, View
from layermotion.series.picture import SMALL_SHAPE, quick_changes
from layermotion_synthetic.anatomy import chance, log_uniform, uniform
from layermotion_synthetic.course import Course, Repeat, cropped, ease
from layermotion_synthetic.motion import (
    TRUNK_TASKS,
    lift_target_mm,
    wall_pattern,
    wall_targets,
    wander,
)
from layermotion_synthetic.scenarios import STRENGTH_OF_BREATH, Kind, Scenario

Array = NDArray[np.float64]

# How much of the breath's thickening each muscle shows.
BREATH_SHARE = {"tra": (0.5, 1.3), "io": (0.5, 1.3), "eo": (0.0, 0.3)}
# For each kind of signal the ranges of: noise from frame to frame, noise that lasts, and drift, all
# in its unit (chosen to hold what the shipped weights leave in filmed scenarios).
NOISE: Mapping[str, tuple[tuple[float, float], ...]] = {
    "thickness": ((0.0003, 0.03), (0.001, 0.08), (0.001, 0.05)),
    "whole": ((0.0003, 0.03), (0.001, 0.08), (0.001, 0.05)),
    "slide": ((0.001, 0.2), (0.01, 0.9), (0.01, 1.5)),
    "base": ((0.005, 0.25), (0.01, 0.8), (0.02, 0.8)),
    "shape": ((0.00002, 0.001), (0.0002, 0.004), (0.0003, 0.006)),
    "second": ((0.00003, 0.0008), (0.0002, 0.003), (0.0003, 0.004)),
    "probe": ((0.001, 0.05), (0.01, 0.3), (0.1, 1.5)),
}
# How often a signal is never seen, is hidden for a time, or follows another border for a time.
NEVER, AT_TIMES, JUMPS = 0.13, 0.35, 0.25
NEVER_TRA_SLIDE = 0.3
# How often and how far holds waver, as a share of their height.
WAVERS, MOST_WAVERED = 0.4, 0.25
# How often a hold is let go in part for a while, how often at most, by which share and how fast, s;
# what is let go by more is another effort (see the scenarios).
EASES, MOST_EASED, EASED_BY, EASED_IN_S = 0.35, 3, (0.05, 0.55), (0.08, 0.8)
# How often there is no noise at all, and how often ramps are straight.
NOISELESS, STRAIGHT = 0.06, 0.25
# How often breaths are as even as a sine, how strong they are then, as a share of the strongest
# breath, and how long, s.
EVEN_BREATHS, EVEN_STRENGTH, EVEN_BREATH_S = 0.25, (0.03, 1.0), (2.5, 7.0)
# How often hardly anything but the picture's shape is measured, how many signals of the tissue are
# left then at most, and how often shape and probe are seen with them.
FEW, MOST_LEFT, WITH_SHAPE = 0.2, 2, 0.5
OF_PICTURE = [name for name, (structure, _) in CHANNELS.items() if structure is None]
# How often the clip has little rest before the first effort and after the last, and how little, s.
TIGHT, LITTLE_S = 0.3, (0.1, 0.9)
# How often there is long rest before the first effort and after the last, and how long at most, s:
# without it the network takes for granted that something is done within the first three seconds.
LONG, LONG_BEFORE_S, LONG_AFTER_S = 0.4, 10.0, 6.0
# How often all is done faster, or slower, and by which factor.
OTHER_PACE, PACES = 0.25, (0.6, 1.3)
# How often the probe slips once, for good.
SLIPS = 0.15
LOST_FRAMES = 0.02
# Tissue of a drawn picture: how many waves of grey it is made of, how many of its pixels one has
# down and across, and how far it moves with an effort, a dip, a breath, drift, a slip and the
# pulse, in pixels of a small picture (2 to 3 mm).
WAVES, WAVE_ROWS_PX, WAVE_COLUMNS_PX = 5, (3.0, 12.0), (8.0, 60.0)
MOVES_PX = {
    "effort": (0.02, 2.0),
    "dip": (0.1, 4.0),
    "breath": (0.03, 2.5),
    "drift": (0.005, 1.0),
    "slip": (0.1, 2.0),
    "pulse": (0.005, 0.2),
}
# Height of a wave, grey levels (chosen so that drawn pictures change by about as much as filmed
# ones, measured in the spread of their greys).
SEEN_GREYS = 12
# How often a pulse is seen, its beats a second, and noise of the greys, from frame to frame and
# lasting, grey levels.
PULSES, BEATS_HZ, GREY_NOISE, LASTING_GREYS = 0.3, (0.8, 1.8), (0.03, 2.0), (0.03, 2.0)


def draw_signals(rng: np.random.Generator, scenario: Scenario) -> Signals:
    """Draw what could be measured of a scenario."""
    scenario = replace(scenario, course=_wavering(rng, scenario.course))
    clean = float(not chance(rng, NOISELESS))
    course, view = scenario.course, scenario.view
    time = course.time_s
    pure = _wall(rng, scenario) if view is View.ABDOMINAL_WALL else _bladder(rng, scenario)
    push = rng.normal(0, 1.0) if scenario.task in TRUNK_TASKS else rng.normal(0, 0.1)
    pure["probe"] = push * (course.activation + course.dip)
    # All signals share how hard the clip is to see.
    hard = uniform(rng, 0, 1)
    drifts = [wander(rng, time) for _ in range(3)]
    slip = np.zeros(time.size)
    if chance(rng, SLIPS):
        slip_s = uniform(rng, 0, float(time[-1]))
        slip = ease(time, slip_s, slip_s + log_uniform(rng, 0.05, 1.0))
    hidden = _spans(rng, time, 1) if chance(rng, 0.3) else np.zeros(time.size, bool)
    causes = {
        "effort": [course.activation],
        "dip": [course.dip],
        "breath": [course.breath / STRENGTH_OF_BREATH[view]],
        "drift": [scenario.probe_factor * each for each in drifts],
        "slip": [slip],
        "pulse": [_pulse(rng, time)] if chance(rng, PULSES) else [],
    }
    known: dict[str, Array] = {}
    for name, signal in pure.items():
        white, slow, drift = NOISE[name.split()[0]]
        scale = rng.beta(1 + 2 * hard, 3 - 2 * hard, 3)
        size = [clean * low * (high / low) ** float(s)
                for (low, high), s in zip((white, slow, drift), scale, strict=True)]  # fmt: skip
        size[2] *= scenario.probe_factor
        noisy = signal + size[0] * rng.normal(size=time.size)
        noisy += size[1] * lasting(rng, time, uniform(rng, 0.1, 1.0))
        noisy += size[2] * sum(rng.normal() * each for each in drifts) / 1.7
        noisy += 3 * size[2] * rng.normal() * slip
        if chance(rng, JUMPS):
            jumped = _spans(rng, time, int(rng.integers(1, 4)))
            if chance(rng, 0.3):
                jumped = (course.activation + course.dip) > uniform(rng, 0.3, 0.8)
            noisy = noisy + 0.3 * rng.normal() * (np.ptp(signal) + 5 * size[1]) * jumped
        gone = hidden.copy() if chance(rng, 0.7) else np.zeros(time.size, bool)
        if chance(rng, NEVER_TRA_SLIDE if name == "slide tra" else NEVER):
            gone[:] = True
        elif chance(rng, AT_TIMES):
            gone |= _spans(rng, time, int(rng.integers(1, 5)))
        elif chance(rng, 0.1):
            # What moves far leaves the picture.
            far = np.abs(signal) > uniform(rng, 0.4, 0.9) * np.abs(signal).max()
            gone |= far & (np.abs(signal) > 0)
        known[name] = np.where(gone, np.nan, noisy)
    if not chance(rng, NEVER):
        changes = quick_changes(_pictures(rng, time, causes, clean), time)
        gone = hidden & chance(rng, 0.5)
        known |= zip(PICTURE, np.where(gone, np.nan, changes), strict=True)
    if chance(rng, FEW):
        tissue = [name for name in known if name not in OF_PICTURE]
        left = set(rng.permutation(tissue)[: int(rng.integers(1, MOST_LEFT + 1))])
        left.update(OF_PICTURE if chance(rng, WITH_SHAPE) else ())
        known = {name: signal for name, signal in known.items() if name in left}
    shown = np.arange(time.size)
    shown[1:][rng.random(time.size - 1) < LOST_FRAMES] = 0
    shown = np.maximum.accumulate(shown)
    return Signals.of(time, {name: signal[shown] for name, signal in known.items()})


def following(first: Scenario, then: Scenario) -> Scenario:
    """Let one scenario of the bladder come after another, as lifts before coughs."""
    one, two = first.course, then.course
    end_s = float(one.time_s[-1] + one.time_s[1])
    later = tuple(each.moved(end_s) for each in two.repeats)
    course = Course(
        np.concatenate([one.time_s, two.time_s + end_s]),
        np.concatenate([one.activation, two.activation]),
        np.concatenate([one.dip, two.dip]),
        np.concatenate([one.breath, two.breath]),
        (*one.repeats, *later),
    )
    return replace(then, course=course)


def varied(rng: np.random.Generator, scenario: Scenario) -> Scenario:
    """Let a scenario go faster or slower, with little rest, straight ramps or even breaths."""
    course = scenario.course
    if chance(rng, EVEN_BREATHS):
        turns = course.time_s / uniform(rng, *EVEN_BREATH_S) + rng.random()
        depth = log_uniform(rng, *EVEN_STRENGTH) * STRENGTH_OF_BREATH[scenario.view]
        course = replace(course, breath=0.5 * depth * np.sin(2 * np.pi * turns))
    if chance(rng, STRAIGHT):
        level = np.arccos(1 - 2 * np.clip(course.activation, 0, 1)) / np.pi
        course = replace(course, activation=level)
    if course.repeats and chance(rng, TIGHT):
        begin_s = course.repeats[0].onset_s - uniform(rng, *LITTLE_S)
        end_s = max(one.end_s for one in course.repeats) + uniform(rng, *LITTLE_S)
        course = cropped(course, max(begin_s, 0.0), end_s)
    elif scenario.kind is not Kind.CUT and chance(rng, LONG):
        course = _rested(course, uniform(rng, 0, LONG_BEFORE_S), uniform(rng, 0, LONG_AFTER_S))
    if chance(rng, OTHER_PACE):
        pace = uniform(rng, *PACES)
        repeats = tuple(one.moved(pace=pace) for one in course.repeats)
        course = replace(course, time_s=pace * course.time_s, repeats=repeats)
    return replace(scenario, course=course)


def _rested(course: Course, before_s: float, after_s: float) -> Course:
    """Let a course have more rest at both ends, in which breathing goes on."""
    step_s = float(course.time_s[1] - course.time_s[0])
    around = (round(before_s / step_s), round(after_s / step_s))
    lead_s = around[0] * step_s
    return Course(
        np.asarray(np.arange(course.time_s.size + sum(around)) * step_s),
        np.pad(course.activation, around),
        np.pad(course.dip, around),
        np.pad(course.breath, around, "reflect"),
        tuple(one.moved(lead_s) for one in course.repeats),
    )


def _wavering(rng: np.random.Generator, course: Course) -> Course:
    """Let holds waver, as muscles that tire do, or be let go in part and taken up again."""
    kept = np.ones(course.time_s.size)
    if chance(rng, WAVERS):
        lost = np.clip(lasting(rng, course.time_s, uniform(rng, 0.4, 2.0)), 0, 2) / 2
        kept -= uniform(rng, 0, MOST_WAVERED) * lost
    if chance(rng, EASES):
        for one in course.repeats:
            for _ in range(0 if one.is_dip else int(rng.integers(MOST_EASED + 1))):
                kept = np.minimum(kept, 1 - _eased(rng, course.time_s, one))
    return replace(course, activation=course.activation * kept)


def _eased(rng: np.random.Generator, time_s: Array, one: Repeat) -> Array:
    """Share by which a hold is let go for a while, or until its end."""
    down_s, up_s = log_uniform(rng, *EASED_IN_S), log_uniform(rng, *EASED_IN_S)
    start_s = uniform(rng, one.full_s, one.release_s)
    back_s = start_s + down_s + uniform(rng, 0.0, 2.0)
    if back_s + up_s > one.release_s:
        back_s = one.end_s
    span = ease(time_s, start_s, start_s + down_s) - ease(time_s, back_s, back_s + up_s)
    return np.asarray(uniform(rng, *EASED_BY) * np.clip(span, 0, 1))


def _wall(rng: np.random.Generator, scenario: Scenario) -> dict[str, Array]:
    course = scenario.course
    targets = wall_targets(rng, wall_pattern(rng))
    found: dict[str, Array] = {}
    for muscle in (Structure.EO, Structure.IO, Structure.TRA):
        gain = targets[muscle] - 1 if course.activation.any() else 0.0
        breath = uniform(rng, *BREATH_SHARE[muscle]) * course.breath
        whole = (1 + gain * course.activation) * (1 + breath) - 1
        # What slides past a fixed site may be thinner or thicker there.
        slid = gain * uniform(rng, -2.0, 0.6) if chance(rng, 0.25) else 0.0
        slid += rng.normal(0, 0.12) if chance(rng, 0.4) else 0.0
        found[f"thickness {muscle}"] = whole + slid * course.activation
        if muscle is Structure.TRA:
            found["whole tra"] = whole
        reach = rng.normal(0, 25.0)
        found[f"slide {muscle}"] = reach * (gain * course.activation + breath) / (1 + whole)
    shape = rng.normal(0, 0.018) * course.activation + rng.normal(0, 0.05) * course.breath
    second = rng.normal(0, 0.002) * course.activation + rng.normal(0, 0.02) * course.breath
    return {**found, "shape": shape, "second shape": second}


def _bladder(rng: np.random.Generator, scenario: Scenario) -> dict[str, Array]:
    course = scenario.course
    lift = lift_target_mm(rng, scenario.task)
    dip = lift
    if scenario.course.dip.any():
        lift = lift_target_mm(rng, Task.PELVIC_FLOOR_LIFT)
    base = lift * course.activation + dip * course.dip + 20 * course.breath
    beside = uniform(rng, *((0.9, 1.1) if chance(rng, 0.7) else (0.2, 1.0))) * base
    shape = rng.normal(0, 0.0015) * base + rng.normal(0, 0.02) * course.breath
    second = rng.normal(0, 0.0003) * base + rng.normal(0, 0.01) * course.breath
    return {"base": base, "base beside": beside, "shape": shape, "second shape": second}


def _pulse(rng: np.random.Generator, time_s: Array) -> Array:
    """Beats of a vessel, from 0 to 1, fast up and slow down."""
    beat = (time_s * uniform(rng, *BEATS_HZ) + rng.random()) % 1
    return np.asarray(np.minimum(beat / 0.15, 1) * np.exp(-4 * np.maximum(beat - 0.15, 0)))


def _pictures(
    rng: np.random.Generator, time_s: Array, causes: Mapping[str, Sequence[Array]], clean: float
) -> NDArray[np.uint8]:
    """Small pictures of tissue that each cause moves in its own way, shape (F, rows, columns)."""
    rows, columns = SMALL_SHAPE
    place = np.indices(SMALL_SHAPE, np.float32).reshape(2, -1).T
    moved = np.broadcast_to(place, (time_s.size, *place.shape)).copy()
    for name, each in causes.items():
        for course in each:
            down, across = (_smooth_field(rng) + rng.normal() for _ in range(2))
            way = log_uniform(rng, *MOVES_PX[name]) * np.stack([down, 0.4 * across], -1)
            moved += (course[:, None, None] * way).astype(np.float32)
    grey = np.zeros((time_s.size, rows * columns), np.float32)
    for _ in range(WAVES):
        length_px = [log_uniform(rng, *WAVE_ROWS_PX), log_uniform(rng, *WAVE_COLUMNS_PX)]
        wave = 2 * np.pi / np.array(length_px)
        wave[1] *= rng.choice([-1, 1])
        grey += np.sin(moved @ wave.astype(np.float32) + np.float32(2 * np.pi * rng.random()))
    lasts_s = uniform(rng, 0.1, 1.5)
    for _ in range(3):
        lasting_grey = clean * log_uniform(rng, *LASTING_GREYS) * lasting(rng, time_s, lasts_s)
        grey += np.outer(lasting_grey, _smooth_field(rng)).astype(np.float32) / SEEN_GREYS
    # Bone and gas hide the tissue; depth darkens it.
    seen = np.clip(0.7 + _smooth_field(rng), 0.05, 1.5)
    still = 30 * _smooth_field(rng)
    noise = clean * log_uniform(rng, *GREY_NOISE) * rng.normal(size=grey.shape)
    level = 90 + still + SEEN_GREYS * grey * seen + noise
    return np.clip(level, 1, 255).astype(np.uint8).reshape(-1, rows, columns)


def _smooth_field(rng: np.random.Generator) -> Array:
    """Draw a value of unit size for each pixel of a small picture, alike for neighbours."""
    coarse = rng.normal(size=(int(rng.integers(2, 6)), int(rng.integers(2, 6))))
    field = cv2.resize(coarse, SMALL_SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(field.reshape(-1), float)


def lasting(rng: np.random.Generator, time_s: Array, lasts_s: float) -> Array:
    """Noise of unit size whose memory fades in ``lasts_s``."""
    count = max(2, int(float(time_s[-1]) / lasts_s) + 3)
    at = np.arange(count) * lasts_s - lasts_s * rng.random()
    return np.asarray(np.interp(time_s, at, rng.normal(size=count)))


def _spans(rng: np.random.Generator, time_s: Array, count: int) -> NDArray[np.bool_]:
    """Draw some spans of the clip, from a few frames to most of it."""
    inside = np.zeros(time_s.size, bool)
    for _ in range(count):
        length_s = log_uniform(rng, 0.1, 0.6 * float(time_s[-1]) + 0.2)
        start_s = uniform(rng, -length_s, float(time_s[-1]))
        inside |= (time_s >= start_s) & (time_s <= start_s + length_s)
    return inside
