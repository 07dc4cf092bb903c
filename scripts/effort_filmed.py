"""Owns the signals of filmed scenarios: what was measured, what was true, how both are varied."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from effort_signals import lasting
from numpy.typing import NDArray

from layermotion.efforts.channels import OF_PICTURE, Signals
from layermotion.efforts.parts import TASKS
from layermotion.labels import Task
from layermotion_synthetic.anatomy import chance, uniform
from layermotion_synthetic.course import Repeat
from layermotion_synthetic.scenarios import Kind

# How often a clip goes faster or slower, and by which factor.
OTHER_PACE, PACES = 0.5, (0.75, 1.3)
# How often it is cut, how often then at either end, and by which share at most.
CUT, CUT_AT_END, MOST_CUT, FEWEST_FRAMES = 0.4, 0.7, 0.35, 40
# Spread of the logarithm by which each signal is made larger or smaller.
GAIN = 0.25
# How often what another clip could not measure is taken away, so long as some signals are left.
AS_HIDDEN, FEWEST_LEFT = 0.25, 2
# How often signals get more noise, by which share of their spread at most, and how long that lasts,
# s.
NOISY, MOST_NOISE, LASTS_S = 0.4, 0.25, (0.2, 1.5)
# How often the ways in which the picture changes are taken a little otherwise, by which angle.
OTHER_WAYS, OTHERWISE_RAD = 0.5, 0.5
# How often nothing is said of the task.
UNSTATED = 0.25


@dataclass(frozen=True, eq=False)
class Stored:
    """One filmed clip.

    Parameters
    ----------
    stated
        The task that it was measured with.
    repeats
        Efforts of which it shows something.
    """

    kind: Kind
    stated: Task | None
    signals: Signals
    repeats: tuple[Repeat, ...]


def read_stored(path: Path) -> Iterator[Stored]:
    """Read filmed clips in the order of their numbers."""
    with np.load(path) as every:
        for number in sorted({int(name.split("/")[0]) for name in every.files}):
            kind, stated, time_s, value, repeats = (
                every[f"{number}/{name}"]
                for name in ("kind", "stated", "time_s", "value", "repeats")
            )
            yield Stored(
                list(Kind)[int(kind)],
                TASKS[int(stated)],
                Signals(time_s.astype(float), value.astype(float)),
                tuple(
                    Repeat(a, b, c, d, e, bool(is_dip))
                    for a, b, c, d, e, is_dip in repeats.tolist()
                ),
            )


def write_stored(path: Path, clips: Sequence[Stored]) -> None:
    """Write filmed clips so that they can be read again, signals in half precision."""
    packed: dict[str, NDArray[Any]] = {}
    for number, clip in enumerate(clips):
        packed |= {
            f"{number}/kind": np.array(list(Kind).index(clip.kind)),
            f"{number}/stated": np.array(TASKS.index(clip.stated)),
            f"{number}/time_s": clip.signals.time_s.astype(np.float32),
            f"{number}/value": clip.signals.value.astype(np.float16),
            f"{number}/repeats": np.array([astuple(one) for one in clip.repeats]).reshape(-1, 6),
        }
    np.savez_compressed(path, **packed)  # type: ignore[arg-type]


def altered(rng: np.random.Generator, clip: Stored, clips: Sequence[Stored]) -> Stored:
    """Vary a clip: its pace, ends, sizes, what is hidden, noise, and what is said of the task.

    Parameters
    ----------
    clips
        Those that lend what they could not measure.
    """
    time_s, value, repeats = clip.signals.time_s, clip.signals.value, clip.repeats
    if chance(rng, OTHER_PACE):
        pace = uniform(rng, *PACES)
        time_s, repeats = pace * time_s, tuple(one.moved(pace=pace) for one in repeats)
    if chance(rng, CUT):
        first, last = (
            int(chance(rng, CUT_AT_END) * uniform(rng, 0, MOST_CUT) * time_s.size) for _ in range(2)
        )
        kept = slice(first, time_s.size - last)
        if kept.stop - first > FEWEST_FRAMES:
            repeats = tuple(one.moved(-float(time_s[first])) for one in repeats)
            time_s, value = time_s[kept] - time_s[first], value[:, kept]
    value = value * np.exp(rng.normal(0, GAIN, (len(value), 1)))
    if chance(rng, OTHER_WAYS):
        value = _other_ways(rng, value)
    if chance(rng, AS_HIDDEN):
        hidden = np.isnan(clips[int(rng.integers(len(clips)))].signals.value)
        at = np.linspace(0, hidden.shape[1] - 1, time_s.size).astype(int)
        left = np.where(hidden[:, at], np.nan, value)
        value = left if (~np.isnan(left).all(axis=1)).sum() >= FEWEST_LEFT else value
    if chance(rng, NOISY):
        value = _noisy(rng, time_s, value)
    stated = None if chance(rng, UNSTATED) else clip.stated
    return Stored(clip.kind, stated, Signals(time_s, value), repeats)


def _other_ways(rng: np.random.Generator, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn neighbouring ways in which the picture changes into each other."""
    value = value.copy()
    for one, next_one in itertools.pairwise(OF_PICTURE):
        angle = uniform(rng, -OTHERWISE_RAD, OTHERWISE_RAD)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        value[[one, next_one]] = turn @ value[[one, next_one]]
    return value


def _noisy(
    rng: np.random.Generator, time_s: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Add noise that lasts to some signals."""
    value, lasts_s = value.copy(), uniform(rng, *LASTS_S)
    for own in rng.permutation(len(value))[: int(rng.integers(1, len(value)))]:
        known = value[own][~np.isnan(value[own])]
        spread = float(known.std()) if known.size else 0.0
        value[own] += uniform(rng, 0, MOST_NOISE) * spread * lasting(rng, time_s, lasts_s)
    return value
