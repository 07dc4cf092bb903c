"""Owns the windows of rest, lift and contraction in a clip."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.decode import Decoded, Span, State
from layermotion.efforts.parts import RATE_HZ
from layermotion.efforts.smoothing import Signal, noise_of, smooth
from layermotion.series.series import Quantity

# A hold is within this share of an effort's own height (our choice).
PLATEAU = 0.9
# A window of rest, or of a lift beside a dip upon it, is at most this long and lies next to its
# effort, s (our choice).
REST_WINDOW_S = 2.0
# A shorter rest between two efforts, as between coughs in series, is none to compare with, s (our
# choice).
SHORTEST_REST_S = 0.4


@dataclass(frozen=True)
class Window:
    """Frames ``first`` to ``last``, both included, in one state.

    ``rest``; ``contracted``, the height of an effort; ``lifted`` and ``regained``, the lift before
    and after a dip upon it.
    """

    state: str
    first: int
    last: int
    repeat: int

    @property
    def frames(self) -> slice:
        """Slice that cuts the window out of a series."""
        return slice(self.first, self.last + 1)


@dataclass(frozen=True, eq=False)
class Spells:
    """What each frame of a clip belongs to.

    Parameters
    ----------
    time_s
        Shape (F,), s.
    state
        Shape (F,), ``State`` of the course.
    place
        Shape (F,), the frame of the network that is nearest.
    spans
        Efforts, in frames of the network.
    """

    time_s: Signal
    state: NDArray[np.intp]
    place: NDArray[np.intp]
    spans: tuple[Span, ...]

    @classmethod
    def of(cls, decoded: Decoded, time_s: Signal) -> "Spells":
        """Spread a course over the frames of a clip."""
        place = np.rint((time_s - time_s[0]) * RATE_HZ).astype(np.intp)
        place = np.minimum(place, decoded.path.size - 1)
        return cls(time_s, decoded.path[place], place, decoded.spans)

    @property
    def is_rest(self) -> NDArray[np.bool_]:
        """Which frames are at rest, shape (F,)."""
        return np.asarray(self.state == State.REST)

    @property
    def repeats(self) -> tuple[Span, ...]:
        """Efforts that are measured: all but lifts with dips upon them, which are their parts."""
        lifts = {span.on_lift for span in self.spans}
        return tuple(span for i, span in enumerate(self.spans) if i not in lifts)

    def frames(self, first: int, last: int) -> NDArray[np.intp]:
        """Frames of the clip within some of the network's; the nearest one where there is none."""
        inside = np.flatnonzero((self.place >= first) & (self.place <= last))
        nearest = np.abs(self.place - (first + last) / 2).argmin()
        return inside if inside.size else np.array([nearest], np.intp)

    def beside(self, state: State, span: Span, *, is_before: bool) -> NDArray[np.intp]:
        """Spell in a state next to an effort, at most as long as a window.

        Other states between the two end the search.
        """
        is_near = self.place < span.first if is_before else self.place > span.last
        near = np.flatnonzero(is_near)[:: -1 if is_before else 1]
        own = near[: int(np.argmin(np.append(self.state[near] == state, False)))]
        return np.sort(own[np.abs(self.time_s[own] - self.time_s[own[:1]]) <= REST_WINDOW_S])

    def rest_of(self, span: Span) -> NDArray[np.intp]:
        """Frames of the rest that an effort is compared with; empty where there is none.

        That before it, or an earlier one where that is too short; that after it where none comes
        before.
        """
        whole = span if span.on_lift is None else self.spans[span.on_lift]
        earlier = (other for other in self.spans[::-1] if other.first <= whole.first)
        for other in earlier:
            rest = self.beside(State.REST, other, is_before=True)
            if _lasts_s(rest, self.time_s) >= SHORTEST_REST_S:
                return rest
        rest = self.beside(State.REST, whole, is_before=True)
        return rest if rest.size else self.beside(State.REST, whole, is_before=False)

    def base_of(self, span: Span) -> NDArray[np.intp]:
        """Frames from which an effort sets out: rest, or the lift that a dip lies upon."""
        if span.on_lift is None:
            return self.rest_of(span)
        for other in self.spans[self.spans.index(span) :: -1]:
            held = self.beside(State.HOLD, other, is_before=True)
            if held.size and other.on_lift == span.on_lift:
                return held
        return self.rest_of(span)


def find_windows(spells: Spells, signal: Signal) -> tuple[Window, ...]:
    """Windows of all efforts that are measured.

    Parameters
    ----------
    signal
        Shape (F,), what shows the efforts best; NaN where not measured.

    Returns
    -------
    tuple of Window
        In the order of time: for each repeat its contraction, and the rest it is compared with
        where no earlier repeat has the same; of a dip upon a lift also that lift before and after
        it.
    """
    windows: list[Window] = []
    rests: set[int] = set()
    known = ~np.isnan(signal)
    for number, span in enumerate(spells.repeats, start=1):
        parts = {"contracted": _height(signal, spells, span)}
        rest = spells.rest_of(span)
        # Before the structure is first seen there is nothing to compare with.
        rest = rest[known[rest]] if known[rest].any() else rest
        if rest.size and int(rest[0]) not in rests:
            parts["rest"] = rest
            rests.add(int(rest[0]))
        if span.on_lift is not None:
            parts["lifted"] = spells.base_of(span)
            held = spells.beside(State.HOLD, span, is_before=False)
            parts["regained"] = (
                held if held.size else spells.beside(State.REST, span, is_before=False)
            )
        windows += [
            Window(state, int(frames[0]), int(frames[-1]), number)
            for state, frames in parts.items()
            if frames.size
        ]
    return tuple(sorted(windows, key=lambda window: window.first))


def _lasts_s(frames: NDArray[np.intp], time_s: Signal) -> float:
    return float(time_s[frames[-1]] - time_s[frames[0]]) if frames.size else 0.0


def _height(signal: Signal, spells: Spells, span: Span) -> NDArray[np.intp]:
    """Frames in which an effort is at its height."""
    held, base = spells.frames(span.held_first, span.held_last), spells.base_of(span)
    known = ~np.isnan(signal)
    if not known[held].any() or not known[base].any():
        return held
    zero = float(np.nanmedian(signal[base]))
    side = 1 if np.nanmedian(signal[held]) >= zero else -1
    # The narrowest median keeps most of a short effort's peak.
    height = side * (smooth(signal, spells.time_s, width_s=0.0) - zero)
    # Noise lifts the highest frames and lowers others, so it is allowed for.
    lowest = PLATEAU * np.percentile(height[held], 90) - noise_of(signal[known])
    every = spells.frames(span.first, span.last)
    high = every[(height[every] >= lowest) & known[every]]
    return high if high.size else held


def rest_windows(spells: Spells) -> tuple[Window, ...]:
    """Longest rest of a clip as its only window."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], spells.is_rest.astype(np.int8), [0]])))
    spans = [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]
    longest = sorted(spans, key=lambda span: span[0] - span[1])[:1]
    return tuple(Window("rest", first, last, 1) for first, last in longest)


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
