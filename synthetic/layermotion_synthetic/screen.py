"""Owns what is drawn over and around an ultrasound image: text, rulers, marks, borders."""

import cv2
import numpy as np

from layermotion_synthetic.anatomy import chance, log_uniform, uniform
from layermotion_synthetic.display import Grey

# Plain words that a screen might show; any look or wording of a real scanner is avoided.
_WORDS = ("depth", "gain", "left", "right", "rest", "image", "side", "frame", "probe", "scan",
          "view", "measure", "length", "muscle", "wall", "pelvis", "supine", "note", "room", "case",
          "before", "after", "first", "second", "sitting", "visit", "map", "level")  # fmt: skip
_LAYER_WORDS = ("EO", "IO", "TrA", "OE", "OI", "fat", "bladder", "1", "2", "3", "A", "B", "C", "D")
_UNITS = ("mm", "cm", "dB", "%", "MHz", "/s", "")
# Outline of a trunk with the stumps of neck, arms and legs, in half-widths and half-heights.
_TRUNK = np.array([(-0.2, -1.0), (-0.25, -0.8), (-0.9, -0.65), (-1.0, -0.2), (-0.75, -0.2),
                   (-0.65, -0.4), (-0.55, 0.2), (-0.75, 1.0), (-0.15, 1.0), (0.0, 0.6), (0.15, 1.0),
                   (0.75, 1.0), (0.55, 0.2), (0.65, -0.4), (0.75, -0.2), (1.0, -0.2), (0.9, -0.65),
                   (0.25, -0.8), (0.2, -1.0)])  # fmt: skip
_FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_DUPLEX)


def draw_text(rng: np.random.Generator, screen: Grey, count: int) -> None:
    """Write ``count`` short invented lines anywhere on the screen, in place."""
    rows, columns = screen.shape
    for _ in range(count):
        text = _line(rng)
        place = (int(rng.integers(-10, columns)), int(rng.integers(5, rows)))
        scale = uniform(rng, 0.25, 0.7) * rows / 320
        font = int(rng.choice(_FONTS))
        cv2.putText(screen, text, place, font, scale, int(rng.integers(110, 256)), 1, cv2.LINE_AA)


def _line(rng: np.random.Generator) -> str:
    """Draw words, a number with its unit, both, a date or a time."""
    words = [str(rng.choice(_WORDS)) for _ in range(int(rng.integers(1, 4)))]
    number = f"{log_uniform(rng, 0.1, 300):.{int(rng.integers(0, 3))}f} {rng.choice(_UNITS)}"
    kind = rng.integers(6)
    text = {
        0: " ".join(words),
        1: number.strip(),
        2: f"{rng.integers(1, 29):02d}.{rng.integers(1, 13):02d}.20{rng.integers(10, 40)}",
        3: f"{rng.integers(0, 24):02d}:{rng.integers(0, 60):02d}:{rng.integers(0, 60):02d}",
    }.get(int(kind), f"{words[0]} {number}".strip())
    return str(rng.choice([text, text.upper(), text.capitalize()]))


def draw_ruler(rng: np.random.Generator, screen: Grey, pitch_px: float) -> None:
    """Draw a column or row of ticks with the given pitch, in place."""
    rows, columns = screen.shape
    value = int(rng.integers(110, 256))
    upright = chance(rng, 0.75)
    at = int(rng.integers(1, (columns if upright else rows) - 1))
    long = int(rng.integers(2, 7))
    for i, position in enumerate(np.arange(rng.uniform(0, pitch_px), rows + columns, pitch_px)):
        reach = long * 2 if i % 5 == 0 else long
        tick = int(position)
        if upright:
            cv2.line(screen, (at, tick), (at + reach, tick), value, 1)
        else:
            cv2.line(screen, (tick, at), (tick, at + reach), value, 1)


