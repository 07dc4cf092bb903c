"""Owns the site: the screen column at which all layers of a clip are measured."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from layermotion.clip import Clip
from layermotion.edges.boundaries import SEEN_CONFIDENCE, Boundaries
from layermotion.edges.lateral import lateral_sign
from layermotion.errors import InputError
from layermotion.labels import MUSCLES, Structure, label_of

MOST_EVEN, MUSCLE_CENTRE = "most-even", "muscle-centre"
IMAGE_CENTRE, JUNCTION = "image-centre", "junction"
# To either side of the most even site thickness is compared within this, mm, or as a share of the
# picture's width without a calibration (our choice: about what a TrA slides in a draw-in, of 4 to
# 15 mm the one that leaves the smallest errors of change: scripts/sites.py).
EVEN_MM, EVEN_SHARE = 8.0, 0.12
# What a muscle that is not seen all the way counts as: one that ends there.
UNSEEN_UNEVEN = 1.0
# Farther from the junction than this no probe sees, mm (our choice).
FARTHEST_MM = 120.0
# Half-width of the stretch of a layer that gives its direction at the site, mm (our choice: well
# below the curvature of the wall).
SLOPE_HALF_MM = 5.0
STAYS = (
    "The site stays at one column of the screen, as a person's calliper line does, because the "
    "muscle that slides past it is the same layer."
)

NO_TRA = (
    "No TrA was seen, so there is no place of measurement; record with the TrA in view, or give "
    "--site image-centre."
)
FAT_ALONE = (
    "Site of the fat: the centre line of the image area, because no TrA was seen; without it the "
    "muscles have no place of measurement."
)
NO_SCALE = (
    "The distance from the junction needs a calibration, and there is none; give --mm-per-pixel, "
    "or another --site."
)
NO_JUNCTION = (
    "The medial TrA junction is not in view, so the site cannot be placed; record with it in view, "
    "or give another --site."
)


@dataclass(frozen=True)
class Site:
    """Where thickness is read.

    Parameters
    ----------
    kind
        ``most-even``, ``muscle-centre``, ``image-centre`` or ``junction``.
    distance_mm
        For ``junction``: lateral distance from the medial end of the TrA, mm.
    """

    kind: str
    distance_mm: float = 0.0

    def place(self, frames: Sequence[Boundaries], clip: Clip) -> tuple[float | None, str]:
        """Find the site's column from some frames.

        Returns
        -------
        column, words
            Frame column, or None where the site cannot be found; how it was found, or why not.
        """
        if self.kind == IMAGE_CENTRE:
            return centre_px(clip), f"Site: the centre line of the image area. {STAYS}"
        if self.kind == MOST_EVEN:
            column = most_even_px(frames, clip)
            if column is not None:
                return column, (
                    f"Site: where EO, IO and TrA together are of the most even thickness, so that "
                    f"sliding changes it least, median of {len(frames)} frames. {STAYS}"
                )
        if self.kind in (MOST_EVEN, MUSCLE_CENTRE):
            column = tra_centre_px(frames)
            if column is None:
                return None, NO_TRA
            return (
                column,
                f"Site: the middle of the TrA in view, median of {len(frames)} frames. {STAYS}",
            )
        return self._from_junction(frames, clip)

    def _from_junction(self, frames: Sequence[Boundaries], clip: Clip) -> tuple[float | None, str]:
        if clip.spacing is None:
            return None, NO_SCALE
        k = label_of(Structure.TRA) - 1
        columns = []
        for boundaries in frames:
            side = lateral_sign(boundaries)
            seen = boundaries.column_px[~np.isnan(boundaries.superficial_px[k])]
            if side and seen.size:
                end = seen[0] if side > 0 else seen[-1]
                columns.append(end + side * self.distance_mm / clip.spacing.column_mm)
        if len(columns) < max(1, len(frames) // 2):
            return None, NO_JUNCTION
        column = float(np.median(columns))
        if not clip.area.left <= column < clip.area.left + clip.area.width:
            return None, (
                f"{self.distance_mm:g} mm lateral of the medial TrA junction lies outside the "
                f"picture; give a shorter distance, or another --site."
            )
        return column, (
            f"Site: {self.distance_mm:g} mm lateral of the medial TrA junction, median of "
            f"{len(columns)} frames. {STAYS}"
        )


def centre_px(clip: Clip) -> float:
    """Column of the centre line of the image area."""
    return clip.area.left + (clip.area.width - 1) / 2


def parse_site(text: str) -> Site:
    """Read a site as the user types it.

    Raises
    ------
    InputError
        If it is none of the four forms.

    Examples
    --------
    >>> parse_site("junction:25")
    Site(kind='junction', distance_mm=25.0)
    """
    if text in (MOST_EVEN, MUSCLE_CENTRE, IMAGE_CENTRE):
        return Site(text)
    match = re.fullmatch(r"junction:(\d+(?:\.\d+)?)", text)
    if match is None or not 0 < float(match[1]) <= FARTHEST_MM:
        raise InputError(
            f"The site {text} is not known; give --site most-even, muscle-centre, "
            f"image-centre, or junction:MM with at most {FARTHEST_MM:g} mm."
        )
    return Site(JUNCTION, float(match[1]))


def most_even_px(frames: Sequence[Boundaries], clip: Clip) -> float | None:
    """Column beside which the three muscles together change least in thickness.

    A muscle that tapers shows another part of itself at a fixed place once it has slid.

    Returns
    -------
    float or None
        Frame column; None where the TrA is nowhere seen so far to either side.
    """
    if not frames:
        return None
    column_px = frames[0].column_px
    reach_px = EVEN_SHARE * clip.area.width
    if clip.spacing is not None:
        reach_px = EVEN_MM / clip.spacing.column_mm
    reach = max(1, round(reach_px / float(column_px[1] - column_px[0])))
    rows = [label_of(muscle) - 1 for muscle in MUSCLES]
    seen = np.array(
        [
            np.where(b.confidence >= SEEN_CONFIDENCE, b.deep_px - b.superficial_px, np.nan)[rows]
            for b in frames
        ]
    )  # (N, 3, C)
    often = np.count_nonzero(~np.isnan(seen), axis=0) >= max(1, len(frames) // 2)
    if 2 * reach + 1 > column_px.size or not often.any():
        return None
    filled = np.where(np.isnan(seen), 0.0, seen)
    thickness = np.where(
        often, filled.sum(axis=0) / np.maximum((filled > 0).sum(axis=0), 1), np.nan
    )
    near = np.lib.stride_tricks.sliding_window_view(thickness, 2 * reach + 1, axis=1)  # (3, K, W)
    uneven = (near.max(axis=2) - near.min(axis=2)) / near[:, :, reach]
    uneven = np.where(np.isnan(uneven), UNSEEN_UNEVEN, uneven)
    is_tra = ~np.isnan(near[MUSCLES.index(Structure.TRA)]).any(axis=1)
    if not is_tra.any():
        return None
    cost = np.where(is_tra, uneven.sum(axis=0), np.inf)
    return float(column_px[reach + int(cost.argmin())])


def tra_centre_px(frames: Iterable[Boundaries]) -> float | None:
    """Column of the middle of the TrA in view, median over frames; None if it is never seen."""
    k = label_of(Structure.TRA) - 1
    centres = []
    for boundaries in frames:
        seen = boundaries.column_px[boundaries.confidence[k] >= SEEN_CONFIDENCE]
        if seen.size:
            # The median column, which a stray column far from the muscle does not move.
            centres.append(float(np.median(seen)))
    return float(np.median(centres)) if centres else None
