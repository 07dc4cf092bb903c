"""Owns the error in millimetres of what would be measured in one labelled frame.

Of a layer it is that of the thickness at the middle of the labelled TrA, by the edges that
measuring uses; of the bladder that of the depth of its base below its middle.
"""

import math

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.site import tra_centre_px
from layermotion.labels import STRUCTURES, WALL_LAYERS, Structure, label_of
from layermotion.series.series import Scale
from layermotion.series.thickness import thickness_at


def labelled_edges(label: NDArray[np.uint8]) -> Boundaries:
    """Edges of a label, between pixels, in every column.

    Parameters
    ----------
    label
        Label values, uint8 (rows, columns).
    """
    rows, columns = label.shape
    superficial, deep = np.full((2, len(STRUCTURES), columns), np.nan, np.float32)
    for k, structure in enumerate(STRUCTURES):
        mask = label == label_of(structure)
        seen = mask.any(axis=0)
        superficial[k, seen] = mask.argmax(axis=0)[seen] - 0.5
        deep[k, seen] = rows - 0.5 - mask[::-1].argmax(axis=0)[seen]
    confidence = np.where(np.isnan(superficial), 0.0, 1.0).astype(np.float32)
    return Boundaries(np.arange(columns, dtype=np.float32), superficial, deep, confidence)


def site_errors_mm(
    found: Boundaries, truth: Boundaries, scale: Scale
) -> dict[Structure, tuple[float, bool]]:
    """Size of the error of each structure that the label shows, and whether it is withheld.

    Parameters
    ----------
    found, truth
        Edges of one frame, as measuring finds them and as labelled.
    scale
        Of the frame, in mm.

    Returns
    -------
    dict
        Error, mm, NaN where nothing would be given; and whether that is so.
    """
    errors = {}
    site_px = tra_centre_px([truth])
    for layer in WALL_LAYERS:
        if site_px is None:
            break
        true, _ = thickness_at(truth, layer, site_px, scale)
        own, _ = thickness_at(found, layer, site_px, scale)
        if not math.isnan(true):
            errors[layer] = (abs(own - true), math.isnan(own))
    k = label_of(Structure.BLADDER) - 1
    shown = truth.column_px[~np.isnan(truth.deep_px[k])]
    if shown.size:
        middle_px = float(np.median(shown))
        true, own = (_base_mm(edges, middle_px, scale) for edges in (truth, found))
        errors[Structure.BLADDER] = (abs(own - true), math.isnan(own))
    return errors


def _base_mm(edges: Boundaries, middle_px: float, scale: Scale) -> float:
    """Mean depth of the bladder's deep edge around a column; NaN where it is not seen there."""
    deep = edges.deep_px[label_of(Structure.BLADDER) - 1]
    near = np.abs(edges.column_px - middle_px) * scale.column <= scale.base_half
    near &= ~np.isnan(deep)
    return float(deep[near].mean()) * scale.row if near.any() else math.nan
