"""Fit efforts to stored signals without a network, to compare with the network that tells them.

A course is rest with efforts upon it, which do not overlap (a semi-Markov course). Each effort
rises and falls over a ramp and has its own height in every signal; every signal counts by its
noise. Dynamic programming finds the best set of efforts exactly; rest, with drift and breath, is
fitted anew outside of them, from two starts.

python scripts/effort_fit.py scripts/efforts_data/aside_sixth.npz
"""

import argparse
import multiprocessing
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from effort_filmed import Stored, read_stored
from numpy.typing import NDArray

from layermotion.efforts.channels import CHANNELS, Signals
from layermotion.normal import SPREAD_OVER_MEDIAN
from layermotion_synthetic.scenarios import ASIDE

Array = NDArray[np.float64]

RATE_HZ = 12.5
RAMPS_S, LONGEST_S = (0.08, 0.4, 1.0, 2.0), 30.0
# Log odds against an effort, and least noise as a share of a size that an effort reaches easily:
# the best of those tried on half of ``filmed.npz``.
EFFORT_COST, LEAST_NOISE = 15.0, 0.25
# How often rest is fitted anew; breaths that are tried.
ROUNDS, BREATHS_HZ = 4, np.arange(0.12, 0.5, 0.02)


def on_grid(signals: Signals) -> tuple[Array, Array, Array]:
    """Return times, measured signals in their sizes, and 1 where known; (T,), (C, T), (C, T)."""
    at = np.arange(signals.time_s[0], signals.time_s[-1], 1 / RATE_HZ)
    value, seen = np.zeros((2, len(CHANNELS), at.size))
    nearest = np.abs(signals.time_s[:, None] - at).argmin(axis=0)
    for k, (_, scale) in enumerate(CHANNELS.values()):
        known = ~np.isnan(signals.value[k])
        if known.sum() >= 2 * RATE_HZ:
            value[k] = np.interp(at, signals.time_s[known], signals.value[k, known]) / scale
            seen[k] = known[nearest]
    own = seen.any(axis=1)
    return at, value[own], seen[own]


def noise_of(value: Array, seen: Array) -> Array:
    """Squared noise of each signal, from its steps from second to second; shape (C,).

    Times the frames of a second, since within one the frames go together.
    """
    second = int(RATE_HZ)
    count = value.shape[1] // second
    shape = (len(value), count, second)
    means = value[:, : count * second].reshape(shape).mean(axis=2)
    known = seen[:, : count * second].reshape(shape).mean(axis=2) > 0.5
    noise = np.full(len(value), LEAST_NOISE)
    for k, (own, is_known) in enumerate(zip(means, known, strict=True)):
        steps = np.abs(np.diff(own))[is_known[1:] & is_known[:-1]]
        if steps.size:
            noise[k] = max(LEAST_NOISE, SPREAD_OVER_MEDIAN * float(np.median(steps)) / np.sqrt(2))
    return np.asarray(second * noise**2)


def gains(rest: Array, seen: Array, noise: Array) -> Array:
    """Return what an effort from frame a of n frames gains, log odds; shape (T, longest + 1).

    An effort is a ramp, a plateau and a ramp: a moving sum over the ramp, summed over the rest of
    its length.
    """
    length = rest.shape[1]
    longest = min(length, round(LONGEST_S * RATE_HZ))
    best = np.full((length, longest + 1), -np.inf)
    begin = np.arange(length)[:, None]
    for ramp_s in RAMPS_S:
        ramp = round(ramp_s * RATE_HZ)
        lasts = np.arange(2 * ramp, longest + 1)
        end = np.minimum(begin + lasts - ramp + 1, length + longest - ramp + 1)
        height, weight = (
            (total[:, end] - total[:, begin]) / ramp
            for total in (
                _sums(_moving_sum(np.pad(own, ((0, 0), (0, longest))), ramp))
                for own in (rest * seen, seen)
            )
        )
        # Frames of a ramp weigh by their squares.
        part = np.arange(1, ramp) / ramp
        square = (lasts - 2 * (part.size - np.square(part).sum())) / (
            lasts - 2 * (part.size - part.sum())
        )
        own_gain = height**2 / np.maximum(2 * weight * square * noise[:, None, None], 1e-9)
        gain = np.where(begin + lasts <= length, own_gain.sum(axis=0) - EFFORT_COST, -np.inf)
        best[:, lasts] = np.maximum(best[:, lasts], gain)
    return best


