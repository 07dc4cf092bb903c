"""Owns which thicknesses two looks at one frame dispute; they are withheld."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import FULL_NAMES, WALL_LAYERS, Structure
from layermotion.network.grid import ModelGrid
from layermotion.series.series import Quantity, Scale
from layermotion.series.thickness import thickness_series

# Two looks at one layer lie at most so many model pixels apart (our choice: on 382 synthetic stills
# fewer than 1 in 80 of the values right to 0.5 mm lie further apart, and most of the values of fat
# that are wrong by more than 1.2 mm do).
MOST_APART_PX = 3.0


def agreed_thickness(
    frames: Iterable[Boundaries],
    again: Mapping[int, Boundaries],
    site_px: float | None,
    scale: Scale,
    grid: ModelGrid,
    placed: Mapping[Structure, NDArray[np.bool_]] | None = None,
    fat_px: float | None = None,
) -> tuple[tuple[Quantity, ...], tuple[str, ...]]:
    """Thickness of each layer where both looks agree, and what a reader must know of the rest.

    Parameters
    ----------
    frames
        Edges of every frame.
    again
        Those of the second look, by the position of its frame, rising.
    placed
        Shape (frames,) each: frames in which a person placed an edge of a layer, which no second
        look disputes.
    fat_px
        Column of the fat where there is no site.
    """
    first = thickness_series(frames, site_px, scale, fat_px=fat_px)
    second = thickness_series(again.values(), site_px, scale, fat_px=fat_px)
    most_apart = MOST_APART_PX * grid.row_size
    kept = [
        withhold_disputed(one, other, tuple(again), most_apart, (placed or {}).get(layer))
        for layer, one, other in zip(WALL_LAYERS, first, second, strict=True)
    ]
    return tuple(quantity for quantity, _ in kept), tuple(chain(*(words for _, words in kept)))


def withhold_disputed(
    quantity: Quantity,
    again: Quantity,
    looked: Sequence[int],
    most_apart: float,
    placed: NDArray[np.bool_] | None = None,
) -> tuple[Quantity, tuple[str, ...]]:
    """Withhold a thickness where the second look gives another one.

    Each frame goes by the nearest one in which both looks gave a value; where none did, nothing is
    disputed.

    Parameters
    ----------
    again
        The same quantity in the frames looked at twice, shape (len(looked),).
    looked
        Their positions, rising.
    most_apart
        Largest difference of two looks, in the unit of the quantity.
    placed
        Frames that are not disputed, because a person placed an edge in them.

    Returns
    -------
    quantity, cautions
        The same with NaN and confidence 0 where it is disputed; and a sentence for the report.
    """
    places = np.array(looked, int)
    apart = np.abs(quantity.value[places] - again.value)
    compared = ~np.isnan(apart)
    if not compared.any():
        return quantity, ()
    known = places[compared]
    frames = np.arange(quantity.value.size)
    nearest = np.searchsorted((known[1:] + known[:-1]) / 2, frames)
    disputed = (apart[compared] > most_apart)[nearest] & ~np.isnan(quantity.value)
    if placed is not None:
        disputed &= ~placed
    if not disputed.any():
        return quantity, ()
    name = FULL_NAMES[Structure(quantity.structure)]
    return quantity.without(np.flatnonzero(disputed)), (
        f"The borders of the {name} are not sure in {disputed.sum()} of {frames.size} "
        f"{'frames' if frames.size > 1 else 'frame'}, because a second look found them elsewhere; "
        f"no value is given there.",
    )
