"""Owns what a person settled of a clip's thickness: edges they placed, values they measured."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure
from layermotion.series.series import Quantity


@dataclass(frozen=True, eq=False)
class ByHand:
    """What a person settled, by layer.

    Parameters
    ----------
    placed
        Shape (frames,) each: frames in which they placed an edge.
    measured
        Shape (frames,) each: thickness that they measured, in the unit of the series; NaN where
        they did not.
    """

    placed: Mapping[Structure, NDArray[np.bool_]] = field(default_factory=dict)
    measured: Mapping[Structure, NDArray[np.float64]] = field(default_factory=dict)

    @property
    def layers(self) -> set[Structure]:
        """Layers of which anything was settled."""
        return {*self.placed, *self.measured}

    @property
    def edges_alone(self) -> "ByHand":
        """The edges that they placed, without what they measured."""
        return replace(self, measured={})

    def is_placed(self, layer: Structure, frames: slice) -> bool:
        """Whether they placed an edge of a layer in any of some frames."""
        return layer in self.placed and bool(self.placed[layer][frames].any())

    def is_measured(self, layer: Structure, frames: slice) -> bool:
        """Whether they measured a layer in all of some frames."""
        return layer in self.measured and not np.isnan(self.measured[layer][frames]).any()


def settled(
    given: Sequence[Quantity], found: Sequence[Quantity], by_hand: ByHand
) -> tuple[Quantity, ...]:
    """Take what a person settled in place of what was found, or was withheld.

    Parameters
    ----------
    given, found
        Thickness of each layer, in the same order: what is left after withholding, and before.
    """
    return tuple(_settled(*pair, by_hand) for pair in zip(given, found, strict=True))


def _settled(given: Quantity, found: Quantity, by_hand: ByHand) -> Quantity:
    layer = Structure(given.structure)
    value, confidence = given.value.copy(), given.confidence.copy()
    if layer in by_hand.placed:
        placed = by_hand.placed[layer] & ~np.isnan(found.value)
        value[placed], confidence[placed] = found.value[placed], 1.0
    if layer in by_hand.measured:
        measured = ~np.isnan(by_hand.measured[layer])
        value[measured], confidence[measured] = by_hand.measured[layer][measured], 1.0
    return replace(given, value=value, confidence=confidence)
