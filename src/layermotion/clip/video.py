"""Owns reading video files: grey frames with their true time stamps."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.stream import Disposition
from av.video.reformatter import ColorRange
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.clip.damage import DECODE_ERRORS
from layermotion.clip.reading import (
    MOST_FRAMES,
    MOST_PIXELS,
    Reading,
    checked,
    is_frame_rate,
    sample_indices,
)
from layermotion.clip.survey import find_gaps, survey
from layermotion.errors import InputError

# Containers that are opened. Play lists and text formats are left out on purpose: they can point
# at other files or hosts, and a source is untrusted.
CONTAINERS = "mov,mp4,avi,matroska,webm,gif,asf,mpeg,mpegts"
# Pixel formats of 8 bits whose first plane is luminance.
LUMINANCE_FIRST = set("yuv420p yuv422p yuv444p yuvj420p yuvj422p yuvj444p nv12".split())
# Luminance is stored as 16 for black to 235 for white unless marked as full (Rec. ITU-R BT.601).
FULL_RANGE = np.clip(np.rint((np.arange(256) - 16) * 255 / 219), 0, 255).astype(np.uint8)
# PyAV reads titles of another encoding than UTF-8 by itself from version 19 on, and must be told so
# before.
TOLERANT: dict[str, Any] = (
    {} if int(av.__version__.split(".")[0]) >= 19 else {"metadata_errors": "replace"}
)
VIDEO_REMEDY = "give a video (mp4, mov, avi, webm, gif), an image or a DICOM file"


def read_video(path: Path, frame_rate_hz: float | None) -> Reading:
    """Open a video; frames are decoded one at a time in order of presentation.

    Parameters
    ----------
    path
        A file of one of ``CONTAINERS``.
    frame_rate_hz
        The user's frame rate, which wins over the time stamps, or None.

    Raises
    ------
    InputError
        If the file is no video, is empty, cannot be decoded, or changes its size on the way.
    """
    name = path.name
    with _opened(path) as container:
        stream = container.streams.video[0]
        codec = stream.codec_context.name
        container_name = container.format.name
        aspect = stream.sample_aspect_ratio or Fraction(1)
        videos = sum(not _is_attached(each) for each in container.streams.video)
        stated_rate = stream.average_rate or stream.guessed_rate
        found = survey(container)
        stamps = sorted_stamps(found.stamps)
        if not stamps:
            raise InputError(f"{name} holds no video frame; export the clip again.")
        stored = _count_stored(path) if stream.frames > len(stamps) else len(stamps)
        cautions = list(find_gaps(path, container, found, stored))
    if len(stamps) > MOST_FRAMES:
        raise InputError(
            f"{name} holds {len(stamps)} frames, more than {MOST_FRAMES}; export a shorter clip."
        )
    average_rate_hz = float(stated_rate or 0)
    has_rate = is_frame_rate(average_rate_hz)
    # AVI counts frames of one rate; what FFmpeg gives as its time stamps is out of order.
    is_constant = container_name == "avi" and has_rate
    fixed_rate_hz = frame_rate_hz or (average_rate_hz if is_constant else None)
    is_broken = None in stamps or len(set(stamps)) < len(stamps)
    if fixed_rate_hz is None and is_broken and not has_rate and len(stamps) > 1:
        raise InputError(
            f"{name} holds {len(stamps)} frames without usable times; "
            f"give the frame rate with --fps."
        )
    # Without a caution on opening there is no repair while reading.
    step_s = 1.0 / average_rate_hz if is_broken and has_rate else None

    def read() -> Iterator[Frame]:
        with _opened(path) as container:
            yield from checked(_decode(container, fixed_rate_hz, step_s, name), shape, name)

    samples, quarter_turns = _sample(path)
    shape = samples[0].shape
    if frame_rate_hz is not None:
        cautions.append(
            f"The given frame rate of {frame_rate_hz:g} Hz replaces the file's time stamps."
        )
    elif is_broken and not is_constant:
        cautions.append(
            "Some time stamps are missing or repeated; they were filled in from the average frame "
            f"rate of {average_rate_hz:g} Hz."
        )
    if videos > 1:
        cautions.append(
            f"The file holds {videos} videos; the first one, of {shape[0]} rows and {shape[1]} "
            f"columns, is measured."
        )
    if aspect not in (0, 1):
        # A picture that is turned by a quarter has its stored columns as rows.
        wide = float(aspect) if quarter_turns % 2 == 0 else 1 / float(aspect)
        cautions.append(
            f"The video asks to be shown with pixels {wide:.3g} times as wide as high; give the "
            f"calibration as ROW,COLUMN of the pixels as they are measured."
        )
    if quarter_turns:
        cautions.append(
            f"The video asks to be shown turned by {90 * quarter_turns} degrees counter-clockwise; "
            f"it is measured that way."
        )
    rate_source = "rate of the container" if is_constant else "time stamps"
    if frame_rate_hz is not None:
        rate_source = "given by the user"
    return Reading(
        frame_shape=(shape[0], shape[1]),
        frame_count=len(stamps),
        read=read,
        samples=samples,
        is_still=len(stamps) == 1,
        spacing_reason="a video states no pixel size",
        cautions=tuple(cautions),
        provenance={
            "format": container_name,
            "codec": codec,
            "frame_rate_source": rate_source,
        },
    )


def sorted_stamps(stamps: Iterable[int | None]) -> list[int | None]:
    """Put packet time stamps in order of presentation, missing ones first.

    Examples
    --------
    >>> sorted_stamps([0, 3, None, 1])
    [None, 0, 1, 3]
    """
    return sorted(stamps, key=lambda stamp: (stamp is not None, stamp or 0))


def repaired_times(
    times_s: Iterable[float | None], step_s: float | None, name: str = "The video"
) -> Iterator[float]:
    """Shift times to start at 0 and replace each missing or non-increasing one.

    Parameters
    ----------
    times_s
        Presentation times as stored, s.
    step_s
        Mean time between frames, s, used for a repair; None where the file states none.
    name
        What an error calls the video.

    Raises
    ------
    InputError
        If a repair is needed and there is no step.

    Examples
    --------
    >>> list(repaired_times([2.0, 2.5, None, 2.5, 4.0], 0.25))
    [0.0, 0.5, 0.75, 1.0, 2.0]
    """
    start_s: float | None = None
    last_s: float | None = None
    for stored_s in times_s:
        if last_s is None:
            start_s, last_s = stored_s, 0.0
        elif stored_s is not None and start_s is not None and stored_s - start_s > last_s:
            last_s = stored_s - start_s
        elif step_s is not None:
            last_s += step_s
        else:
            raise InputError(
                f"{name} has time stamps that do not increase; give the frame rate with --fps."
            )
        yield last_s


def _count_stored(path: Path) -> int:
    """Count frames with those that an edit list (ISO 14496-12, 8.6.6) leaves out."""
    with _opened(path, ignore_editlist="1") as container:
        return len(survey(container).stamps)


@contextmanager
def _opened(path: Path, **options: str) -> Iterator[av.container.InputContainer]:
    """Open a video file; every FFmpeg error inside the block becomes one sentence."""
    try:
        # An open file, not a path: FFmpeg then cannot follow names to other files.
        with (
            path.open("rb") as file,
            av.open(
                file,
                mode="r",
                options={"format_whitelist": CONTAINERS} | options,
                **TOLERANT,
            ) as container,
        ):
            if not container.streams.video:
                raise InputError(f"{path.name} holds no video; {VIDEO_REMEDY}.")
            decoder = container.streams.video[0].codec_context
            if decoder is None:
                raise InputError(f"{path.name} holds a video of an unknown kind; {VIDEO_REMEDY}.")
            # A frame beyond any screen's size is refused before it takes memory.
            decoder.options = {"max_pixels": str(MOST_PIXELS)}
            decoder.thread_type = "AUTO"
            yield container
    except (av.error.FFmpegError, *DECODE_ERRORS) as error:
        raise InputError(
            f"{path.name} cannot be read as a video or image; {VIDEO_REMEDY}."
        ) from error


def _decode(
    container: av.container.InputContainer,
    fixed_rate_hz: float | None,
    step_s: float | None,
    name: str,
) -> Iterator[Frame]:
    """Grey frames with times, from an open container."""
    pictures = container.decode(container.streams.video[0])
    if fixed_rate_hz is not None:
        for index, picture in enumerate(pictures):
            yield Frame(index, index / fixed_rate_hz, _grey(picture, name))
        return
    # One picture is held at a time; its time goes through ``repaired_times`` beside it.
    held: list[av.VideoFrame] = []

    def stored_times() -> Iterator[float | None]:
        for picture in pictures:
            held[:] = [picture]
            yield picture.time

    for index, time_s in enumerate(repaired_times(stored_times(), step_s, name)):
        yield Frame(index, time_s, _grey(held[0], name))


def _grey(picture: av.VideoFrame, name: str) -> NDArray[np.uint8]:
    """Luminance of one picture, turned as the file asks; refuse a damaged or mirrored one."""
    if picture.is_corrupt:
        when = "" if picture.time is None else f" at {picture.time:.2f} s"
        raise InputError(f"{name} has a damaged picture{when}; copy it again from the scanner.")
    if _is_mirrored(picture):
        raise InputError(
            f"{name} asks to be shown mirrored, so it is not known which way is lateral; export it "
            f"as the scanner shows it."
        )
    turns, remainder = divmod(int(picture.rotation), 90)
    if remainder:
        raise InputError(
            f"{name} asks to be shown turned by {picture.rotation} degrees; "
            f"export it upright or turned by a multiple of 90 degrees."
        )
    return np.ascontiguousarray(np.rot90(luminance(picture), turns))


def _is_mirrored(picture: av.VideoFrame) -> bool:
    """Whether the file asks to show the picture mirrored, as its display matrix says.

    The first two numbers of its first two rows take positions to the screen (ISO 14496-12, 8.3.2);
    they mirror where their determinant is negative.
    """
    stated: Any = picture.side_data.get("DISPLAYMATRIX")
    if stated is None:
        return False
    a, b, _, c, d = np.frombuffer(stated, np.int32)[:5].tolist()
    return bool(a * d < b * c)


def _is_attached(stream: av.VideoStream) -> bool:
    """Whether a stream is a picture that comes with the file, such as its cover."""
    return bool(stream.disposition & Disposition.attached_pic)


def luminance(picture: av.VideoFrame) -> NDArray[np.uint8]:
    """Grey 0 to 255 of one picture, shape (rows, columns).

    The usual formats hold it as their first plane, in a third of the time that FFmpeg's conversion
    takes for the same values.
    """
    if picture.format.name not in LUMINANCE_FIRST:
        return np.asarray(picture.to_ndarray(format="gray"), np.uint8)
    plane = picture.planes[0]
    stored = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
    stored = stored[: picture.height, : picture.width]
    is_full = picture.color_range == ColorRange.JPEG or picture.format.name.startswith("yuvj")
    # A copy, because the buffer dies with the picture.
    return stored.copy() if is_full else np.asarray(cv2.LUT(stored, FULL_RANGE), np.uint8)


def _sample(path: Path) -> tuple[tuple[NDArray[np.uint8], ...], int]:
    """Decode a few pictures spread over the clip, and the quarter turns they were given."""
    samples: list[NDArray[np.uint8]] = []
    with _opened(path) as container:
        stream = container.streams.video[0]
        start, span = stream.start_time or 0, stream.duration or 0
        first = next(container.decode(stream), None)
        if first is None:
            raise InputError(f"{path.name} holds no frame that can be decoded; export it again.")
        samples.append(_grey(first, path.name))
        for thousandth in sample_indices(1000)[1:]:
            container.seek(start + span * thousandth // 1000, stream=stream)
            later = next(container.decode(stream), None)
            if later is not None:
                samples.append(_grey(later, path.name))
    same_size = tuple(sample for sample in samples if sample.shape == samples[0].shape)
    return same_size, int(first.rotation) // 90 % 4
