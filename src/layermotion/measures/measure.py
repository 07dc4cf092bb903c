"""Owns what a measure is: a number with an interval or a reason, and how its parts are made."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.normal import Z95
from layermotion.series.series import Quantity

# Fewer frames than this with a value make a window unusable (our choice).
FEWEST_SHARE = 0.5
UNCALIBRATED = (
    "The clip has no calibration, so no length can be given; state the pixel size with "
    "--mm-per-pixel or the depth of view with --depth-mm."
)

NO_REST = (
    "The clip shows no rest beside this effort, so nothing can be compared with rest; record from "
    "rest on."
)


class Status(StrEnum):
    """How far a measure has come; only a clinician sets the last two."""

    DRAFT = "draft"
    NEEDS_MANUAL = "needs_manual"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"


@dataclass(frozen=True)
class Measure:
    """One number of the record.

    Parameters
    ----------
    name
        ``thickness_rest``, ``thickness_contracted``, ``thickness_change``,
        ``contraction_ratio``, ``preferential_activation_ratio``, ``slide``,
        ``medial_edge_displacement``, ``base_displacement``, ``lift_before``, ``lift_drop``,
        ``lift_after``, ``onset_time``, ``rise_time``, ``hold_time`` or ``return_time``.
    structure
        ``fat``, ``eo``, ``io``, ``tra`` or ``bladder``.
    task
        The task in force, or ``unstated``.
    repeat
        ``1``, ``2``, ... or ``mean``.
    value, low, high
        The value and its interval, which holds the truth in at least 95 % of cases, in ``unit``;
        None where it needs a person.
    unit
        ``mm``, ``%``, ``ratio`` or ``s``.
    status, reason
        ``draft`` with an empty reason, or ``needs_manual`` with a sentence.
    frames
        Frames used, ``first-last`` ranges as text, such as ``0-14;62-80``.
    method
        One sentence on how it was computed.
    """

    name: str
    structure: str
    task: str
    repeat: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    status: Status
    reason: str
    frames: str
    method: str

    @property
    def error_half(self) -> float:
        """Half-width of measuring error; 0 without a value.

        It is the upper half of the interval, since the lower may be cut at zero.
        """
        return 0.0 if self.value is None or self.high is None else self.high - self.value


@dataclass(frozen=True)
class Level:
    """Mean of a quantity over a window, with the spread of that mean."""

    value: float
    spread: float
    window: Window


STATES = ("rest", "contracted")
# What stands as the repeat of a mean.
MEAN = "mean"


@dataclass(frozen=True)
class Kind:
    """What all measures of one structure share."""

    structure: Structure
    task: str
    method: str
    unit: str
    unseen: str

    def missing(self, name: str, repeat: int, unit: str, reason: str) -> Measure:
        """Give no value, and say why."""
        return Measure(
            name=name,
            structure=self.structure,
            task=self.task,
            repeat=str(repeat),
            value=None,
            unit=unit,
            low=None,
            high=None,
            status=Status.NEEDS_MANUAL,
            reason=reason,
            frames="",
            method=self.method,
        )

    def number(
        self,
        name: str,
        repeat: int,
        unit: str,
        value: float,
        spread: float,
        levels: Sequence[Level],
    ) -> Measure:
        """Give a value with its interval from its standard deviation."""
        frames = ";".join(f"{level.window.first}-{level.window.last}" for level in levels)
        return replace(
            self.missing(name, repeat, unit, ""),
            value=value,
            low=value - Z95 * spread,
            high=value + Z95 * spread,
            status=Status.DRAFT,
            frames=frames,
        )

    def length(
        self, name: str, repeat: int, value: float, spread: float, levels: Sequence[Level]
    ) -> Measure:
        """Give a length, unless the clip has no calibration."""
        if self.unit != "mm":
            return self.missing(name, repeat, "mm", UNCALIBRATED)
        return self.number(name, repeat, "mm", value, spread, levels)


def repeats_in(windows: Sequence[Window]) -> list[int]:
    """Numbers of the repeats, in order."""
    return sorted({window.repeat for window in windows})


def has_effort(windows: Sequence[Window], repeat: int) -> bool:
    """Tell whether a repeat holds a contraction."""
    return any(window.state == "contracted" and window.repeat == repeat for window in windows)


def window_of(windows: Sequence[Window], state: str, repeat: int) -> Window | None:
    """Window of a state; the nearest rest before it where a repeat has none of its own."""
    fitting = [w for w in windows if w.state == state and w.repeat == repeat]
    if not fitting and state == "rest":
        fitting = [w for w in windows if w.state == state and w.repeat < repeat][-1:]
    return fitting[0] if fitting else None


def level_of(
    quantity: Quantity, windows: Sequence[Window], state: str, repeat: int
) -> Level | None:
    """Mean over the window of a state; None where it has too few values, or is not there."""
    window = window_of(windows, state, repeat)
    if window is None:
        return None
    values = quantity.value[window.frames]
    known = values[~np.isnan(values)]
    if known.size == 0 or known.size < FEWEST_SHARE * values.size:
        return None
    # Frames a few apart share speckle, so one in five counts as independent (our choice).
    independent = max(1.0, known.size / 5)
    spread = float(known.std(ddof=1) / np.sqrt(independent)) if known.size > 1 else 0.0
    return Level(float(known.mean()), spread, window)
