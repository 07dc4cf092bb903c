"""Owns rest against contraction in still images: two files, or one with two images side by side."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis import Analysis
from layermotion.bladder import base_series, measure_bladder
from layermotion.clip import Clip, Frame
from layermotion.clip.screen import find_image_areas
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError, MeasurementError
from layermotion.events import Window
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import View
from layermotion.looking import (
    LEAST_RECOGNISED,
    LEAST_STATED,
    NOT_RECOGNISED,
    decide_view,
    edges_in,
    look_at,
)
from layermotion.recording import Recording
from layermotion.second_look import agreed_thickness, look_again
from layermotion.segment import ModelGrid, Segmenter
from layermotion.series import Scale, Series
from layermotion.session.plan import Shows
from layermotion.site import Site
from layermotion.uncertainty import check_judged, uncertainty
from layermotion.wall import UNSEEN_LAYER, measure_wall
from layermotion.wall_clip import WALL_METHOD

# Rest is the first frame of a pair, the contraction the second.
WINDOWS = (Window("rest", 0, 0, 1), Window("contracted", 1, 1, 1))
# Two images on one screen are one size; what the search finds may differ by this part (our choice).
SIZE_TOLERANCE = 0.1
STILL_METHOD = "Rest and contraction are one still image each, chosen by the person who froze them."
BASE_METHOD = (
    "Depth of the bladder's deep wall where it moves most, relative to the still at rest. "
    f"{STILL_METHOD} Positive is a lift towards the probe."
)
STILL_CAUTION = (
    "Rest and contraction are single still images: whether each shows the level part of its state, "
    "and how long it was held, cannot be told from them."
)
PROBE_UNKNOWN = (
    "Between two still images the movement of the probe is unknown, so it is part of the "
    "displacement of the bladder base."
)


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
            f"{second.source_name} {second.frame_shape[0]} x {second.frame_shape[1]}; a pair of "
            f"stills needs one size."
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
    clip = open_clip(source, options)
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
    cuts = [pixels[a.top : a.top + height, a.left : a.left + width] for a in beside]
    if shows is Shows.CONTRACTED_REST:
        cuts.reverse()
    left, right = shows.split("+")
    caution = f"On the split screen the left image is stated to show {left}, the right {right}."
    # The area that opening chose is one of the two, which is said better here.
    own = tuple(words for words in clip.cautions if not words.startswith("The screen shows"))
    ids = (clip.clip_id, str(shows))
    return _two_frames(clip, cuts, ImageArea(0, 0, height, width), ids, (*own, caution))


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
        clip_id=hashlib.sha256("".join(ids).encode()).hexdigest()[:8],
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


def analyse_pair(clip: Clip, segmenter: Segmenter, site: Site, recording: Recording) -> Analysis:
    """Measure a pair of stills; both at the same column of the picture.

    Raises
    ------
    MeasurementError
        If the pictures show neither view.
    """
    check_judged(segmenter)
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
    looks = [look_at(frame, segmenter, grid) for frame in clip.frames()]
    view, view_reason = decide_view(clip, np.array([look.view for look in looks]))
    if view is None:
        raise MeasurementError(f"{clip.source_name}: {NOT_RECOGNISED}")
    least = LEAST_STATED if clip.view else LEAST_RECOGNISED
    edges = [edges_in(look, grid, view, least) for look in looks]
    for boundaries in edges:
        recording.append(boundaries)
    time_s = np.array([look.frame.time_s for look in looks])
    scale = Scale.of(clip.spacing, clip.area.width)
    task = str(clip.task)
    cautions: tuple[str, ...] = ()
    if view is View.ABDOMINAL_WALL:
        site_px, words = site.place(edges, clip)
        again = {
            index: look_again(look.frame, segmenter, grid, clip.spacing)
            for index, look in enumerate(looks)
            if edges[index].confidence.any()
        }
        thickness, cautions = agreed_thickness(edges, again, site_px, scale, grid)
        series = Series(clip.clip_id, time_s, thickness)
        method = f"{WALL_METHOD} {STILL_METHOD}"
        method = f"{method} {words}" if site_px is not None else method
        unseen = UNSEEN_LAYER if site_px is not None else words
        error = uncertainty(segmenter, grid, series)
        measures = measure_wall(series, WINDOWS, task, error, method, unseen)
    else:
        base, site_px = base_series(edges, scale, time_s)
        series = Series(clip.clip_id, time_s, (base,))
        error = uncertainty(segmenter, grid, series)
        measures = measure_bladder(series, WINDOWS, task, error, BASE_METHOD)
        cautions = (PROBE_UNKNOWN,)
    return Analysis(clip, view, view_reason, series, WINDOWS, measures, site_px, cautions)
