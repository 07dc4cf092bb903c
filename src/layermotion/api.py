"""Owns the public Python interface: open a clip, measure it, segment a picture."""

from enum import StrEnum
from os import PathLike
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip
from layermotion.clip import source as sources
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import Task, View
from layermotion.network.picture import area_probabilities, full_size_label
from layermotion.network.segmenter import Segmenter, load_segmenter

Name = TypeVar("Name", bound=StrEnum)


def open_clip(
    source: str | PathLike[str],
    *,
    mm_per_pixel: tuple[float, float] | None = None,
    depth_mm: float | None = None,
    frame_rate_hz: float | None = None,
    view: View | str | None = None,
    task: Task | str | None = None,
) -> Clip:
    """Open a DICOM file, a video, a folder of images or a still.

    Parameters
    ----------
    source
        Path of a file or folder.
    mm_per_pixel
        (row, column) size of a pixel, mm; None takes that of the file, where it states one.
    depth_mm
        Depth of view over the height of the image area, mm, instead of a pixel size.
    frame_rate_hz
        Frames per second, for sources that state no times.
    view, task
        What the probe looks at and what the patient was asked to do, or the name of it, such as
        ``draw_in``; None where that is unknown.

    Returns
    -------
    Clip
        Checked; its frames are read one at a time by ``clip.frames()``, as often as wanted.

    Raises
    ------
    InputError
        If the source is missing, damaged, of no known kind, or lacks times, or an option is not
        possible.
    """
    options = sources.SourceOptions(
        _pair(mm_per_pixel), depth_mm, frame_rate_hz, _named(View, view), _named(Task, task)
    )
    return sources.open_clip(Path(source), options)


def measure(clip: Clip, *, site: str = "most-even", segmenter: Segmenter | None = None) -> Analysis:
    """Measure a clip: series over time, efforts, and measures with an interval or a reason.

    Every measure is a draft until a licensed clinician has looked at the image and confirmed it.

    Parameters
    ----------
    clip
        As ``open_clip`` gives it.
    site
        Where thickness is read: ``most-even``, ``muscle-centre``, ``image-centre`` or
        ``junction:MM``.
    segmenter
        Weights to use; None takes those that came with the package.

    Returns
    -------
    Analysis
        ``series.time_s`` has shape (frames,), s; ``series.get("thickness", "tra").value`` too, mm
        (pixels where the clip has no pixel size), NaN where a frame cannot be measured;
        ``measures`` is a tuple of ``Measure``.

    Raises
    ------
    InputError
        If there is no such site.
    MeasurementError
        If the clip has no frames, or shows neither view.
    WeightsError
        If the weights cannot be used, or their error is not known.
    """
    return analyse(clip, segmenter or load_segmenter(threads=1), parse_site(site), Recording())


def segment(
    pixels: NDArray[np.uint8],
    segmenter: Segmenter,
    *,
    mm_per_pixel: tuple[float, float] | None = None,
) -> NDArray[np.uint8]:
    """Label every pixel of a grey ultrasound image.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns): the image alone, without the screen around it.
    segmenter
        As ``load_segmenter`` gives it.
    mm_per_pixel
        (row, column) size of a pixel, mm; without it pixels count as square.

    Returns
    -------
    ndarray
        uint8, shape (rows, columns): 0 background, else the position in ``STRUCTURES`` plus 1.

    Raises
    ------
    InputError
        If the array is of another type or shape, or the pixel size is not possible.
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 2:
        raise InputError(
            f"An array of {pixels.dtype} with shape {pixels.shape} is no grey image; give uint8 "
            f"with shape (rows, columns)."
        )
    area = ImageArea(0, 0, *pixels.shape)
    pair = _pair(mm_per_pixel)
    spacing = Spacing(*pair, "given by the caller") if pair else None
    return full_size_label(area_probabilities(pixels, area, spacing, segmenter), area)


def _named(kind: type[Name], value: str | None) -> Name | None:
    """Give the member of that name: other code tells them apart by identity."""
    if value is None:
        return None
    if value in list(kind):
        return kind(value)
    raise InputError(f"There is no {kind.__name__.lower()} {value}; give one of {', '.join(kind)}.")


def _pair(mm_per_pixel: tuple[float, float] | None) -> tuple[float, float] | None:
    if mm_per_pixel is None:
        return None
    if np.shape(mm_per_pixel) != (2,):
        raise InputError(
            f"The pixel size {mm_per_pixel} is no pair of numbers; give its (row, column) size in "
            f"mm, such as (0.08, 0.11)."
        )
    row_mm, column_mm = map(float, mm_per_pixel)
    return row_mm, column_mm
