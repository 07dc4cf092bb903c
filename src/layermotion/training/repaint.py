"""Owns repainting: other greys, borders and lines in a drawn wall, whose shapes stay as they are.

A network that has seen only one look of each wall learns which line is the brightest. Here borders
fade into the tissue beside them or stand out, lines that are no border run through a layer, and
each layer takes another grey. Ranges are our choice, see DEVELOPERS.md, "Names of layers".
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.labels import WALL_LAYERS, label_of

Image = NDArray[np.float32]
Rows = NDArray[np.int64]

LABELS = tuple(label_of(layer) for layer in WALL_LAYERS)
# Chance that the borders of a picture fade or stand out alike, and that one does so in stretches.
ALIKE, IN_STRETCHES = 0.5, 0.4
# Most that a border fades, as a share of what sets it apart; and most that it gains, grey.
MOST_FADED, MOST_GAINED = 0.95, 50.0
# Rows beside a border that take part, px, and thickness of the border below the deepest layer.
MARGIN_PX, DEEPEST_PX = 3, (2, 8)
# Lines in a picture on average; their half thickness, px; brightness, grey; length, share of width.
LINES, HALF_PX, LINE_GREY, LINE_SHARE = 0.8, (0.8, 2.5), (40.0, 180.0), (0.2, 1.5)
# Thinnest layer that is given a line, px.
LINED_PX = 12
# Spread of a layer's grey; rows and columns over which one grey passes into the next.
GREY_SPREAD, SOFT_PX = 18.0, (9, 5)
# Below this grey there is no echo that could be made brighter.
ECHO_GREY = 32.0


def repaint(
    image: NDArray[np.uint8], label: NDArray[np.uint8], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return a wall with other greys, borders and lines; a picture without a wall as it is.

    Parameters
    ----------
    image, label
        uint8, shape (rows, columns).
    rng
        Decides every change.
    """
    spans = [_span(label == value) for value in LABELS]
    if not any((bottom > top).any() for top, bottom in spans[1:]):
        return image
    grey = image.astype(np.float32)
    for change in rng.permutation(3):
        if rng.random() < 0.3:
            continue
        if change == 0:
            grey = _borders(rng, grey, spans)
        elif change == 1:
            _add_lines(rng, grey, spans)
        else:
            grey = _greys(rng, grey, label)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def _span(mask: NDArray[np.bool_]) -> tuple[Rows, Rows]:
    """First row of a layer in each column and the one after its last; both 0 where it is absent."""
    found = mask.any(axis=0)
    top = np.where(found, mask.argmax(axis=0), 0)
    bottom = np.where(found, len(mask) - mask[::-1].argmax(axis=0), 0)
    return top, bottom


def _along(rng: np.random.Generator, columns: int, knots: int) -> Image:
    """Values 0 to 1 that change smoothly from column to column."""
    values = rng.random((1, knots), dtype=np.float32)
    smooth: Image = cv2.resize(values, (columns, 1), interpolation=cv2.INTER_LINEAR)[0]
    return smooth


def _borders(rng: np.random.Generator, grey: Image, spans: Sequence[tuple[Rows, Rows]]) -> Image:
    """Fade borders into the tissue on either side of them, or make them brighter."""
    rows, columns = grey.shape
    row = np.arange(rows)[:, None]
    alike = rng.uniform(-1, 1)
    is_alike = rng.random() < ALIKE
    for k in range(len(spans)):
        first = spans[k][1]
        if k + 1 < len(spans):
            last, present = spans[k + 1][0], (spans[k + 1][1] > 0) & (first > 0)
        else:
            last, present = first + int(rng.integers(*DEEPEST_PX)), first > 0
        present &= last >= first
        strength = alike + rng.normal(0, 0.1) if is_alike else rng.uniform(-1, 1)
        share = np.full(columns, np.clip(strength, -1, 1), np.float32)
        if rng.random() < IN_STRETCHES:
            share *= np.clip(3 * _along(rng, columns, int(rng.integers(3, 9))) - 1, 0, 1)
        share *= present
        low, high = first - MARGIN_PX, last + MARGIN_PX
        middle = (low + high) // 2
        band = ((row >= low) & (row < high)).astype(np.float32)
        inside = cv2.blur(band, (1, MARGIN_PX))
        # Tissue from above the border fills its upper half, tissue from below its lower half.
        source = np.where(row < middle, row - (middle - low), row + (high - middle))
        filled = np.take_along_axis(grey, np.clip(source, 0, rows - 1), axis=0)
        faded = inside * (MOST_FADED * np.maximum(share, 0))
        gained = inside * (MOST_GAINED * np.maximum(-share, 0))
        grey = (grey + faded * (filled - grey) + gained).astype(np.float32)
    return grey


def _add_lines(rng: np.random.Generator, grey: Image, spans: Sequence[tuple[Rows, Rows]]) -> None:
    """Draw bright lines along layers, in place."""
    rows, columns = grey.shape
    row, column = np.arange(rows)[:, None], np.arange(columns)
    for _ in range(1 + rng.poisson(LINES)):
        top, bottom = spans[int(rng.integers(len(spans)))]
        length = rng.uniform(*LINE_SHARE) * columns
        start = rng.uniform(-length / 2, columns - length / 2)
        drawn = (bottom - top >= LINED_PX) & (column >= start) & (column < start + length)
        if not drawn.any():
            continue
        depth = np.clip(
            rng.uniform(0.15, 0.85) + 0.2 * (_along(rng, columns, int(rng.integers(2, 6))) - 0.5),
            0.1, 0.9,
        )  # fmt: skip
        # Measured from below: the top of the fat may be the side of a sector.
        middle = bottom - (1 - depth) * np.median((bottom - top)[drawn])
        bright = rng.uniform(*LINE_GREY) * (0.5 + 0.5 * _along(rng, columns, columns // 3))
        profile = np.exp(-np.square((row - middle) / rng.uniform(*HALF_PX), dtype=np.float32))
        within = drawn & (row > top) & (row < bottom)
        grey += within * profile * bright.astype(np.float32)


def _greys(rng: np.random.Generator, grey: Image, label: NDArray[np.uint8]) -> Image:
    """Give each layer another grey; the same everywhere in it, as gain is even in a layer."""
    change = np.zeros(256, np.float32)
    change[list(LABELS)] = rng.normal(0, GREY_SPREAD, len(LABELS))
    shift = cv2.blur(change[label], SOFT_PX[::-1])
    shifted: Image = grey + shift * np.minimum(grey / ECHO_GREY, 1)
    return shifted
