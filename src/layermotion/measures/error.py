"""Owns the error to expect in a clip, from that found for the weights on synthetic clips."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from layermotion.errors import WeightsError
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter
from layermotion.series.series import Quantity, Series


@dataclass(frozen=True)
class Uncertainty:
    """Standard deviation of the measuring error, in the unit of the series.

    Found on synthetic clips with known truth by ``scripts/evaluate.py`` and stored with the
    weights in model pixels.

    Parameters
    ----------
    thickness
        Of a thickness, for each wall layer.
    change
        Of a change of thickness, for each muscle.
    base
        Of a displacement of the bladder base.
    """

    thickness: Mapping[Structure, float]
    change: Mapping[Structure, float]
    base: float


def check_judged(segmenter: Segmenter) -> None:
    """Refuse weights whose error is not known, before any frame is looked at."""
    if not segmenter.errors_px:
        raise WeightsError(
            f"The error of the weights {segmenter.name} is not known yet, so no interval can be "
            f"given; run: layermotion models calibrate {segmenter.name}"
        )


def uncertainty(segmenter: Segmenter, grid: ModelGrid, series: Series) -> Uncertainty:
    """Errors to expect in this clip, in the unit of its series.

    Those found for the weights at the median confidence of each structure in the clip.
    """
    unit = grid.row_size

    def error(measure: str, quantity: str, structure: Structure) -> float:
        return unit * segmenter.error_px(measure, clip_confidence(series.get(quantity, structure)))

    return Uncertainty(
        thickness={k: error(f"thickness_{k}", "thickness", k) for k in WALL_LAYERS},
        change={k: error(f"change_{k}", "thickness", k) for k in MUSCLES},
        base=error("base_displacement", "base_displacement", Structure.BLADDER),
    )


def clip_confidence(quantity: Quantity | None) -> float:
    """Median confidence over the frames that have a value; 1 where there is none to judge."""
    sure = quantity.confidence[quantity.confidence > 0] if quantity else np.zeros(0)
    return float(np.median(sure)) if sure.size else 1.0
