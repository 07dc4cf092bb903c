"""Owns bright lines within tissue that may look like fascia: along a layer, and oblique ones.

Both functions draw in place into ``level_db``, the level of one layer's flat band in dB above its
mean; ``row_mm`` and ``column_mm`` are the size of its rows and columns.
"""

import cv2
import numpy as np

from layermotion_synthetic.anatomy import chance, log_uniform, uniform
from layermotion_synthetic.grain import Image, streaks


def add_sheets(
    rng: np.random.Generator,
    level_db: Image,
    count: int,
    strength_db: float,
    row_mm: float,
    column_mm: float,
    share: tuple[float, float] = (0.03, 0.2),
    thinnest_mm: float = 0.12,
) -> None:
    """Add bright sheets that run along the layer and may look like fascia.

    Parameters
    ----------
    share
        Shortest and longest, as a share of the layer's length.
    thinnest_mm
        Of their thickness, up to 0.7 mm.
    """
    if not count or strength_db <= 0:
        return
    rows, columns = level_db.shape
    mark = np.zeros((rows, columns), np.uint8)
    slope = rng.normal(0, 0.04) * rows / columns * 4
    for _ in range(count):
        length = int(columns * log_uniform(rng, *share))
        start = rng.integers(-length // 2, columns) if length < columns else -8
        across = np.arange(start, start + max(length, 8), 4)
        bow = uniform(rng, 0.0, 0.08) * rows
        down = uniform(rng, 0.1, 0.9) * rows + bow * np.sin(
            across / columns * uniform(rng, 2, 12) + uniform(rng, 0, 6)
        )
        down += slope * (across - across.mean())
        points = np.round(np.stack([across, down], axis=1) * 16).astype(np.int32)
        thick = max(1, round(log_uniform(rng, thinnest_mm, 0.7) / row_mm))
        bright = int(255 * uniform(rng, 0.45, 1.0))
        cv2.polylines(mark, [points], False, bright, thick, cv2.LINE_AA, 4)
    # Collagen comes and goes along a sheet.
    broken = 0.85 + 0.3 * streaks(rng, rows, columns, uniform(rng, 1, 6) / column_mm, 4)
    np.clip(broken, 0, 1.1, out=broken)
    broken *= mark
    np.maximum(level_db, broken * np.float32(min(strength_db, 24.0) / 255), out=level_db)


def add_long_lines(
    rng: np.random.Generator,
    level_db: Image,
    strength_db: float,
    row_mm: float,
    column_mm: float,
    longest: float,
) -> None:
    """Add lines as bright as a border: along the layer, and oblique ones that join its border.

    Parameters
    ----------
    longest
        Length along the layer as a share of the texture.
    """
    rows, columns = level_db.shape
    along = int(rng.integers(0, 3))
    add_sheets(
        rng, level_db, along, strength_db, row_mm, column_mm, (0.12, longest), thinnest_mm=0.2
    )
    for _ in range(int(rng.integers(0, 3))):
        run = max(8, int(log_uniform(rng, 6, 40) / column_mm))
        start = int(rng.integers(-run, columns))
        depth = uniform(rng, 0.3, 1.0) * rows
        share = np.linspace(0, 1, 24)
        down = depth * share ** uniform(rng, 0.7, 1.8)
        if chance(rng, 0.5):  # joins the border below instead
            down = rows - down
        across = start + run * (share if chance(rng, 0.5) else share[::-1])
        points = np.round(np.stack([across, down], axis=1) * 16).astype(np.int32)
        mark = np.zeros((rows, columns), np.uint8)
        thick = max(1, round(log_uniform(rng, 0.2, 0.7) / row_mm))
        cv2.polylines(mark, [points], False, 255, thick, cv2.LINE_AA, 4)
        bright = np.float32(uniform(rng, 0.5, 1.0) * min(strength_db, 24.0) / 255)
        np.maximum(level_db, mark * bright, out=level_db)
