"""Owns the medial end of the TrA over time: where it is, and how far it is drawn in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.blocks import Block, blocks_of
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.lateral import lateral_sign
from layermotion.geometry import Spacing
from layermotion.labels import WALL_LAYERS, Structure, label_of
from layermotion.series.series import Quantity
from layermotion.series.withhold import withhold_lost
from layermotion.tissue.tracker import Motions, TissueMotion

Array = NDArray[np.float64]

NAME = "medial_edge"
# Columns without an edge that do not end the muscle, as a share of the picture (our choice).
WIDEST_MUSCLE_GAP = 0.04
# Share of the frames at rest in which the end must be seen (our choice).
END_SEEN_SHARE = 0.5
# The end is followed with the muscle around the site; farther from it than this its motion is not
# known from there, mm (our choice: two and a half times the stretch that is followed).
FARTHEST_END_MM = 25.0
NOT_IN_VIEW = (
    "The medial end of the TrA is not in view at rest, so how far it is drawn in cannot be "
    "measured; record with the end of the muscle in the picture, or judge it by eye."
)
TOO_FAR = (
    f"The medial end of the TrA lies more than {FARTHEST_END_MM:g} mm from the site, where its "
    f"motion is not known; take a site nearer to it with --site junction:10, or judge it by eye."
)
UNSEEN_END = (
    "The texture of the TrA or the tissue near the probe could not be followed through this "
    "effort; judge by eye how far the medial end is drawn in."
)


@dataclass(frozen=True, eq=False)
class MedialEdge:
    """Where the medial end of the TrA is, and how it moves.

    Parameters
    ----------
    quantity
        Displacement since the key frame, mm, positive lateral; all NaN where it is not known.
    column_px
        Shape (frames,), frame column of the end; NaN where it is not known.
    distance_mm
        From the site to the end at rest; NaN where it is not in view.
    reason
        Why there is no value at all; empty where there is one.
    """

    quantity: Quantity
    column_px: Array
    distance_mm: float
    reason: str


def follow_medial_edge(
    frames: Iterable[Boundaries],
    motions: Sequence[TissueMotion],
    time_s: Array,
    at_rest: NDArray[np.bool_],
    site_px: float,
    lateral: int,
    spacing: Spacing,
) -> MedialEdge:
    """Follow the medial end of the TrA with the muscle between it and the site.

    The thin end itself is seen to millimetres only, so it is placed once, on the muscle at rest,
    as the median over those frames; its motion is that of the muscle there: the shift of the
    material at the site and its shortening, which is taken to be even between the two.

    Parameters
    ----------
    frames, motions, time_s
        One for each frame; s.
    at_rest
        Shape (frames,), whether the muscle rests; the end is placed in these frames.
    lateral
        +1 where lateral is to the right of the picture, -1 where it is to the left, 0 where the
        medial end is not in view.

    Notes
    -----
    That the anterior end of the muscle and its fascia slide laterally in a draw-in, by about 15 mm:
    Hides et al. 2006, Spine 31(6):E175-8. How the end is followed: our choice.
    """
    every, tra = Motions.of(motions), WALL_LAYERS.index(Structure.TRA)
    shift, confidence = every.column_px[:, tra], every.confidence[:, tra]
    near, turn, stretch = every.near_px[:, 1], every.turn_rad, every.stretch
    seen = np.concatenate([_ends_px(block, lateral, site_px) for block in blocks_of(frames)])
    # Offset from the site, on the muscle as it was in the key frame.
    offset = (seen - site_px - shift) / (1 + stretch)
    known = offset[at_rest & ~np.isnan(offset)]
    missing = np.full(shift.size, np.nan)

    def without(reason: str, distance_mm: float = float("nan")) -> MedialEdge:
        nothing = Quantity(NAME, Structure.TRA, "mm", missing, np.zeros(shift.size))
        return MedialEdge(nothing, missing.copy(), distance_mm, reason)

    if (~np.isnan(seen[at_rest])).sum() < max(1.0, END_SEEN_SHARE * at_rest.sum()):
        return without(NOT_IN_VIEW)
    if not known.size:
        return without(UNSEEN_END)
    place = float(np.median(known))
    distance_mm = abs(place) * spacing.column_mm
    if distance_mm > FARTHEST_END_MM:
        return without(TOO_FAR, distance_mm)
    moved_px = shift + stretch * place
    value = (moved_px - near) * spacing.column_mm + turn * every.depth_px[:, tra] * spacing.row_mm
    value *= lateral
    sure = np.where(np.isnan(value), 0.0, confidence)
    quantity = withhold_lost(Quantity(NAME, Structure.TRA, "mm", value, sure), time_s)
    return MedialEdge(quantity, site_px + place + moved_px, distance_mm, "")


def _ends_px(block: Block, lateral: int, site_px: float) -> Array:
    """Frame column of the visible medial end in every frame of a block."""

    def find() -> Array:
        return np.array([medial_end_px(each, lateral, site_px) for each in block.frames])

    return block.once(("medial end", lateral, site_px), find)


def medial_end_px(boundaries: Boundaries, lateral: int, site_px: float) -> float:
    """Frame column of the visible medial end of the TrA; NaN where it is not in view."""
    if not lateral or lateral_sign(boundaries) != lateral:
        return float("nan")
    k = label_of(Structure.TRA) - 1
    present = np.flatnonzero(~np.isnan(boundaries.superficial_px[k]))
    gaps = np.flatnonzero(np.diff(present) > WIDEST_MUSCLE_GAP * boundaries.column_px.size)
    runs = np.split(present, gaps + 1)
    column = boundaries.column_px
    # What lies apart from the muscle at the site is something else.
    run = min(runs, key=lambda part: float(np.abs(column[part] - site_px).min()))
    return float(column[run[0] if lateral > 0 else run[-1]])
