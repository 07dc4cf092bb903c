"""Owns what every reader hands back, and the checks and names that the readers share."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.limits import FRAME_RATE_RANGE_HZ

# Frames looked at to find the image area, spread over the clip; enough to see past a moment of
# poor contact, few enough to open a clip at once (our choice).
SAMPLE_COUNT = 5
# No screen of a scanner has more pixels, and what is made of a few such frames fits into a
# gigabyte: twice those of a screen 3840 wide (our choice).
MOST_PIXELS = 2**24
# An hour at 25 frames a second, or 100 s at a thousand (our choice).
MOST_FRAMES = 100_000


@dataclass(frozen=True, eq=False)
class Reading:
    """A source as its reader understands it, before the user's options are applied.

    Parameters
    ----------
    frame_shape
        (rows, columns) of every frame.
    frame_count
        Number of frames where the container states it, else None.
    read
        Opens the source anew and yields ``Frame`` one at a time.
    samples
        A few grey frames, uint8 (rows, columns), spread over the clip.
    is_still
        True for a single image.
    spacing
        The file's own calibration, or None with ``spacing_reason`` set.
    spacing_reason
        Why the file gives no calibration.
    region
        Rectangle that the file names as ultrasound image, or None.
    cautions
        Sentences about the source that a report must show; no identity in them.
    choice
        Which of several images that the file names is measured, in a sentence.
    has_one_scale
        Whether all images that the file names have the same pixel size.
    provenance
        Facts about the source without identity.
    """

    frame_shape: tuple[int, int]
    frame_count: int | None
    read: Callable[[], Iterator[Frame]]
    samples: tuple[NDArray[np.uint8], ...]
    is_still: bool
    spacing: Spacing | None = None
    spacing_reason: str = "the file states no pixel size"
    region: ImageArea | None = None
    cautions: tuple[str, ...] = ()
    choice: tuple[str, ...] = ()
    has_one_scale: bool = True
    provenance: dict[str, str] = field(default_factory=dict)


def is_frame_rate(rate_hz: float) -> bool:
    """Tell whether a frame rate is possible.

    Examples
    --------
    >>> is_frame_rate(25.0), is_frame_rate(0.0), is_frame_rate(float("nan"))
    (True, False, False)
    """
    low, high = FRAME_RATE_RANGE_HZ
    return math.isfinite(rate_hz) and low <= rate_hz <= high


def check_size(name: str, rows: int, columns: int) -> None:
    """Refuse frames of no screen's size, before one of them is decoded."""
    if not 0 < rows * columns <= MOST_PIXELS:
        raise InputError(
            f"{name} has frames of {rows} x {columns} pixels, which no scanner makes; export it "
            f"again at the size of the screen."
        )


def sample_indices(frame_count: int) -> list[int]:
    """Spread ``SAMPLE_COUNT`` frames over a clip, first and last included.

    Examples
    --------
    >>> sample_indices(30)
    [0, 7, 14, 21, 29]
    >>> sample_indices(2)
    [0, 1]
    """
    return sorted({int(i) for i in np.linspace(0, frame_count - 1, SAMPLE_COUNT)})


def checked(frames: Iterator[Frame], shape: tuple[int, int], name: str) -> Iterator[Frame]:
    """Pass frames through, refusing a frame of another size or a source that ended up empty."""
    index = -1
    for index, frame in enumerate(frames):
        if frame.pixels.shape != shape:
            raise InputError(
                f"{name} changes from {shape[0]} x {shape[1]} to {frame.pixels.shape[0]} x "
                f"{frame.pixels.shape[1]} pixels at frame {index}; split it into clips of one size."
            )
        yield frame
    if index < 0:
        raise InputError(f"{name} holds no frame that can be decoded; export the clip again.")


def is_increasing(times_s: list[float]) -> bool:
    """Tell whether every time is finite and later than the one before."""
    return all(math.isfinite(t) for t in times_s) and all(a < b for a, b in pairwise(times_s))


def to_grey8(pixels: NDArray[np.unsignedinteger], white: int) -> NDArray[np.uint8]:
    """Map 0 to ``white`` onto 0 to 255 by one fixed rule, the same for every frame.

    Examples
    --------
    >>> to_grey8(np.array([0, 257, 65535], np.uint16), 65535).tolist()
    [0, 1, 255]
    """
    if pixels.dtype == np.uint8 and white == 255:
        return pixels.astype(np.uint8, copy=False)
    scaled = np.rint(pixels.astype(np.float64) * (255.0 / white))
    return np.clip(scaled, 0, 255).astype(np.uint8)
