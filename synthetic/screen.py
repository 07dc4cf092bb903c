"""Owns what is drawn over and around an ultrasound image: text, rulers, marks, borders."""

import cv2
import numpy as np

from synthetic.anatomy import chance, log_uniform, uniform
from synthetic.display import Grey

# Plain words that a screen might show; any look or wording of a real scanner is avoided.
_WORDS = ("depth", "gain", "left", "right", "rest", "image", "side", "frame", "probe", "scan",
          "view", "measure", "length", "muscle", "wall", "pelvis", "supine", "note", "room", "case",
          "before", "after", "first", "second", "sitting", "visit", "map", "level")  # fmt: skip
_UNITS = ("mm", "cm", "dB", "%", "MHz", "/s", "")
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
    """Draw calliper crosses joined by dots, a focus mark, a body mark or a frame, in place."""
    rows, columns = screen.shape
    for _ in range(int(rng.integers(0, 4))):
        value = int(rng.integers(130, 256))
        x, y = int(rng.integers(0, columns)), int(rng.integers(0, rows))
        kind = rng.integers(4)
        if kind == 0:
            far = (x + int(rng.integers(-60, 60)), y + int(rng.integers(10, 90)))
            for point in ((x, y), far):
                cv2.drawMarker(screen, point, value, cv2.MARKER_CROSS, int(rng.integers(5, 12)), 1)
            if chance(rng, 0.6):
                for share in np.linspace(0, 1, int(rng.integers(8, 30))):
                    dot = (round(x + share * (far[0] - x)), round(y + share * (far[1] - y)))
                    cv2.circle(screen, dot, 0, value, -1)
        elif kind == 1:
            triangle = np.array([[x, y], [x + 7, y - 4], [x + 7, y + 4]])
            cv2.fillConvexPoly(screen, triangle, value)
        elif kind == 2:
            axes = (int(rng.integers(8, 24)), int(rng.integers(10, 30)))
            cv2.ellipse(screen, (x, y), axes, 0, 0, 360, value, 1)
            cv2.line(screen, (x - 6, y), (x + 6, y + 3), value, 2)
        else:
            size = (int(rng.integers(20, columns)), int(rng.integers(15, rows)))
            cv2.rectangle(screen, (x, y), (x + size[0], y + size[1]), value // 2, 1)


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
