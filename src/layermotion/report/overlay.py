"""Owns pictures and videos of a clip with its edges drawn on; nothing is measured here."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import av
import cv2
import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from layermotion.boundaries import Boundaries
from layermotion.clip import Frame
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.labels import STRUCTURES, Structure
from layermotion.measures import Window
from layermotion.report.palette import (
    CONTRACTED_TINT,
    FAINT_INK,
    INK,
    LOOKS,
    PAPER,
    RULE,
    Look,
    rgb,
)
from layermotion.series import Quantity, Series

Pixels = NDArray[np.uint8]
Colour = tuple[int, int, int]

ENCODER: Final = "libx264"
# Fastest preset: speckle compresses badly at any preset, and the file is a working copy.
ENCODER_OPTIONS: Final = {"preset": "ultrafast", "crf": "23"}
# Ticks per second of the stored times: 0.01 ms, finer than any frame time (our choice).
TIME_BASE: Final = Fraction(1, 90_000)
# Fractional bits that cv2 reads from a coordinate: edges are placed to 1/16 pixel.
SHIFT_BITS: Final = 4
# A canvas narrower than this could not hold the words beneath the image (our choice).
MINIMUM_WIDTH: Final = 480
# Text and strip keep their size relative to this width (our choice).
DESIGN_WIDTH: Final = 800
DRAFT_WORDS: Final = "draft - clinician to confirm"
NOT_MEASURABLE: Final = "not measurable"


@dataclass(frozen=True)
class Caption:
    """What the strip beneath the image says about one frame.

    Parameters
    ----------
    time_s
        Time stamp of the frame, s; None for a still.
    state
        ``rest``, ``contracted``, ``not measurable`` or another plain word.
    values
        Structure, value and unit of each quantity in anatomical order; NaN where missing.
    """

    time_s: float | None
    state: str
    values: tuple[tuple[Structure, float, str], ...]


def draw_overlay(
    pixels: Pixels,
    boundaries: Boundaries | None,
    caption: Caption,
    *,
    site_column_px: float | None,
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

    Returns
    -------
    ndarray
        uint8, shape (rows + strip, columns or wider, 3), RGB; rows and columns are even.
    """
    canvas = _Canvas(pixels.shape, caption.values)
    return canvas.draw(pixels, boundaries, caption, site_column_px)


def write_png(target: Path, image: Pixels) -> None:
    """Write an RGB image atomically.

    Raises
    ------
    InputError
        If ``target`` cannot be written.
    """
    with atomic_path(target) as temporary:
        Image.fromarray(image).save(temporary, format="PNG")


def caption_of(series: Series, windows: Sequence[Window], index: int) -> Caption:
    """Words for frame ``index``: its values, and the window that it lies in."""
    shown = _shown_quantities(series)
    values = tuple(
        (Structure(quantity.structure), float(quantity.value[index]), quantity.unit)
        for quantity in shown
    )
    if all(np.isnan(value) for _, value, _ in values):
        state = NOT_MEASURABLE
    else:
        inside = (window.state for window in windows if window.first <= index <= window.last)
        state = next(inside, "in between")
    return Caption(float(series.time_s[index]), state, values)


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
        values = caption_of(series, windows, 0).values
        self._canvas = _Canvas(frame_shape, values, _Trace.of(series, windows))
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
        self, frame: Frame, boundaries: Boundaries | None, *, site_column_px: float | None
    ) -> None:
        """Draw and encode the next frame."""
        caption = caption_of(self._series, self._windows, frame.index)
        image = self._canvas.draw(frame.pixels, boundaries, caption, site_column_px)
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

    def _open_stream(self) -> av.VideoStream:
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


@dataclass(frozen=True, eq=False)
class _Trace:
    """What the small trace in the strip shows: lines and shaded windows on one time axis."""

    time_s: NDArray[np.float64]
    quantities: tuple[Quantity, ...]
    contracted_s: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, series: Series, windows: Sequence[Window]) -> "_Trace":
        spans = tuple(
            (float(series.time_s[window.first]), float(series.time_s[window.last]))
            for window in windows
            if window.state != "rest"
        )
        return cls(series.time_s, _shown_quantities(series), spans)

    def place(self, time_s: float, left: int, width: int) -> int:
        """Column of a time in a box that starts at ``left``."""
        span = float(self.time_s[-1] - self.time_s[0]) or 1.0
        return left + round((time_s - float(self.time_s[0])) / span * (width - 1))


