"""Owns the frames that a page shows side by side."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.result import Analysis
from layermotion.caution import Signature
from layermotion.clip import Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.geometry import ImageArea
from layermotion.report.alignment import Alignment
from layermotion.report.arrows import Arrow

# Roles of the frames that the report shows, and the window state each is taken from.
KEY_STATES = ("rest", "contracted")


@dataclass(frozen=True, eq=False)
class KeyFrame:
    """One frame to show, with its edges.

    Parameters
    ----------
    role
        ``rest``, ``contracted`` or another plain word.
    frame
        The picture.
    boundaries
        Its edges.
    arrows
        How far tissue has moved since rest.
    alignment
        With the frame at rest; None where the movement of the probe between them is not known.
    """

    role: str
    frame: Frame
    boundaries: Boundaries
    arrows: tuple[Arrow, ...] = ()
    alignment: Alignment | None = None


def draw_key_frames(
    key_frames: Sequence["KeyFrame"], analysis: Analysis, signature: Signature | None = None
) -> NDArray[np.uint8]:
    """Draw the key frames side by side, each with its edges and its values beneath."""
    from layermotion.report.overlay import draw_overlay
    from layermotion.report.strip import FINAL_WORDS, caption_of

    area, site_px = analysis.clip.area, analysis.site_px
    images = []
    for shown in key_frames:
        frame, boundaries = cut_out(shown.frame, shown.boundaries, area)
        caption = caption_of(analysis.given, analysis.efforts.windows, frame.index)
        if analysis.clip.is_still:
            caption = replace(caption, time_s=None)
        if signature is not None:
            caption = replace(caption, standing=FINAL_WORDS)
        column_px = None if site_px is None else site_px - area.left
        arrows = [arrow.seen_from(area) for arrow in shown.arrows]
        images.append(
            draw_overlay(frame.pixels, boundaries, caption, site_column_px=column_px, arrows=arrows)
        )
    return np.hstack(images)


def cut_out(frame: Frame, boundaries: Boundaries, area: ImageArea) -> tuple[Frame, Boundaries]:
    """Cut a frame and its edges to the ultrasound image: what lies around it may name a person."""
    return (
        Frame(frame.index, frame.time_s, frame.pixels[area.slices]),
        Boundaries(
            boundaries.column_px - area.left,
            boundaries.superficial_px - area.top,
            boundaries.deep_px - area.top,
            boundaries.confidence.copy(),
        ),
    )


def key_indices(analysis: Analysis) -> dict[int, str]:
    """Frames to show: the middle of the first rest and of the first contraction."""
    chosen: dict[int, str] = {}
    for state in KEY_STATES:
        for window in analysis.efforts.windows:
            if window.state == state:
                chosen.setdefault((window.first + window.last) // 2, state)
                break
    return chosen or {0: "rest"}
