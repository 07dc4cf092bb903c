"""Owns quantities over time: one value and one confidence for every frame."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Quantity:
    """One quantity of one structure over the clip.

    Parameters
    ----------
    name
        ``thickness``, ``slide``, ``base_displacement`` or ``probe_shift``.
    structure
        ``fat``, ``eo``, ``io``, ``tra``, ``bladder`` or ``image``.
    unit
        ``mm``, or ``px`` for an uncalibrated clip.
    value
        float64, shape (frames,), NaN where the frame cannot be measured.
    confidence
        float64, shape (frames,), 0 to 1; 0 where the value is NaN.
    """

    name: str
    structure: str
    unit: str
    value: NDArray[np.float64]
    confidence: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.value.shape != self.confidence.shape or self.value.ndim != 1:
            raise ValueError(f"{self.name} needs one confidence for each value")
        self.value.flags.writeable = False
        self.confidence.flags.writeable = False


@dataclass(frozen=True, eq=False)
class Series:
    """All quantities of one clip on one time axis.

    Parameters
    ----------
    clip_id
        The clip's short hash.
    time_s
        float64, shape (frames,), increasing.
    quantities
        Each with ``frames`` values.
    """

    clip_id: str
    time_s: NDArray[np.float64]
    quantities: tuple[Quantity, ...]

    def __post_init__(self) -> None:
        for quantity in self.quantities:
            if quantity.value.shape != self.time_s.shape:
                raise ValueError(f"{quantity.name} does not have one value for each time")
        self.time_s.flags.writeable = False

    def get(self, name: str, structure: str) -> Quantity | None:
        """Return one quantity, or None where the view does not hold it."""
        for quantity in self.quantities:
            if (quantity.name, quantity.structure) == (name, structure):
                return quantity
        return None
