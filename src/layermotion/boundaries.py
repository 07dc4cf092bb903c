"""Owns edges: class probabilities in, ordered sub-pixel layer edges out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import STRUCTURES


@dataclass(frozen=True, eq=False)
class Boundaries:
    """Edges of every structure in one frame, in pixels of the whole frame.

    Parameters
    ----------
    column_px
        Shape (C,), columns at which edges are given, increasing; pixel centres.
    superficial_px, deep_px
        Shape (5, C), row of the upper and lower edge of each structure in label order
        (fat, EO, IO, TrA, bladder); NaN where the structure is absent.
    confidence
        Shape (5, C), 0 to 1.
    """

    column_px: NDArray[np.float32]
    superficial_px: NDArray[np.float32]
    deep_px: NDArray[np.float32]
    confidence: NDArray[np.float32]

    def __post_init__(self) -> None:
        shape = (len(STRUCTURES), self.column_px.shape[0])
        for name in ("superficial_px", "deep_px", "confidence"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, needs {shape}")
        for name in ("column_px", "superficial_px", "deep_px", "confidence"):
            getattr(self, name).flags.writeable = False
