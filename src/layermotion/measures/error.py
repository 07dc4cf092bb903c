"""Owns the error to expect in a clip, from that found for the weights on synthetic clips."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from layermotion.efforts.windows import Window
from layermotion.errors import WeightsError
from layermotion.labels import FULL_NAMES, MUSCLES, WALL_LAYERS, Structure
from layermotion.measures.measure import Kind, Level
from layermotion.measures.unseen import WHEN_OF_LIFT
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter, missing_errors
from layermotion.series.by_hand import ByHand
from layermotion.series.series import Quantity, Scale

# Standard error of a thickness that a person measures, in half-widths of the site (2 mm): 0.4 mm
# (Costa et al. 2009, Eur Spine J 18(7):1059-65, PMC2899591).
HAND_ERROR = 0.2
# How a person settled a structure, in a method.
BY_CALLIPER = "distance between the two points of a calliper that a person set in one frame"
BY_PLACED_EDGE = "with an edge that a person placed"


@dataclass(frozen=True)
class Uncertainty:
    """Standard deviation of the measuring error, in the unit of the series.

    Found on synthetic clips with known truth by ``models calibrate`` and stored with the weights
    in model pixels.

    Parameters
    ----------
    thickness
        Of a thickness, for each wall layer.
    change
        Of a change of thickness, for each muscle.
    base
        Of a displacement of the bladder base.
    by_hand
        What a person settled.
    hand
        Of a thickness that they measured.
    placed
        Where they placed edges; None where they placed none.
    """

    thickness: Mapping[Structure, float]
    change: Mapping[Structure, float]
    base: float
    by_hand: ByHand = field(default_factory=ByHand)
    hand: float = 0.0
    placed: "Uncertainty | None" = None

    def is_by_hand(self, layer: Structure, window: Window) -> bool:
        """Whether a person measured the thickness of a layer in a window."""
        return self.by_hand.is_measured(layer, window.frames)

    def with_hand(self, kind: Kind, levels: Iterable[tuple[Structure, Level]]) -> Kind:
        """Let a method say which structures in which windows a person settled."""
        said = [kind.method]
        for structure, level in levels:
            window = level.window
            if self.is_by_hand(structure, window):
                how = BY_CALLIPER
            elif self.by_hand.is_placed(structure, window.frames):
                how = BY_PLACED_EDGE
            else:
                continue
            name = FULL_NAMES[structure]
            said.append(f"{name[0].upper()}{name[1:]} {WHEN_OF_LIFT[window.state]}: {how}.")
        return replace(kind, method=" ".join(said))

    def of_thickness(self, layer: Structure, window: Window) -> float:
        """Of the thickness of a layer in a window."""
        if self.is_by_hand(layer, window):
            return self.hand
        return self._where(layer, window).thickness[layer]

    def of_change(self, muscle: Structure, rest: Window, full: Window) -> float:
        """Of the change of a muscle from one window to another."""
        if self.is_by_hand(muscle, rest) or self.is_by_hand(muscle, full):
            return float(np.hypot(self.of_thickness(muscle, rest), self.of_thickness(muscle, full)))
        return self._where(muscle, rest, full).change[muscle]

    def of_base(self, low: Window, high: Window) -> float:
        """Of the displacement of the bladder base from one window to another."""
        return self._where(Structure.BLADDER, low, high).base

    def _where(self, structure: Structure, *windows: Window) -> "Uncertainty":
        """Errors where edges were placed in any of some windows, else as found."""
        is_placed = any(self.by_hand.is_placed(structure, each.frames) for each in windows)
        return self.placed if self.placed and is_placed else self


def check_judged(segmenter: Segmenter) -> None:
    """Refuse weights whose error is not known, before any frame is looked at."""
    if missing_errors(segmenter.errors_px):
        raise WeightsError(
            f"The error of the weights {segmenter.name} is not known yet, so no interval can be "
            f"given; run: layermotion models calibrate {segmenter.name}"
        )


def uncertainty(
    segmenter: Segmenter,
    grid: ModelGrid,
    scale: Scale,
    found: Sequence[Quantity],
    by_hand: ByHand,
    placed: Sequence[Quantity],
) -> Uncertainty:
    """Errors to expect in this clip, in the unit of its series.

    Those found for the weights at the median confidence of each structure in the clip. A person's
    edges count only where they were placed.

    Parameters
    ----------
    found, placed
        What is measured of each structure, as found, and with the edges that a person placed.
    by_hand
        What they settled.
    """
    own = replace(
        _expected(segmenter, grid, found), by_hand=by_hand, hand=HAND_ERROR * scale.site_half
    )
    return replace(own, placed=_expected(segmenter, grid, placed)) if by_hand.placed else own


def _expected(segmenter: Segmenter, grid: ModelGrid, quantities: Sequence[Quantity]) -> Uncertainty:
    sure = {each.structure: clip_confidence(each) for each in quantities}

    def error(measure: str, structure: Structure) -> float:
        return grid.row_size * segmenter.error_px(measure, sure.get(structure, 1.0))

    return Uncertainty(
        thickness={k: error(f"thickness_{k}", k) for k in WALL_LAYERS},
        change={k: error(f"change_{k}", k) for k in MUSCLES},
        base=error("base_displacement", Structure.BLADDER),
    )


def clip_confidence(quantity: Quantity) -> float:
    """Median confidence over the frames that have a value; 1 where there is none to judge."""
    sure = quantity.confidence[quantity.confidence > 0]
    return float(np.median(sure)) if sure.size else 1.0
