"""Owns rest against contraction in still images: two files, or one with two images side by side."""

import hashlib
from collections.abc import Iterator, Sequence
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip, Frame, clip_id_of
from layermotion.clip.marks import find_marks
from layermotion.clip.screen import find_image_areas
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing


class Shows(StrEnum):
    """What a single image shows; two states stand side by side, named from left to right."""

    REST = "rest"
    CONTRACTED = "contracted"
    REST_CONTRACTED = "rest+contracted"
    CONTRACTED_REST = "contracted+rest"


SPLIT = (Shows.REST_CONTRACTED, Shows.CONTRACTED_REST)
# Two images on one screen are one size; what the search finds may differ by this part (our choice).
SIZE_TOLERANCE = 0.1

STILL_CAUTION = (
    "Rest and contraction are single still images: they do not show whether each state was steady, "
    "nor how long it was held."
)


def open_recording(sources: Sequence[Path], shows: Shows | None, options: SourceOptions) -> Clip:
    """Open a clip or a single still; a pair of stills or a split screen as a clip of two frames.

    Parameters
    ----------
    sources
        One path, or the still at rest and the contracted one.
    shows
        What a single image shows.

    Raises
    ------
    InputError
        As ``open_clip``, ``open_pair`` and ``open_split`` do.
    """
    if len(sources) == 2:
        return open_pair(sources[0], sources[1], options)
    if shows in SPLIT:
        return open_split(sources[0], shows, options)
    return open_clip(sources[0], options)


def open_pair(rest: Path, contracted: Path, options: SourceOptions) -> Clip:
    """Open a still at rest and a contracted one as a clip of two frames.

    Raises
    ------
    InputError
        If one is no still, or their sizes or scales differ.
    """
    first, second = (open_clip(path, options) for path in (rest, contracted))
    for clip in (first, second):
        if not clip.is_still:
            raise InputError(
                f"{clip.source_name} is not a single image; leave out what it shows, and the "
                f"clip is searched for rest and contraction."
            )
    if first.frame_shape != second.frame_shape:
        raise InputError(
            f"{first.source_name} has {first.frame_shape[0]} x {first.frame_shape[1]} pixels and "
            f"{second.source_name} has {second.frame_shape[0]} x {second.frame_shape[1]}; a pair "
            f"of stills needs one size."
        )
    if first.clip_id == second.clip_id:
        raise InputError(
            f"{first.source_name} and {second.source_name} are the same picture; give one at rest "
            f"and one contracted."
        )
    if _scale(first.spacing) != _scale(second.spacing):
        raise InputError(
            f"{first.source_name} and {second.source_name} have different pixel sizes; record "
            f"both at one depth, or state the size with --mm-per-pixel."
        )
    pixels = [next(clip.frames()).pixels for clip in (first, second)]
    cautions = tuple(dict.fromkeys((*first.cautions, *second.cautions)))
    return _two_frames(first, pixels, first.area, (first.clip_id, second.clip_id), cautions)


def open_split(source: Path, shows: Shows, options: SourceOptions) -> Clip:
    """Open one still with two images side by side as a clip of two frames, rest first.

    Raises
    ------
    InputError
        If it is no still, or does not hold two images of one size side by side.
    """
    clip = open_clip(source, options, is_split=True)
    pixels = next(clip.frames()).pixels
    areas = find_image_areas([pixels]) if clip.is_still else ()
    beside = sorted(areas, key=lambda area: area.left)
    if len(beside) != 2 or beside[0].left + beside[0].width > beside[1].left:
        raise InputError(
            f"{source.name} does not show two images side by side; cut the screen to them, or "
            f"give the images as two files."
        )
    sizes = np.array([(area.height, area.width) for area in beside])
    if (np.ptp(sizes, axis=0) > SIZE_TOLERANCE * sizes.max(axis=0)).any():
        raise InputError(
            f"{source.name} shows two images of different sizes; both need one scale, so give "
            f"them as two files with --mm-per-pixel."
        )
    height, width = (int(size) for size in sizes.min(axis=0))
    for cover in [find_marks([pixels], area) for area in beside]:
        pixels = cover.hide(pixels)
    cuts = [pixels[a.top : a.top + height, a.left : a.left + width] for a in beside]
    if shows is Shows.CONTRACTED_REST:
        cuts.reverse()
    left, right = shows.split("+")
    caution = f"On the split screen the left image is stated to show {left}, the right {right}."
    ids = (clip.clip_id, str(shows))
    return _two_frames(clip, cuts, ImageArea(0, 0, height, width), ids, (*clip.cautions, caution))


def _scale(spacing: Spacing | None) -> tuple[float, float] | None:
    return (spacing.row_mm, spacing.column_mm) if spacing else None


def _two_frames(
    clip: Clip,
    pixels: list[NDArray[np.uint8]],
    area: ImageArea,
    ids: tuple[str, str],
    cautions: tuple[str, ...],
) -> Clip:
    frames = [Frame(index, float(index), image) for index, image in enumerate(pixels)]

    def read() -> Iterator[Frame]:
        yield from frames

    return Clip(
        clip_id=clip_id_of(hashlib.sha256("".join(ids).encode()).hexdigest()),
        source_name=clip.source_name,
        frame_shape=(frames[0].pixels.shape[0], frames[0].pixels.shape[1]),
        frame_count=2,
        spacing=clip.spacing,
        spacing_reason=clip.spacing_reason,
        area=area,
        view=clip.view,
        task=clip.task,
        is_still=True,
        read=read,
        cautions=(*cautions, STILL_CAUTION),
        provenance={**clip.provenance, "frames": "a still at rest and a contracted one"},
    )
