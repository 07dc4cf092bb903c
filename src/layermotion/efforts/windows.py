"""Owns the windows of rest and contraction in a clip."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.excursions import (
    QUIET,
    Direction,
    Signal,
    find_excursions,
    smooth,
)
from layermotion.series.series import Quantity

Frames = NDArray[np.intp]

# A hold is within this share of an effort's own height (our choice).
PLATEAU = 0.9
# A rest window is at most this long and lies next to its effort, s (our choice).
REST_WINDOW_S = 2.0
# Interruptions up to this do not end a spell of rest, s (our choice).
BRIDGED_S = 0.3


@dataclass(frozen=True)
class Window:
    """Frames ``first`` to ``last``, both included, in one state (``rest`` or ``contracted``)."""

    state: str
    first: int
    last: int
    repeat: int

    @property
    def frames(self) -> slice:
        """Slice that cuts the window out of a series."""
        return slice(self.first, self.last + 1)


def find_windows(
    signal: Signal,
    time_s: Signal,
    smallest: float,
    *,
    direction: Direction = Direction.EITHER,
    always_rest: bool = False,
    largest_breath: float = 0.0,
) -> tuple[Window, ...]:
    """Split a clip into rest and contraction windows.

    Parameters
    ----------
    signal
        Shape (frames,), whatever rises or falls with the effort; NaN where not measured.
    time_s
        Shape (frames,), s.
    smallest
        Excursions below this are never an effort, in the unit of ``signal``.
    direction
        Which way an effort moves the signal.
    always_rest
        Whether the clip is known to hold no effort.
    largest_breath
        Excursions up to this, in the unit of ``signal``, are taken for breathing where they have
        the course of a breath.

    Returns
    -------
    tuple of Window
        In the order of time: for each repeat its contraction and the rest before it, or the rest
        after it where there is none before; only one rest window over the measurable frames where
        there is no effort; empty where nothing was measured.
    """
    is_known = ~np.isnan(signal)
    known = np.flatnonzero(is_known)
    if known.size == 0:
        return ()
    whole = (Window("rest", int(known[0]), int(known[-1]), 1),)
    if always_rest or known.size < 5:
        return whole
    found = find_excursions(signal, time_s, smallest, direction, largest_breath)
    if found is None or not found.efforts:
        return whole
    efforts, height, noise = found.efforts, found.height, found.noise
    # The narrowest median keeps most of a short effort's peak.
    peaked = found.side * (smooth(signal, time_s, width_s=0.0) - found.zero)
    rest_frames = np.flatnonzero(is_known & (np.abs(height) < QUIET * height.max()))
    windows: list[Window] = []
    before = -1
    for number, (begin, end) in enumerate(efforts, start=1):
        after = efforts[number][0] if number < len(efforts) else signal.size
        quiet = _last_spell(rest_frames[(rest_frames > before) & (rest_frames < begin)], time_s)
        if quiet.size:
            quiet = quiet[time_s[quiet] >= time_s[quiet[-1]] - REST_WINDOW_S]
        else:
            later = rest_frames[(rest_frames > end) & (rest_frames < after)]
            quiet = _last_spell(later[::-1], time_s)[::-1]
            quiet = quiet[time_s[quiet] <= time_s[quiet[:1]] + REST_WINDOW_S]
        own = peaked[begin : end + 1]
        # Noise lifts the highest frames and lowers others, so it is allowed for.
        lowest = PLATEAU * np.percentile(own, 90) - noise
        held = begin + np.flatnonzero((own >= lowest) & is_known[begin : end + 1])
        for state, frames in (("rest", quiet), ("contracted", held)):
            if frames.size:
                windows.append(Window(state, int(frames[0]), int(frames[-1]), number))
        before = end
    return tuple(sorted(windows, key=lambda window: window.first))


def _last_spell(frames: Frames, time_s: Signal) -> Frames:
    """Last of the unbroken spells of frames that is at least half as long as the longest.

    So that crossing the rest level on the way from a lift to a descent is not taken for rest.
    """
    if not frames.size:
        return frames
    gaps_s = np.abs(np.diff(time_s[frames]))
    breaks = np.flatnonzero(gaps_s > max(BRIDGED_S, 2.5 * float(np.median(np.diff(time_s)))))
    spells = np.split(frames, breaks + 1)
    longest = max(spell.size for spell in spells)
    return [spell for spell in spells if spell.size >= longest / 2][-1]


def frames_at_rest(windows: Sequence[Window], frames: int) -> NDArray[np.bool_]:
    """Tell which frames lie in a rest window; shape (frames,)."""
    at_rest = np.zeros(frames, bool)
    for window in windows:
        at_rest[window.frames] |= window.state == "rest"
    return at_rest


def from_rest(moved: Quantity, windows: tuple[Window, ...]) -> Quantity:
    """Shift a displacement so that the first rest window is its zero, as far as it was seen."""
    rest = [moved.value[window.frames] for window in windows if window.state == "rest"][:1]
    known = [values[~np.isnan(values)] for values in rest]
    zero = float(known[0].mean()) if known and known[0].size else 0.0
    return replace(moved, value=moved.value - zero, confidence=moved.confidence.copy())
