"""Owns which side of the picture is lateral, told from the medial end of the TrA."""

from collections.abc import Iterable
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import WALL_LAYERS, Structure, label_of

# The medial end is in view where the TrA is missing over this share of the image's width while
# fat goes on, and has thinned to this share of its median before; so has the EO beyond it (our
# choice: in 123 synthetic stills with an end the EO thins to 0.12 of its median, to 0.73 in all but
# 5 %; where something else stops the TrA, to 0.8 to 1.5).
END_WIDTH, END_THINNESS = 0.04, 0.75
# Muscles whose ends lie within this share of the image's width of each other are cut off there by
# a shadow (our choice: 2 mm of 50, as the side of a shadow slants with the beams of a sector).
END_TOGETHER = 0.04
# Share of the frames that show the TrA by which those that show its medial end on one side must
# outnumber those that show it on the other (our choice: in synthetic clips shadows and the bottom
# of the picture look like an end in up to a tenth of the frames).
END_OFTEN = 0.25


# What was told of edges that are still in memory.
_TOLD: WeakKeyDictionary[Boundaries, int] = WeakKeyDictionary()


def lateral_sign(boundaries: Boundaries) -> int:
    """Tell which side of the picture is lateral from the medial end of the TrA.

    Returns
    -------
    int
        +1 where lateral is to the right, -1 where it is to the left, 0 where the medial end is
        not in view: the TrA must thin out and stop while the fat goes on, on one side only, and
        the EO, where it is seen at all, must be thinner there than over the TrA.

    Notes
    -----
    Towards the midline all three muscles thin into their aponeuroses (anatomy, from memory). Bone
    and the bottom of the picture, which stop the TrA too, leave the EO as it is.
    """
    sign = _TOLD.get(boundaries)
    if sign is None:
        thickness = boundaries.deep_px - boundaries.superficial_px
        sign = int(_ends_first(thickness)) - int(_ends_first(thickness[:, ::-1]))
        _TOLD[boundaries] = sign
    return sign


def _ends_first(thickness: NDArray[np.float32]) -> bool:
    """Tell whether the TrA ends medially before the first column.

    Parameters
    ----------
    thickness
        Shape (5, C), rows between the edges of each structure in label order, NaN where absent.
    """
    fat, eo, io, tra = (thickness[label_of(layer) - 1] for layer in WALL_LAYERS)
    first_fat, first_eo, first_io, first = (_first(layer) for layer in (fat, eo, io, tra))
    width = tra.size
    if first == width or first - first_fat <= END_WIDTH * width:
        return False
    known = tra[~np.isnan(tra)]
    if known[: max(1, int(END_WIDTH * width))].mean() >= END_THINNESS * np.median(known):
        return False
    # Where a shadow cuts them off, the muscles end together.
    if min(abs(first_eo - first), abs(first_io - first)) <= END_TOGETHER * width:
        return False
    over = eo[first:][~np.isnan(eo[first:])]
    beyond = np.nan_to_num(eo[first_fat:first])
    return not over.size or bool(beyond.mean() < END_THINNESS * np.median(over))


def _first(layer: NDArray[np.float32]) -> int:
    """First column with a layer; their number where there is none."""
    known = np.flatnonzero(~np.isnan(layer))
    return int(known[0]) if known.size else layer.size


def lateral_side(frames: Iterable[Boundaries]) -> int:
    """Tell which side of the picture is lateral from frames all over a clip.

    A shadow that looks like the medial end in a few frames would turn the sign of every slide, so
    the end must be seen often.

    Returns
    -------
    int
        As ``lateral_sign``; 0 where the medial end is seen in too few of the frames with a TrA.
    """
    tra = label_of(Structure.TRA) - 1
    shown = (edges for edges in frames if np.isfinite(edges.superficial_px[tra]).any())
    signs = [lateral_sign(edges) for edges in shown]
    balance = sum(signs)
    return int(np.sign(balance)) if abs(balance) >= END_OFTEN * len(signs) else 0
