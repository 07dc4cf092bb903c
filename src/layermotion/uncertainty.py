"""Owns the error to expect in a clip, from that found for the weights on synthetic clips."""

import numpy as np

from layermotion.errors import WeightsError
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure
from layermotion.measures import Uncertainty
from layermotion.segment import ModelGrid, Segmenter
from layermotion.series import Quantity, Series


def check_judged(segmenter: Segmenter) -> None:
    """Refuse weights whose error is not known, before any frame is looked at."""
    if not segmenter.errors_px:
        raise WeightsError(
            f"The error of the weights {segmenter.name} is not known yet, so no interval can be "
            f"given; run: python scripts/evaluate.py --calibrate."
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
