"""Owns pictures and videos of a clip with its edges drawn on; nothing is measured here."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import av
import cv2
import numpy as np
from av.video.stream import VideoStream

from layermotion.clip import Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.efforts.windows import Window
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.labels import STRUCTURES
from layermotion.report.arrows import Arrow
from layermotion.report.palette import INK, LOOKS, PAPER, rgb
from layermotion.report.strip import Caption, Strip, Trace, caption_of
from layermotion.report.strokes import SHIFT_BITS, Pixels, draw_strokes, strokes
from layermotion.series.series import Series

ENCODER: Final = "libx264"
# Fastest preset: speckle compresses badly at any preset, and the file is a working copy.
ENCODER_OPTIONS: Final = {"preset": "ultrafast", "crf": "23"}
# Ticks per second of the stored times: 0.01 ms, finer than any frame time (our choice).
TIME_BASE: Final = Fraction(1, 90_000)
# A canvas narrower than this could not hold the words beneath the image (our choice).
MINIMUM_WIDTH: Final = 480
# Length of an arrow's head and radius of the ring at its start, at the design width (our choice).
ARROW_HEAD_PX: Final = 9.0
ARROW_RING_PX: Final = 3.0


def draw_overlay(
    pixels: Pixels,
    boundaries: Boundaries | None,
    caption: Caption,
    *,
    site_column_px: float | None,
    arrows: Sequence[Arrow] = (),
) -> Pixels:
    """Draw the edges on one grey frame, with a strip of words beneath it.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns).
    boundaries
        Edges in pixels of this frame; None where nothing was found.
    caption
        The words beneath.
    site_column_px
        Column at which the layers are measured, or None.
    arrows
        Motion of tissue since rest, in pixels of this frame.

    Returns
    -------
    ndarray
        uint8, shape (rows + strip, columns or wider, 3), RGB; rows and columns are even.
    """
    canvas = _Canvas(pixels.shape, caption)
    return canvas.draw(pixels, boundaries, caption, site_column_px, arrows)


class OverlayWriter:
    """Writes a clip with its edges as an H.264 video; use it as a context manager.

    The video appears under its name only when the block ends well. Frame times are kept,
    counted from the first frame.

    Parameters
    ----------
    target
        Path of the mp4 file.
    frame_shape
        (rows, columns) of every frame.
    series, windows
        Values and states to write beneath each frame.

    Raises
    ------
    InputError
        If this build of PyAV has no H.264 encoder, the target cannot be written, or the block
        ends without a frame.
    """

    def __init__(
        self,
        target: Path,
        frame_shape: tuple[int, int],
        series: Series,
        windows: Sequence[Window] = (),
    ) -> None:
        self._target = target
        self._series = series
        self._windows = tuple(windows)
        first = caption_of(series, windows, 0)
        self._canvas = _Canvas(frame_shape, first, Trace.of(series, windows))
        self._first_s: float | None = None

    def __enter__(self) -> Self:
        self._opened = self._open()
        self._opened.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._opened.__exit__(kind, error, trace)

    def write(
        self,
        frame: Frame,
        boundaries: Boundaries | None,
        *,
        site_column_px: float | None,
        arrows: Sequence[Arrow] = (),
    ) -> None:
        """Draw and encode the next frame."""
        caption = caption_of(self._series, self._windows, frame.index)
        image = self._canvas.draw(frame.pixels, boundaries, caption, site_column_px, arrows)
        planes: Pixels = cv2.cvtColor(image, cv2.COLOR_RGB2YUV_I420).astype(np.uint8, copy=False)
        picture = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        if self._first_s is None:
            self._first_s = frame.time_s
        picture.time_base = TIME_BASE
        picture.pts = round((frame.time_s - self._first_s) / TIME_BASE)
        self._container.mux(self._stream.encode(picture))

    @contextmanager
    def _open(self) -> Iterator[None]:
        with (
            atomic_path(self._target) as temporary,
            av.open(
                str(temporary), "w", format="mp4", options={"movflags": "faststart"}
            ) as container,
        ):
            self._container = container
            self._stream = self._open_stream()
            yield
            if self._first_s is None:
                raise InputError(
                    f"{self._target.name} would be a video without a frame; give a clip "
                    f"with at least one frame."
                )
            container.mux(self._stream.encode())

    def _open_stream(self) -> VideoStream:
        try:
            stream = self._container.add_stream(ENCODER, options=dict(ENCODER_OPTIONS))
        except (av.codec.codec.UnknownCodecError, av.error.EncoderNotFoundError) as error:
            raise InputError(
                f"{self._target.name} cannot be written, because this build of PyAV has no "
                f"{ENCODER} encoder; install PyAV from its published wheels."
            ) from error
        stream.height, stream.width = self._canvas.shape
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = TIME_BASE
        # What cv2.COLOR_RGB2YUV_I420 computes: ITU-R BT.601, limited range.
        stream.codec_context.colorspace = av.video.reformatter.Colorspace.ITU601
        stream.codec_context.color_range = av.video.reformatter.ColorRange.MPEG
        stream.codec_context.thread_count = os.cpu_count() or 1
        return stream


class _Canvas:
    """The picture under construction: image above, strip beneath, drawn anew for each frame."""

    def __init__(
        self, frame_shape: tuple[int, ...], caption: Caption, trace: Trace | None = None
    ) -> None:
        self._rows, self._columns = frame_shape[:2]
        width = max(self._columns, MINIMUM_WIDTH)
        width += width % 2
        self._left = (width - self._columns) // 2
        structures = [structure for structure, _, _ in caption.values]
        self._strip = Strip(width, structures, trace, caption.standing)
        height = self._rows + self._strip.height
        height += height % 2
        self.shape = (height, width)
        self._image: Pixels = np.empty((height, width, 3), np.uint8)
        self._image[:] = rgb(PAPER)

    def draw(
        self,
        pixels: Pixels,
        boundaries: Boundaries | None,
        caption: Caption,
        site_column_px: float | None,
        arrows: Sequence[Arrow],
    ) -> Pixels:
        """Draw one frame; the array returned is drawn over by the next call."""
        tissue: Pixels = cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB).astype(np.uint8, copy=False)
        if boundaries is not None:
            _draw_edges(tissue, boundaries, thickness=max(1, round(self._strip.scale)))
            if site_column_px is not None:
                _draw_site(tissue, boundaries, site_column_px)
        for arrow in arrows:
            _draw_arrow(tissue, arrow, self._strip.scale)
        self._image[: self._rows, self._left : self._left + self._columns] = tissue
        pointer_px = None if site_column_px is None else self._left + site_column_px
        place = self._image[self._rows : self._rows + self._strip.height]
        self._strip.draw(place, caption, pointer_px)
        return self._image


def _draw_edges(image: Pixels, boundaries: Boundaries, thickness: int) -> None:
    for place, structure in enumerate(STRUCTURES):
        look = LOOKS[structure]
        for edge in (boundaries.superficial_px, boundaries.deep_px):
            line = strokes(boundaries.column_px, edge[place], look.pattern_px)
            draw_strokes(image, line, look.image_rgb, thickness)


def _draw_arrow(image: Pixels, arrow: Arrow, scale: float) -> None:
    """Draw from where the tissue lay to where it lies, light on a dark rim, with a ring at rest."""
    ends = np.array(
        [
            [arrow.from_column_px, arrow.from_row_px],
            [arrow.to_column_px, arrow.to_row_px],
        ]
    )
    start, tip = np.round(ends * 2**SHIFT_BITS).astype(int).tolist()
    head = min(0.5, ARROW_HEAD_PX * scale / arrow.length_px)
    radius = round(ARROW_RING_PX * scale * 2**SHIFT_BITS)
    thin = max(1, round(1.5 * scale))
    for colour, thickness in ((rgb(INK), thin + 2), (LOOKS[arrow.structure].image_rgb, thin)):
        cv2.circle(image, start, radius, colour, thickness, cv2.LINE_AA, SHIFT_BITS)
        cv2.arrowedLine(image, start, tip, colour, thickness, cv2.LINE_AA, SHIFT_BITS, head)


def _draw_site(image: Pixels, boundaries: Boundaries, site_column_px: float) -> None:
    """Dot the measured column from the first edge to the last one."""
    nearest = int(np.abs(boundaries.column_px - site_column_px).argmin())
    edges = np.concatenate([boundaries.superficial_px[:, nearest], boundaries.deep_px[:, nearest]])
    edges = edges[np.isfinite(edges)]
    if edges.size == 0:
        return
    rows = np.arange(edges.min(), edges.max() + 1)
    columns = np.full(rows.shape, site_column_px)
    draw_strokes(image, strokes(columns, rows, (2, 5), along=rows), (255, 255, 255))
