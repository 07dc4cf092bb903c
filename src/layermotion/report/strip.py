"""Owns the strip of words, key and trace beneath a picture; it reports what it is given."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from layermotion.efforts.windows import Window
from layermotion.labels import STRUCTURES, Structure
from layermotion.report.palette import (
    CONTRACTED_TINT,
    FAINT_INK,
    INK,
    LOOKS,
    PAPER,
    RULE,
    Colour,
    Look,
    rgb,
)
from layermotion.report.strokes import SHIFT_BITS, Pixels, draw_strokes, strokes
from layermotion.series.series import Quantity, Series

# Text and strip keep their size relative to this width (our choice).
DESIGN_WIDTH: Final = 800
# Height of the text of names and values at the design width, pixels (our choice).
VALUE_SIZE: Final = 14
DRAFT_WORDS: Final = "DRAFT - not a medical device - clinician to confirm"
FINAL_WORDS: Final = "FINAL - signed by a clinician - tool is not a medical device"
NOT_MEASURABLE: Final = "not measurable"
# Words for the states of the bladder, where they are not the name of the state.
IN_BLADDER: Final = {"contracted": "effort", "lifted": "lift held", "regained": "after effort"}


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
    standing
        How far it may be relied on.
    """

    time_s: float | None
    state: str
    values: tuple[tuple[Structure, float, str], ...]
    standing: str = DRAFT_WORDS


def caption_of(series: Series, windows: Sequence[Window], index: int) -> Caption:
    """Words for frame ``index``: its values, and the window that it lies in."""
    shown = shown_quantities(series)
    values = tuple(
        (Structure(quantity.structure), float(quantity.value[index]), quantity.unit)
        for quantity in shown
    )
    if all(np.isnan(value) for _, value, _ in values):
        state = NOT_MEASURABLE
    else:
        inside = (window.state for window in windows if window.first <= index <= window.last)
        state = next(inside, "in between")
        # A cough or a strain is no contraction of what is seen.
        if series.get("base_displacement", Structure.BLADDER):
            state = IN_BLADDER.get(state, state)
    return Caption(float(series.time_s[index]), state, values)


@dataclass(frozen=True, eq=False)
class Trace:
    """What the small trace in the strip shows: lines and shaded windows on one time axis."""

    time_s: NDArray[np.float64]
    quantities: tuple[Quantity, ...]
    contracted_s: tuple[tuple[float, float], ...]

    @classmethod
    def of(cls, series: Series, windows: Sequence[Window]) -> "Trace":
        """Collect what is shown of a series."""
        spans = tuple(
            (float(series.time_s[window.first]), float(series.time_s[window.last]))
            for window in windows
            if window.state == "contracted"
        )
        return cls(series.time_s, shown_quantities(series), spans)

    def place(self, time_s: float, left: int, width: int) -> int:
        """Column of a time in a box that starts at ``left``."""
        span = float(self.time_s[-1] - self.time_s[0]) or 1.0
        return left + round((time_s - float(self.time_s[0])) / span * (width - 1))


def in_words(value: float, unit: str) -> str:
    """Value to one decimal, without a sign where that is zero.

    Examples
    --------
    >>> [in_words(value, "mm") for value in (4.26, -1.3, -0.04, float("nan"))]
    ['4.3 mm', '-1.3 mm', '0.0 mm', 'no value']
    """
    return "no value" if np.isnan(value) else f"{round(value, 1) + 0.0:.1f} {unit}"


