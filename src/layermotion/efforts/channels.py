"""Owns all that a clip shows of its efforts, as one table of signals over time."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure
from layermotion.series.picture import WAYS
from layermotion.series.series import Quantity

Array = NDArray[np.float64]

# Ways in which the whole picture changes.
PICTURE = tuple(f"picture {k + 1}" for k in range(WAYS))
# Name of each signal with the structure it is of (None: all layers together), and a size in its
# unit that an effort reaches easily: share of thickness, mm of slide and of the base, share of the
# picture's height, mm of the probe, spreads of the greys (our choice; it only brings the signals to
# like numbers).
CHANNELS: Mapping[str, tuple[Structure | None, float]] = {
    "thickness eo": (Structure.EO, 0.1),
    "thickness io": (Structure.IO, 0.1),
    "thickness tra": (Structure.TRA, 0.1),
    "whole tra": (Structure.TRA, 0.1),
    "slide eo": (Structure.EO, 2.0),
    "slide io": (Structure.IO, 2.0),
    "slide tra": (Structure.TRA, 2.0),
    "base": (Structure.BLADDER, 2.0),
    "base beside": (Structure.BLADDER, 2.0),
    "shape": (None, 0.005),
    "second shape": (None, 0.005),
    "probe": (None, 2.0),
} | {name: (None, 0.1) for name in PICTURE}
# Rows of those of one structure, of the whole picture, and of all but the picture.
TISSUE = [k for k, (structure, _) in enumerate(CHANNELS.values()) if structure]
OF_PICTURE = [k for k, name in enumerate(CHANNELS) if name in PICTURE]
BESIDE_PICTURE = [k for k, name in enumerate(CHANNELS) if name not in PICTURE]


@dataclass(frozen=True, eq=False)
class Signals:
    """All signals of a clip.

    Parameters
    ----------
    time_s
        Shape (F,), s.
    value
        Shape (C, F), in the order of ``CHANNELS`` and in their units; NaN where not measured.
    """

    time_s: Array
    value: Array

    def __post_init__(self) -> None:
        if self.value.shape != (len(CHANNELS), self.time_s.size):
            raise ValueError("signals need one row for each channel and one column for each time")

    @property
    def is_measured(self) -> NDArray[np.bool_]:
        """Frames with a thickness, a slide or the base, shape (F,)."""
        return np.asarray(~np.isnan(self.value[TISSUE]).all(axis=0))

    @classmethod
    def of(cls, time_s: Array, known: Mapping[str, Array]) -> "Signals":
        """Signals from those that the view has, by their names; the others are not measured."""
        value = np.full((len(CHANNELS), time_s.size), np.nan)
        for name, signal in known.items():
            value[list(CHANNELS).index(name)] = signal
        return cls(time_s, value)


def share_of(thickness: Quantity) -> Array:
    """Change of a thickness as a share of its middle value; shape (F,)."""
    known = thickness.value[~np.isnan(thickness.value)]
    return thickness.value / (float(np.median(known)) if known.size else 1.0) - 1