def _sums(values: Array) -> Array:
    return np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)


def _moving_sum(values: Array, frames: int) -> Array:
    total = _sums(values)
    return total[:, frames:] - total[:, :-frames]


def best_set(gain: Array) -> tuple[float, list[tuple[int, int]]]:
    """Return what the best efforts gain, and the first and one after the last frame of each."""
    length, longest = gain.shape[0], gain.shape[1] - 1
    best, came_from = np.zeros(length + 1), np.full(length + 1, -1)
    for end in range(1, length + 1):
        begin = np.arange(max(0, end - longest), end)
        ways = best[begin] + gain[begin, end - begin]
        way = int(ways.argmax())
        best[end] = best[end - 1]
        if ways[way] > best[end]:
            best[end], came_from[end] = ways[way], begin[way]
    spans, end = [], length
    while end > 0:
        first = int(came_from[end])
        if first >= 0:
            spans.append((first, end))
        end = first if first >= 0 else end - 1
    return float(best[-1]), spans


def rest_of(at: Array, value: Array, weight: Array) -> Array:
    """Level, drift and breath of each signal, fitted where ``weight`` is not 0; shape (C, T)."""
    # A little against terms that nothing tells.
    against = np.diag([1e-6, 1.0, 1.0, 1.0])
    fits = []
    for rate_hz in BREATHS_HZ:
        turn = 2 * np.pi * rate_hz * at
        terms = np.stack([np.ones_like(at), at - at.mean(), np.sin(turn), np.cos(turn)])
        fits.append(
            np.stack([
                np.linalg.solve((terms * w) @ terms.T + against, (terms * w) @ v) @ terms
                for v, w in zip(value, weight, strict=True)
            ])
        )  # fmt: skip
    return min(fits, key=lambda fit: float((weight * (value - fit) ** 2).sum()))


def number_of(signals: Signals) -> int:
    """Efforts in the best course of a clip."""
    at, value, seen = on_grid(signals)
    if not len(value):
        return 0
    noise = noise_of(value, seen)
    second = int(RATE_HZ)
    ends = np.concatenate([value[:, :second], value[:, -second:]], axis=1)
    best, number = -np.inf, 0
    for start in (np.median(ends, axis=1), np.median(value, axis=1)):
        rest = value - start[:, None]
        for _ in range(ROUNDS):
            gained, spans = best_set(gains(rest, seen, noise))
            likely = gained - float((seen * rest**2 / noise[:, None]).sum()) / 2
            if likely > best:
                best, number = likely, len(spans)
            outside = seen.copy()
            for first, last in spans:
                outside[:, first:last] = 0
            rest = value - rest_of(at, value, outside)
    return number


def judge(clip: Stored) -> tuple[str, bool]:
    """Kind of one clip, and whether its number of efforts was found."""
    return str(clip.kind), number_of(clip.signals) == len(clip.repeats)


def show(title: str, right: Sequence[bool]) -> None:
    """Print one line."""
    print(f"{title:18}{len(right):6}{100 * float(np.mean(right)):7.0f} %")


def main() -> None:
    """Fit, judge and print."""
    parser = argparse.ArgumentParser(description="Fit efforts to stored signals.")
    parser.add_argument("files", type=Path, nargs="+")
    options = parser.parse_args()
    clips = [clip for path in options.files for clip in read_stored(path) if clip.kind not in ASIDE]
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        found = pool.map(judge, clips, chunksize=4)
    for kind in sorted({kind for kind, _ in found}):
        show(kind, [is_right for own, is_right in found if own == kind])
    show("all", [is_right for _, is_right in found])


if __name__ == "__main__":
    main()
