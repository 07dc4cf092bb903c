"""Owns how far tissue has moved since rest, as arrows that pictures and videos draw alike."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.analysis.result import Analysis
from layermotion.edges.boundaries import Boundaries
from layermotion.geometry import ImageArea
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure, label_of
from layermotion.report.alignment import Alignment
from layermotion.series.slide import REFERENCE
from layermotion.tissue.tracker import TissueMotion

# An arrow shorter than this share of the picture's width says nothing (our choice: about 1 mm).
SHORTEST = 0.025


@dataclass(frozen=True)
class Arrow:
    """From where tissue lay at rest to where it lies now, in pixels of the frame."""

    structure: Structure
    from_column_px: float
    from_row_px: float
    to_column_px: float
    to_row_px: float

    def seen_from(self, area: ImageArea) -> "Arrow":
        """Return the same arrow in pixels of the image area."""
        return replace(
            self,
            from_column_px=self.from_column_px - area.left,
            from_row_px=self.from_row_px - area.top,
            to_column_px=self.to_column_px - area.left,
            to_row_px=self.to_row_px - area.top,
        )

    def aligned(self, alignment: Alignment) -> "Arrow":
        """Return the arrow from where the tissue at rest would lie had only the probe moved."""
        column, row = alignment.carry(np.array(self.from_column_px), np.array(self.from_row_px))
        return replace(self, from_column_px=float(column), from_row_px=float(row))

    @property
    def length_px(self) -> float:
        """Distance moved."""
        across = self.to_column_px - self.from_column_px
        return float(np.hypot(across, self.to_row_px - self.from_row_px))

    def is_long_enough(self, area: ImageArea) -> bool:
        """Tell whether it can be seen; an arrow whose ends are not known cannot."""
        return self.length_px >= SHORTEST * area.width


def arrows_of(
    analysis: Analysis,
    index: int,
    rest: int | None,
    boundaries: Boundaries,
    alignment: Alignment | None,
) -> tuple[Arrow, ...]:
    """Arrows of one frame against the frame at rest; none where no rest or no motion is known.

    Movement of the probe moves the EO as well, against which muscles slide; from the medial end it
    is removed where it is known.

    Parameters
    ----------
    index, rest
        Frame shown and frame at rest, None where the clip shows none.
    boundaries
        Edges of the frame shown.
    alignment
        Of the frame shown with the one at rest; None where it is not known.
    """
    clip, site_px = analysis.clip, analysis.site_px
    if site_px is None or rest is None:
        return ()
    base = analysis.given.get("base_displacement", Structure.BLADDER)
    if base is not None:
        row = clip.spacing.row_mm if clip.spacing else 1.0
        lift_px = float(base.value[index] - base.value[rest]) / row
        return base_arrow(boundaries, lift_px, site_px, clip.area)
    if not analysis.footage.motions:
        return ()
    arrows = [
        arrow
        for arrow in muscle_arrows(analysis.footage.motions, index, rest, site_px, clip.area)
        if _is_given(analysis, "slide", arrow.structure, (index, rest))
    ]
    edge = analysis.medial_edge
    if edge is not None and _is_given(analysis, "medial_edge", Structure.TRA, (index, rest)):
        before, now = (float(edge.column_px[k]) for k in (rest, index))
        moved = [analysis.footage.motions[k].of(Structure.TRA).row_px for k in (rest, index)]
        row = _middle_row(boundaries, now)
        end = Arrow(Structure.TRA, before, row - (moved[1] - moved[0]), now, row)
        arrows.append(end if alignment is None else end.aligned(alignment))
    return tuple(arrow for arrow in arrows if arrow.is_long_enough(clip.area))


def _is_given(analysis: Analysis, name: str, structure: Structure, frames: Sequence[int]) -> bool:
    """Tell whether a motion is given in all of some frames, or is none that is measured here."""
    quantity = analysis.given.get(name, structure)
    return quantity is None or not np.isnan(quantity.value[list(frames)]).any()


def _middle_row(boundaries: Boundaries, column_px: float) -> float:
    """Row of the middle of the TrA at the column with an edge that is nearest to one."""
    k = label_of(Structure.TRA) - 1
    middle = (boundaries.superficial_px[k] + boundaries.deep_px[k]) / 2
    seen = np.flatnonzero(~np.isnan(middle))
    if not seen.size:
        return float("nan")
    return float(middle[seen[np.abs(boundaries.column_px[seen] - column_px).argmin()]])


def muscle_arrows(
    motions: Sequence[TissueMotion], index: int, rest: int, site_px: float, area: ImageArea
) -> tuple[Arrow, ...]:
    """Arrows of the muscles that slide past the EO, from the frame at rest to another.

    From where the tissue at the site would lie had it moved with the EO, as the slide in the table
    and the chart is measured. Where a muscle or the EO was lost in either frame the arrow has an
    end that is NaN.

    Parameters
    ----------
    motions
        One for each frame.
    index, rest
        Frame shown and frame at rest.
    """
    carried = [motions[k].of(REFERENCE) for k in (rest, index)]
    arrows: list[Arrow] = []
    for muscle in MUSCLES:
        if muscle is REFERENCE:
            continue
        before, now = motions[rest].of(muscle), motions[index].of(muscle)
        row = area.top + motions[index].depth_px[WALL_LAYERS.index(muscle)]
        arrows.append(
            Arrow(
                muscle,
                site_px + before.column_px + carried[1].column_px - carried[0].column_px,
                row + before.row_px + carried[1].row_px - carried[0].row_px,
                site_px + now.column_px,
                row + now.row_px,
            )
        )
    return tuple(arrows)


def base_arrow(
    boundaries: Boundaries, lift_px: float, site_px: float, area: ImageArea
) -> tuple[Arrow, ...]:
    """Arrow of the bladder base at its column; none where it was not measured or hardly moved.

    Parameters
    ----------
    lift_px
        Rows by which the base has come towards the probe since rest, the probe's own movement
        removed.
    """
    nearest = int(np.abs(boundaries.column_px - site_px).argmin())
    row = float(boundaries.deep_px[label_of(Structure.BLADDER) - 1, nearest])
    arrow = Arrow(Structure.BLADDER, site_px, row + lift_px, site_px, row)
    return (arrow,) if arrow.is_long_enough(area) else ()