class Strip:
    """The strip beneath a picture: fixed parts drawn once, the words for each frame.

    Parameters
    ----------
    width
        Columns of the canvas.
    structures
        Whose values are shown, in anatomical order.
    trace
        What to draw at the right with a moving cursor, or None.
    standing
        How far it may be relied on.
    """

    def __init__(
        self,
        width: int,
        structures: Sequence[Structure],
        trace: Trace | None = None,
        standing: str = DRAFT_WORDS,
    ) -> None:
        self._standing = standing
        self.scale = min(max(width / DESIGN_WIDTH, 0.7), 2.5)
        self.height = self._px(112)
        self._trace = trace
        # Room for the longest name and the longest value, two values in each column.
        names = [self._text_width(LOOKS[structure].short_name) for structure in structures]
        step = self._px(43) + max(names, default=0) + self._text_width("-00.0 mm") + self._px(16)
        left = self._px(156)
        self._value_place = {
            structure: (left + step * (place // 2), self._px(22 + 30 * (place % 2)))
            for place, structure in enumerate(structures)
        }
        right = left + step * -(-len(structures) // 2)
        self._trace_box = (right, self._px(12), width - right - self._px(16), self._px(58))
        self._fixed: Pixels = np.empty((self.height, width, 3), np.uint8)
        self._fixed[:] = rgb(PAPER)
        self._draw_fixed()

    def draw(self, place: Pixels, caption: Caption, pointer_px: float | None) -> None:
        """Draw into ``place``, shape (height, width, 3), pointing up at one column."""
        place[:] = self._fixed
        self._draw_words(place, caption)
        if pointer_px is not None:
            self._draw_pointer(place, pointer_px)
        if self._trace is not None and caption.time_s is not None:
            left, top, width, height = self._trace_box
            column = self._trace.place(caption.time_s, left, width)
            place[top : top + height, column : column + self._px(2)] = rgb(INK)

    def _px(self, length: float) -> int:
        return max(1, round(length * self.scale))

    def _text_width(self, words: str) -> int:
        return int(_text_mask(words, self._px(VALUE_SIZE), False).shape[1])

    def _draw_fixed(self) -> None:
        strip = self._fixed
        for structure, (left, middle) in self._value_place.items():
            look = LOOKS[structure]
            self._draw_swatch(look, left, middle)
            self._write(
                strip, look.short_name, left + self._px(36), middle, VALUE_SIZE, look.paper_rgb
            )
        strip[self._px(84), self._px(16) : -self._px(16)] = rgb(RULE)
        self._write(strip, self._standing, self._px(16), self._px(98), 14, rgb(INK), bold=True)
        if self._trace is not None:
            self._draw_trace(strip, self._trace)

    def _draw_swatch(self, look: Look, left: int, middle: int) -> None:
        """Show a line as it looks on the image: light, on a dark chip."""
        width, half = self._px(30), self._px(7)
        self._fixed[middle - half : middle + half, left : left + width] = rgb(INK)
        columns = np.arange(left + 3, left + width - 3)
        rows = np.full(columns.shape, middle)
        line = strokes(columns, rows, look.pattern_px, along=columns - left - 3)
        draw_strokes(self._fixed, line, look.image_rgb, thickness=2)

    def _draw_trace(self, strip: Pixels, trace: Trace) -> None:
        left, top, width, height = self._trace_box
        for first_s, last_s in trace.contracted_s:
            first, last = (trace.place(time_s, left, width) for time_s in (first_s, last_s))
            strip[top : top + height, first : last + 1] = rgb(CONTRACTED_TINT)
        values = [quantity.value[np.isfinite(quantity.value)] for quantity in trace.quantities]
        finite = np.concatenate([np.empty(0), *values])
        if finite.size == 0:
            return
        low, high = min(0.0, float(finite.min())), max(0.0, float(finite.max()))
        step = (height - self._px(4)) / ((high - low) or 1.0)
        columns = np.array([trace.place(time_s, left, width) for time_s in trace.time_s.tolist()])
        bottom = top + height - self._px(2)
        strip[round(bottom + low * step), left : left + width] = rgb(FAINT_INK)
        for quantity in trace.quantities:
            look = LOOKS[Structure(quantity.structure)]
            rows = bottom - (quantity.value - low) * step
            draw_strokes(strip, strokes(columns, rows, ()), look.paper_rgb)

    def _draw_words(self, strip: Pixels, caption: Caption) -> None:
        left = self._px(16)
        if caption.time_s is not None:
            self._write(strip, f"{caption.time_s:.2f} s", left, self._px(22), 19, rgb(INK))
        self._write(strip, caption.state, left, self._px(52), 15, rgb(INK), bold=True)
        for structure, value, unit in caption.values:
            start, middle = self._value_place[structure]
            start += self._px(43) + self._text_width(LOOKS[structure].short_name)
            self._write(strip, in_words(value, unit), start, middle, VALUE_SIZE, rgb(INK))

    def _draw_pointer(self, strip: Pixels, centre: float) -> None:
        """Point from the strip up to the measured column."""
        size = self._px(7)
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


def shown_quantities(series: Series) -> tuple[Quantity, ...]:
    """Thickness of each layer, or the movement of the bladder base."""
    names = [("thickness", structure) for structure in STRUCTURES]
    names.append(("base_displacement", Structure.BLADDER))
    return tuple(quantity for name in names if (quantity := series.get(*name)) is not None)