class _Canvas:
    """The picture under construction: image above, strip beneath, drawn anew for each frame."""

    def __init__(
        self,
        frame_shape: tuple[int, ...],
        values: Sequence[tuple[Structure, float, str]],
        trace: _Trace | None = None,
    ) -> None:
        rows, columns = frame_shape
        width = max(columns, MINIMUM_WIDTH)
        width += width % 2
        self._scale = min(max(width / DESIGN_WIDTH, 0.7), 2.5)
        height = rows + self._px(112)
        height += height % 2
        self.shape = (height, width)
        self._rows, self._left = rows, (width - columns) // 2
        self._columns = columns
        self._trace = trace
        self._value_place = {
            structure: (self._px(156 + 136 * (place // 2)), self._px(22 + 30 * (place % 2)))
            for place, (structure, _, _) in enumerate(values)
        }
        middle_end = self._px(156 + 136 * ((len(values) + 1) // 2) + 14)
        self._trace_box = (
            middle_end,
            self._px(12),
            width - middle_end - self._px(16),
            self._px(58),
        )
        self._image = np.empty((height, width, 3), np.uint8)
        self._image[:] = rgb(PAPER)
        self._strip = self._image[rows:].copy()
        self._draw_fixed_strip()

    def draw(
        self,
        pixels: Pixels,
        boundaries: Boundaries | None,
        caption: Caption,
        site_column_px: float | None,
    ) -> Pixels:
        """Draw one frame; the array returned is drawn over by the next call."""
        tissue: Pixels = cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB).astype(np.uint8, copy=False)
        if boundaries is not None:
            _draw_edges(tissue, boundaries, thickness=max(1, round(self._scale)))
            if site_column_px is not None:
                _draw_site(tissue, boundaries, site_column_px)
        self._image[: self._rows, self._left : self._left + self._columns] = tissue
        strip = self._image[self._rows :]
        strip[:] = self._strip
        self._draw_words(strip, caption)
        if site_column_px is not None:
            self._draw_pointer(strip, site_column_px)
        if self._trace is not None and caption.time_s is not None:
            left, top, width, height = self._trace_box
            column = self._trace.place(caption.time_s, left, width)
            strip[top : top + height, column : column + self._px(2)] = rgb(INK)
        return self._image

    def _px(self, length: float) -> int:
        return max(1, round(length * self._scale))

    def _draw_fixed_strip(self) -> None:
        strip = self._strip
        for structure, (left, middle) in self._value_place.items():
            look = LOOKS[structure]
            self._draw_swatch(look, left, middle)
            self._write(strip, look.short_name, left + self._px(36), middle, 14, look.paper_rgb)
        strip[self._px(84), self._px(16) : -self._px(16)] = rgb(RULE)
        self._write(strip, DRAFT_WORDS, self._px(16), self._px(98), 14, rgb(INK), bold=True)
        if self._trace is not None:
            self._draw_trace(strip, self._trace)

    def _draw_swatch(self, look: Look, left: int, middle: int) -> None:
        """Show a line as it looks on the image: light, on a dark chip."""
        width, half = self._px(30), self._px(7)
        self._strip[middle - half : middle + half, left : left + width] = rgb(INK)
        columns = np.arange(left + 3, left + width - 3)
        rows = np.full(columns.shape, middle)
        strokes = list(_strokes(columns, rows, look.pattern_px, along=columns - left - 3))
        cv2.polylines(self._strip, strokes, False, look.image_rgb, 2, cv2.LINE_AA, SHIFT_BITS)

    def _draw_trace(self, strip: Pixels, trace: _Trace) -> None:
        left, top, width, height = self._trace_box
        for first_s, last_s in trace.contracted_s:
            first, last = (trace.place(time_s, left, width) for time_s in (first_s, last_s))
            strip[top : top + height, first : last + 1] = rgb(CONTRACTED_TINT)
        strip[top + height, left : left + width] = rgb(FAINT_INK)
        values = [quantity.value[np.isfinite(quantity.value)] for quantity in trace.quantities]
        finite = np.concatenate([np.empty(0), *values])
        if finite.size == 0:
            return
        low, high = min(0.0, float(finite.min())), max(0.0, float(finite.max()))
        step = (height - self._px(4)) / ((high - low) or 1.0)
        columns = np.array([trace.place(time_s, left, width) for time_s in trace.time_s.tolist()])
        for quantity in trace.quantities:
            look = LOOKS[Structure(quantity.structure)]
            rows = top + height - self._px(2) - (quantity.value - low) * step
            lines = list(_strokes(columns, rows, ()))
            cv2.polylines(strip, lines, False, look.paper_rgb, 1, cv2.LINE_AA, SHIFT_BITS)

    def _draw_words(self, strip: Pixels, caption: Caption) -> None:
        left = self._px(16)
        if caption.time_s is not None:
            self._write(strip, f"{caption.time_s:.2f} s", left, self._px(22), 19, rgb(INK))
        self._write(strip, caption.state, left, self._px(52), 15, rgb(INK), bold=True)
        for structure, value, unit in caption.values:
            start, middle = self._value_place[structure]
            name_width = _text_mask(LOOKS[structure].short_name, self._px(14), False).shape[1]
            start += self._px(43) + name_width
            words = "no value" if np.isnan(value) else f"{value + 0.0:.1f} {unit}"
            self._write(strip, words, start, middle, 14, rgb(INK))

    def _draw_pointer(self, strip: Pixels, site_column_px: float) -> None:
        """Point from the strip up to the measured column."""
        centre, size = self._left + site_column_px, self._px(7)
        corners = np.array([[centre, 1], [centre - size, 1 + size], [centre + size, 1 + size]])
        points = np.round(corners * 2**SHIFT_BITS).astype(np.int32)
        cv2.fillPoly(strip, [points], rgb(INK), cv2.LINE_AA, SHIFT_BITS)

    def _write(
        self,
        strip: Pixels,
        words: str,
        left: int,
        middle: int,
        size: int,
        colour: Colour,
        bold: bool = False,
    ) -> None:
        """Write one line whose middle lies at row ``middle``; what does not fit is cut off."""
        mask = _text_mask(words, self._px(size), bold)
        top = max(0, middle - mask.shape[0] // 2)
        place = strip[top : top + mask.shape[0], left : left + mask.shape[1]]
        mask = mask[: place.shape[0], : place.shape[1]]
        place[:] = place + (np.array(colour, np.float32) - place) * mask


@lru_cache(maxsize=2048)
def _text_mask(words: str, size_px: int, bold: bool) -> NDArray[np.float32]:
    """Coverage from 0 to 1 of a line of text, shape (rows, columns, 1)."""
    font = _font(size_px, bold)
    width = round(font.getlength(words)) + 1
    picture = Image.new("L", (width, round(size_px * 1.4)))
    ImageDraw.Draw(picture).text((0, size_px * 1.12), words, fill=255, font=font, anchor="ls")
    mask = (np.asarray(picture) / 255).astype(np.float32)[..., None]
    mask.flags.writeable = False
    return mask


@lru_cache
def _font(size_px: int, bold: bool) -> ImageFont.FreeTypeFont:
    # The one font that is installed with us on every system.
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(get_data_path(), "fonts", "ttf", name)), size_px)


def _shown_quantities(series: Series) -> tuple[Quantity, ...]:
    """Thickness of each layer, or the movement of the bladder base."""
    names = [("thickness", structure) for structure in STRUCTURES]
    names.append(("base_displacement", Structure.BLADDER))
    return tuple(quantity for name in names if (quantity := series.get(*name)) is not None)


def _draw_edges(image: Pixels, boundaries: Boundaries, thickness: int) -> None:
    for place, structure in enumerate(STRUCTURES):
        look = LOOKS[structure]
        strokes = [
            stroke
            for edge in (boundaries.superficial_px, boundaries.deep_px)
            for stroke in _strokes(boundaries.column_px, edge[place], look.pattern_px)
        ]
        cv2.polylines(image, strokes, False, look.image_rgb, thickness, cv2.LINE_AA, SHIFT_BITS)


def _draw_site(image: Pixels, boundaries: Boundaries, site_column_px: float) -> None:
    """Dot the measured column from the first edge to the last one."""
    nearest = int(np.abs(boundaries.column_px - site_column_px).argmin())
    edges = np.concatenate([boundaries.superficial_px[:, nearest], boundaries.deep_px[:, nearest]])
    edges = edges[np.isfinite(edges)]
    if edges.size == 0:
        return
    rows = np.arange(edges.min(), edges.max() + 1)
    columns = np.full(rows.shape, site_column_px)
    strokes = list(_strokes(columns, rows, (2, 5), along=rows))
    cv2.polylines(image, strokes, False, (255, 255, 255), 1, cv2.LINE_AA, SHIFT_BITS)


def _strokes(
    column: NDArray[np.generic],
    row: NDArray[np.generic],
    pattern_px: tuple[int, ...],
    along: NDArray[np.generic] | None = None,
) -> Iterator[NDArray[np.int32]]:
    """Cut a line at gaps and into its pattern; points in 1/16 pixel, shape (points, 1, 2)."""
    drawn = np.isfinite(row)
    if pattern_px:
        phase = np.mod(column if along is None else along, sum(pattern_px))
        drawn &= np.searchsorted(np.cumsum(pattern_px), phase, side="right") % 2 == 0
    places = np.flatnonzero(drawn)
    if places.size == 0:
        return
    fine = np.stack([column[places], row[places]], axis=1) * 2.0**SHIFT_BITS
    points = np.round(fine).astype(np.int32).reshape(-1, 1, 2)
    yield from np.split(points, np.flatnonzero(np.diff(places) > 1) + 1)
