"""Owns quiet breathing at rest: moves a rest window to the end of a breath out, where one shows."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.smoothing import Signal, noise_of
from layermotion.efforts.windows import REST_WINDOW_S, Spells, Window
from layermotion.labels import Structure
from layermotion.series.series import Quantity

# Frames over which noise is calmed, s (our choice: a tenth of a quiet breath).
BREATH_CALM_S = 0.4
# A breath must rise and fall by this much beside its top: share of the muscle's thickness; for the
# bladder base mm, or a share of the picture's height without a calibration (our choice).
SMALLEST_BREATH, SMALLEST_BREATH_MM = 0.02, 0.6
# Noise reaches so many standard deviations (our choice).
NOISE_FACTOR = 3.5
# The end of a breath out is its highest quarter, and lasts at least this long, s: an adult at rest
# breathes 10 to 22 times a minute, and a sine of that rate stays a third of its time so high.
BREATH_TOP_SHARE, SHORTEST_END_S = 0.25, 0.4
# The rise of an effort begins before its onset is told; so much before it is left out, s (our
# choice).
BEFORE_ONSET_S = 0.15
REST_METHOD = (
    "Where quiet breathing shows, rest is the end of a breath out: when TrA and IO are thickest "
    "(Amerijckx et al. 2019, doi 10.1016/j.msksp.2019.102105) and the pelvic floor is highest "
    "(Talasz et al. 2011, Int Urogynecol J 22(1):61-68)."
)


def breath_signal(thickness: Sequence[Quantity]) -> Signal:
    """Mean relative thickness of TrA and IO, which thicken as a breath goes out; shape (frames,).

    Of the one that is seen where the other is not; NaN where neither is.
    """
    muscles = [q for q in thickness if q.structure in (Structure.TRA, Structure.IO)]
    parts = []
    for muscle in muscles:
        known = muscle.value[~np.isnan(muscle.value)]
        parts.append(muscle.value / float(np.median(known)) if known.size else muscle.value)
    table = np.stack(parts)
    count = (~np.isnan(table)).sum(axis=0)
    return np.where(count > 0, np.nansum(table, axis=0) / np.maximum(count, 1), np.nan)


def take_rest(
    signal: Signal, spells: Spells, windows: tuple[Window, ...], smallest: float
) -> tuple[tuple[Window, ...], tuple[str, ...]]:
    """Windows as ``rest_after_breath_out`` gives them, and the words on it where one has moved."""
    moved = rest_after_breath_out(signal, spells, windows, smallest)
    return moved, () if moved == windows else (REST_METHOD,)


def rest_after_breath_out(
    signal: Signal, spells: Spells, windows: tuple[Window, ...], smallest: float
) -> tuple[Window, ...]:
    """Move each rest window to the end of the last breath out of its spell of rest.

    A spell of rest reaches from the end of one effort to just before the next. One that shows no
    top of a breath, with a fall on both sides, keeps its window.

    Parameters
    ----------
    signal
        Shape (frames,), what is highest at the end of a breath out.
    windows
        As found in the clip.
    smallest
        Least rise and fall of a breath, in the unit of ``signal``.
    """
    time_s = spells.time_s
    known = ~np.isnan(signal)
    if np.count_nonzero(known) < 5:
        return windows
    step = float(np.median(np.diff(time_s)))
    half = max(1, round(BREATH_CALM_S / step / 2))
    filled = np.interp(time_s, time_s[known], signal[known])
    padded = np.pad(filled, half, mode="edge")
    calm = np.convolve(padded, np.full(2 * half + 1, 1 / (2 * half + 1)), mode="valid")
    noise = noise_of(signal[known]) / np.sqrt(2 * half + 1)
    least = max(smallest, NOISE_FACTOR * noise)
    moved = []
    for window in windows:
        found = None
        if window.state == "rest":
            spell = _spell(window, spells)
            found = _end_of_breath_out(calm, time_s, spell[known[spell]], least)
        if found is None:
            moved.append(window)
        else:
            moved.append(replace(window, first=int(found[0]), last=int(found[-1])))
    return tuple(moved)


def _spell(window: Window, spells: Spells) -> NDArray[np.intp]:
    """Frames of the spell of rest that a window lies in, up to just before the next effort."""
    is_other = ~spells.is_rest
    others = np.flatnonzero(is_other)
    before, after = others[others < window.first], others[others > window.last]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(after[0]) - 1 if after.size else spells.time_s.size - 1
    frames = np.arange(first, last + 1)
    if not after.size:
        return frames
    end_s = float(spells.time_s[after[0]]) - BEFORE_ONSET_S
    return frames[spells.time_s[frames] <= end_s]


def _end_of_breath_out(
    calm: Signal, time_s: Signal, spell: NDArray[np.intp], least: float
) -> NDArray[np.intp] | None:
    """Frames around the last top of a breath; None where there is none."""
    if spell.size < 5:
        return None
    level = calm[spell]
    tops = 1 + np.flatnonzero((level[1:-1] >= level[:-2]) & (level[1:-1] >= level[2:]))
    for top in tops[::-1]:
        before, after = level[: top + 1], level[top:]
        # Only as far as the next higher point: what lies beyond belongs to another breath.
        higher = np.flatnonzero(before > level[top])
        before = before[higher[-1] + 1 :] if higher.size else before
        higher = np.flatnonzero(after > level[top])
        after = after[: higher[0]] if higher.size else after
        depth = float(level[top] - max(before.min(), after.min()))
        if depth < least:
            continue
        high = level >= level[top] - BREATH_TOP_SHARE * depth
        first = top - int(np.argmin(np.append(high[top::-1], False))) + 1
        last = top + int(np.argmin(np.append(high[top:], False))) - 1
        within = np.abs(time_s[spell] - time_s[spell[top]]) <= REST_WINDOW_S / 2
        run = np.arange(first, last + 1)
        run = run[within[run]]
        if time_s[spell[run[-1]]] - time_s[spell[run[0]]] >= SHORTEST_END_S:
            return np.asarray(spell[run], np.intp)
    return None
