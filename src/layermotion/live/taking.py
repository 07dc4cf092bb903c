"""Owns where live frames come from: a capture device, or a clip played at its own speed."""

import re
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip, Frame
from layermotion.clip.reading import SAMPLE_COUNT, Reading
from layermotion.clip.screen import seen_images
from layermotion.clip.source import SourceOptions, clip_of, open_clip
from layermotion.errors import InputError
from layermotion.geometry import ImageArea

# A capture device is named by its number or its path.
DEVICE = re.compile(r"\d+|/dev/video\d+")
# Frames between two looks at a device's screen for its image area (our choice: a third of a second
# at 30 frames/s, so that tissue has moved).
BETWEEN_SAMPLES = 10
# An image lower than this part of the screen is an icon, or that of a probe without contact (our
# choice: no scanner shows its live image so small).
LEAST_PART = 0.25
# An image as high as at the start, within this part of its height, has the scale that was told
# then (our choice: in most generated clips it is found to vary by less than 0.03).
SAME_PART = 0.05
# It may be lower for so many looks: tissue that hardly moves is dark below, and contact is lost for
# a moment (our choice: 20 s at 30 frames/s).
LOOKS = 12
# What live frames are called until some of them are measured as a clip.
LIVE_ID = "live"


@dataclass(frozen=True, eq=False)
class Taken:
    """A frame as it was taken.

    Parameters
    ----------
    frame
        Its image area alone; ``time_s`` counts from the first frame.
    at_s
        When it was taken, seconds of the system's clock.
    """

    frame: Frame
    at_s: float


class Source(Protocol):
    """Gives frames in real time."""

    clip: Clip
    """How the frames lie: an image area without a screen around it, and its scale."""

    is_scale_known: bool
    """Whether that scale is still the one of the frames."""

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Yield frames as they come, until they end or ``stop`` is set."""
        ...


def is_device(source: str) -> bool:
    """Tell whether a source is a capture device.

    Examples
    --------
    >>> is_device("0"), is_device("/dev/video2"), is_device("drawin.mp4")
    (True, True, False)
    """
    return DEVICE.fullmatch(source) is not None


def device_path(device: int | str) -> Path:
    """Path of a capture device on Linux, of its number or of itself.

    Examples
    --------
    >>> str(device_path(0))
    '/dev/video0'
    """
    return Path(f"/dev/video{device}" if isinstance(device, int) else device)


def open_source(source: str, options: SourceOptions) -> Source:
    """Open a capture device or a clip.

    Raises
    ------
    InputError
        If it cannot be opened, or is a single image.
    """
    if is_device(source):
        return Device(int(source) if source.isdigit() else source, options)
    return Player(open_clip(Path(source), options))


def cut_to_image(clip: Clip) -> Clip:
    """Give the clip whose frames are the image area alone, before it has any."""
    area = ImageArea(0, 0, clip.area.height, clip.area.width)
    return replace(
        clip,
        clip_id=LIVE_ID,
        frame_shape=(area.height, area.width),
        frame_count=None,
        area=area,
        is_still=False,
        read=lambda: iter(()),
    )


class Player:
    """Plays a clip at its own speed; ``taken`` plays it again, with times that go on."""

    is_scale_known = True

    def __init__(self, clip: Clip) -> None:
        if clip.is_still:
            raise InputError(
                f"{clip.source_name} is a single image, and cannot be played; give a clip."
            )
        self._played, self.clip = clip, cut_to_image(clip)
        self._start_s: float | None = None
        self._count = 0

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Yield each frame when its time has come."""
        now_s = time.monotonic()
        self._start_s = now_s if self._start_s is None else self._start_s
        begin_s = now_s - self._start_s
        for frame in self._played.frames():
            time_s = begin_s + frame.time_s
            if stop.wait(max(0.0, self._start_s + time_s - time.monotonic())):
                return
            pixels = np.ascontiguousarray(frame.pixels[self._played.area.slices])
            yield Taken(Frame(self._count, time_s, pixels), time.time())
            self._count += 1


class Device:
    """A capture device, read through OpenCV.

    Parameters
    ----------
    device
        Its number or path.
    options
        What the user states of it; a screen states no pixel size. Where the depth of view is
        stated, an image is waited for, and its height is looked at again and again.
    """

    def __init__(self, device: int | str, options: SourceOptions) -> None:
        name = f"capture device {device}"
        # What is not there at all OpenCV would also report on its own, at length.
        is_there = sys.platform != "linux" or device_path(device).exists()
        self._capture = cv2.VideoCapture(device) if is_there else cv2.VideoCapture()
        if not self._capture.isOpened():
            raise InputError(
                f"The {name} cannot be opened; check that it is plugged in, and that no other "
                f"program uses it."
            )
        self._capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)  # old pictures are of no use
        self._name = name
        self._shape: tuple[int, ...] | None = None
        self._start_s: float | None = None
        self._indices = count()
        self._rests_on_height, self.is_scale_known = options.depth_mm is not None, True
        self._heights: deque[int] = deque(maxlen=LOOKS)
        self._samples = self._look()
        rows, columns = self._samples[0].shape
        while self._rests_on_height and self._height() < LEAST_PART * rows:
            self._samples = self._look()
        reading = Reading(
            frame_shape=(rows, columns),
            frame_count=None,
            read=self._read_on,
            samples=self._samples,
            is_still=False,
            spacing_reason="a capture device states no pixel size",
            provenance={"format": "capture device", "frame_rate_source": "time of capture"},
        )
        self._screen = clip_of(reading, options, LIVE_ID, name)
        self.clip = cut_to_image(self._screen)

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Yield each picture of the device; after a failure times and numbers go on."""
        for frame in self._screen.frames():
            if stop.is_set():
                return
            cut = np.ascontiguousarray(frame.pixels[self._screen.area.slices])
            yield Taken(replace(frame, pixels=cut), time.time())

    def _read_on(self) -> Iterator[Frame]:
        self._start_s = time.monotonic() if self._start_s is None else self._start_s
        for index in self._indices:
            pixels = self._read()
            time_s = time.monotonic() - self._start_s
            if index % BETWEEN_SAMPLES == 0:
                self._samples = (*self._samples[1:], pixels)
            if index % (BETWEEN_SAMPLES * SAMPLE_COUNT) == 0 and self._rests_on_height:
                self._heights.append(self._height())
                share = max(self._heights) / self._screen.area.height
                self.is_scale_known = abs(share - 1) <= SAME_PART
            yield Frame(index, time_s, pixels)

    def _look(self) -> tuple[NDArray[np.uint8], ...]:
        """Read a few pictures in which tissue has moved."""
        read = [self._read() for _ in range(1 + (SAMPLE_COUNT - 1) * BETWEEN_SAMPLES)]
        return tuple(read[::BETWEEN_SAMPLES])

    def _height(self) -> int:
        """Height of the image in the newest of these, px; 0 where there is none."""
        found = seen_images(self._samples)
        return found[0].height if found else 0

    def _read(self) -> NDArray[np.uint8]:
        is_read, picture = self._capture.read()
        if not is_read:
            raise InputError(f"The {self._name} gives no picture; check the cable and start again.")
        grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
        self._shape = self._shape or grey.shape
        if grey.shape != self._shape:
            raise InputError(f"The {self._name} changed the size of its pictures; start again.")
        return np.asarray(grey, np.uint8)
