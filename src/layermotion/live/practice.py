"""Owns an exercise: count-in, effort, hold, letting go, repeats; values over time in, state out."""

import math
from dataclasses import dataclass, field
from enum import StrEnum

from layermotion.errors import InputError

# The band is left, and rest is reached, only after so long, s: values shake, and one may be
# withheld (our choice: a third of the shortest hold that is asked for).
LASTING_S = 0.3
# Rest counts as reached below this share of the near edge of the band (our choice).
REST_SHARE = 0.4
# An effort that has not been held for long enough ends so long after the hold asked for, s (our
# choice).
LATE_S = 12.0
# What may be set: hold and pause in s, repeats, count-in in s (our choice).
LONGEST_HOLD_S, LONGEST_PAUSE_S, MOST_REPEATS, LONGEST_COUNT_S = 60.0, 120.0, 30, 10.0


@dataclass(frozen=True)
class Target:
    """What is asked for.

    Parameters
    ----------
    low, high
        Band of the change against rest, in the unit of the quantity; both above zero, or both
        below it.
    hold_s, repeats, count_s, pause_s
        How long to hold, how often, how long to count in, and how long to rest between.
    """

    low: float
    high: float
    hold_s: float = 5.0
    repeats: int = 5
    count_s: float = 3.0
    pause_s: float = 5.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise InputError("The target band needs a lower and a higher number.")
        if self.low <= 0 <= self.high:
            raise InputError(
                "The target band holds zero, which is rest; give two numbers above zero, or two "
                "below it."
            )
        for name, value, least, most in (
            ("hold", self.hold_s, 1, LONGEST_HOLD_S),
            ("number of repeats", self.repeats, 1, MOST_REPEATS),
            ("count-in", self.count_s, 0, LONGEST_COUNT_S),
            ("pause", self.pause_s, 0, LONGEST_PAUSE_S),
        ):
            if not least <= value <= most:
                raise InputError(f"The {name} must lie between {least} and {most:g}.")

    @property
    def sign(self) -> int:
        """Direction of the effort."""
        return 1 if self.low > 0 else -1

    @property
    def near(self) -> float:
        """Distance from rest to the nearer edge of the band."""
        return min(abs(self.low), abs(self.high))

    @property
    def far(self) -> float:
        """Distance from rest to the farther edge of the band."""
        return max(abs(self.low), abs(self.high))


class Phase(StrEnum):
    """Where an exercise is."""

    IDLE = "idle"
    COUNT_IN = "count_in"
    EFFORT = "effort"
    LET_GO = "let_go"
    PAUSE = "pause"
    DONE = "done"


@dataclass
class Practice:
    """An exercise that is under way; ``update`` takes each value as it comes.

    Parameters
    ----------
    target
        What is asked for.
    phase, since_s
        Where it is, and since when.
    done, tried
        Repeats held long enough, and all that were begun.
    held_s
        How long the band has been held in this repeat.
    """

    target: Target
    phase: Phase = Phase.IDLE
    since_s: float = 0.0
    done: int = 0
    tried: int = 0
    held_s: float = 0.0
    _hold_from_s: float | None = field(default=None, repr=False)
    _in_band_s: float = field(default=-math.inf, repr=False)
    _active_s: float = field(default=-math.inf, repr=False)

    def start(self, time_s: float) -> None:
        """Begin with the first count-in."""
        self.done = self.tried = 0
        self._count_in(time_s)

    def stop(self) -> None:
        """End; what was done stays to be read."""
        self.phase = Phase.IDLE
        self.interrupt()

    def interrupt(self) -> None:
        """End the hold, since nobody knows what was done meanwhile."""
        self.held_s, self._hold_from_s = 0.0, None

    def left_s(self, time_s: float) -> float:
        """How much of a count-in or a pause is left, s; 0 elsewhere."""
        lasting = {Phase.COUNT_IN: self.target.count_s, Phase.PAUSE: self.target.pause_s}
        return max(0.0, lasting.get(self.phase, 0.0) - (time_s - self.since_s))

    def update(self, time_s: float, change: float) -> None:
        """Take the change against rest at one time; NaN where it is not known."""
        along = self.target.sign * change
        if self.target.near <= along <= self.target.far:
            self._in_band_s = time_s
        if not along < REST_SHARE * self.target.near:  # what is not known is not rest
            self._active_s = time_s
        if self.phase is Phase.COUNT_IN and self.left_s(time_s) <= 0:
            self._enter(Phase.EFFORT, time_s)
        elif self.phase is Phase.EFFORT:
            self._hold(time_s)
        elif self.phase is Phase.LET_GO and time_s - self._active_s >= LASTING_S:
            is_last = self.done >= self.target.repeats
            self._enter(Phase.DONE if is_last else Phase.PAUSE, time_s)
        elif self.phase is Phase.PAUSE and self.left_s(time_s) <= 0:
            self._count_in(time_s)

    def _hold(self, time_s: float) -> None:
        if self._in_band_s == time_s:
            if self._hold_from_s is None:
                self._hold_from_s = time_s
            self.held_s = time_s - self._hold_from_s
        elif time_s - self._in_band_s > LASTING_S:
            self.interrupt()
        if self.held_s >= self.target.hold_s:
            self.done += 1
            self._enter(Phase.LET_GO, time_s)
        elif time_s - self.since_s > self.target.hold_s + LATE_S:
            self._enter(Phase.LET_GO, time_s)

    def _count_in(self, time_s: float) -> None:
        self.tried += 1
        self.interrupt()
        self._enter(Phase.COUNT_IN, time_s)

    def _enter(self, phase: Phase, time_s: float) -> None:
        self.phase, self.since_s = phase, time_s