def draw_marks(rng: np.random.Generator, screen: Grey) -> None:
    """Draw callipers, a focus mark, a body mark, a grey bar or a frame, in place."""
    rows, columns = screen.shape
    for _ in range(int(rng.integers(0, 4))):
        value = int(rng.integers(130, 256))
        x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
        kind = rng.integers(5)
        if kind == 0:
            far = (x + int(rng.integers(-60, 60)), y + int(rng.integers(10, 90)))
            _callipers(rng, screen, (x, y), far)
        elif kind == 1:
            triangle = np.array([[x, y], [x + 7, y - 4], [x + 7, y + 4]])
            cv2.fillConvexPoly(screen, triangle, value)
        elif kind == 2:
            axes = (int(rng.integers(8, 24)), int(rng.integers(10, 30)))
            if value % 2:
                cv2.ellipse(screen, (x, y), axes, 0, 0, 360, value, 1)
            else:
                trunk = np.rint(_TRUNK * axes + (x, y)).astype(np.int32)
                cv2.polylines(screen, [trunk], True, value, 1)
            cv2.line(screen, (x - 6, y), (x + 6, y + 3), value, 2)
        elif kind == 3:
            wide, high = int(rng.integers(5, 14)), int(rng.integers(30, max(31, rows // 2)))
            ramp = np.linspace(255, 0, high).astype(np.uint8)[:, None]
            part = screen[y : y + high, x : x + wide]
            part[:] = ramp[: part.shape[0]]
        else:
            size = (int(rng.integers(20, columns)), int(rng.integers(15, rows)))
            cv2.rectangle(screen, (x, y), (x + size[0], y + size[1]), value // 2, 1)


def _callipers(
    rng: np.random.Generator, screen: Grey, one: tuple[int, int], other: tuple[int, int]
) -> None:
    """Draw two crosses, often joined by dots, in place; points are (column, row)."""
    value, size = int(rng.integers(130, 256)), int(rng.integers(5, 12))
    marker = cv2.MARKER_CROSS if chance(rng, 0.7) else cv2.MARKER_TILTED_CROSS
    for point in (one, other):
        cv2.drawMarker(screen, point, value, marker, size, 1)
    if chance(rng, 0.6):
        for share in np.linspace(0, 1, int(rng.integers(6, 30))):
            dot = tuple(round(a + share * (b - a)) for a, b in zip(one, other, strict=True))
            cv2.circle(screen, dot, 0, value, -1)


def mark_layers(rng: np.random.Generator, screen: Grey, labels: Grey) -> None:
    """Put callipers across structures, and short words into them, as kept pictures have, in place.

    Both stand where a person may have set them: near the edges, and whatever the word, anywhere,
    so that nothing can be learned from them.
    """
    rows, columns = screen.shape
    column = int(rng.integers(0, columns))
    for structure in np.unique(labels[:, column])[1:]:
        inside = np.flatnonzero(labels[:, column] == structure)
        if chance(rng, 0.5):
            slip = rng.integers(-2, 3, 4).tolist()
            top, bottom = int(inside[0]) + slip[0], int(inside[-1]) + slip[1]
            _callipers(rng, screen, (column + slip[2], top), (column + slip[3], bottom))
        if chance(rng, 0.4):
            word = str(rng.choice(_LAYER_WORDS))
            place = (int(rng.integers(0, columns)), int(inside.mean()))
            scale = uniform(rng, 0.3, 0.6) * rows / 320
            cv2.putText(screen, word, place, _FONTS[0], scale, 255, 1, cv2.LINE_AA)


def grab(rng: np.random.Generator, screen: Grey, strength: float) -> Grey:
    """Copy a screen as a cheap grabber or a video would: coarser, then compressed in blocks.

    Parameters
    ----------
    strength
        0 to 1: from full size and JPEG quality 95 to two fifths of the size and quality 25.
    """
    rows, columns = screen.shape
    share = max(1 - 0.6 * strength * uniform(rng, 0.3, 1), 0.15)
    if share < 0.97:
        small = (max(8, round(columns * share)), max(8, round(rows * share)))
        coarse = cv2.resize(screen, small, interpolation=cv2.INTER_AREA)
        screen = np.asarray(cv2.resize(coarse, (columns, rows)), np.uint8)
    quality = max(round(95 - 70 * strength), 4)
    data = cv2.imencode(".jpg", screen, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


def cover_with_menu(rng: np.random.Generator, image: Grey) -> None:
    """Lay opened menus over most of a frozen picture, in place."""
    rows, columns = image.shape
    panel = menu(rng, rows, columns)
    share = uniform(rng, 0.75, 0.97)
    if chance(rng, 0.5):
        image[:, : int(columns * share)] = panel[:, : int(columns * share)]
    else:
        image[: int(rows * share)] = panel[: int(rows * share)]


def menu(rng: np.random.Generator, rows: int, columns: int) -> Grey:
    """Draw a screen without any ultrasound: panels, text and plain areas."""
    screen = np.full((rows, columns), rng.integers(0, 200), np.uint8)
    for _ in range(int(rng.integers(0, 6))):
        x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
        size = (int(rng.integers(20, columns)), int(rng.integers(15, rows)))
        cv2.rectangle(screen, (x, y), (x + size[0], y + size[1]), int(rng.integers(0, 256)), -1)
    draw_text(rng, screen, int(rng.integers(0, 14)))
    if chance(rng, 0.3):
        noise = rng.normal(0, uniform(rng, 2, 50), screen.shape)
        screen = np.clip(screen + noise, 0, 255).astype(np.uint8)
    return screen
