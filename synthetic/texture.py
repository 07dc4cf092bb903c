"""Owns what moves with the tissue: scatterers, echo strength and loss on flattened layers.

Every layer is a straight band of rows here, whatever its shape in the body, so patterns run along
the layer and follow it when it thickens or slides.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.labels import View
from synthetic.anatomy import Layer, Stack, Tissue, chance, log_uniform, uniform

Image = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Texture:
    """Material of a stack on its own grid.

    Parameters
    ----------
    echo
        float32, shape (rows, columns, 4): scatterer real part, imaginary part, amplitude, and
        one-way loss in dB/(cm MHz).
    band_top
        Shape (L + 1,), row at which each layer begins (last: end), in rows, borders not centres.
    left_mm, column_mm
        Lateral position of the centre of column 0, and the size of one column, mm.
    row_mm
        Nominal depth of one row, mm.
    """

    echo: Image
    band_top: NDArray[np.float64]
    left_mm: float
    column_mm: float
    row_mm: float


def _streaks(
    rng: np.random.Generator, rows: int, columns: int, along: float, across: float
) -> Image:
    """Unit-variance noise stretched along the layer, shape (rows, columns)."""
    half = rng.standard_normal((rows // 2 + 2, columns // 2 + 2), np.float32)
    soft = cv2.GaussianBlur(half, (0, 0), sigmaX=max(along / 2, 0.3), sigmaY=max(across / 2, 0.3))
    # Wide blurs leave little but the mean, which must not be blown up to unit size.
    unit = (soft - soft.mean()) / np.float32(soft.std() + 1e-4)
    return np.asarray(cv2.resize(unit, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _lines(
    rng: np.random.Generator, level_db: Image, count: int, strength_db: float, grid: Texture
) -> None:
    """Add bright sheets that run along the layer and may look like fascia."""
    rows, columns = level_db.shape
    mark = np.zeros((rows, columns), np.uint8)
    for _ in range(count):
        start = rng.integers(-columns // 3, columns)
        length = int(columns * log_uniform(rng, 0.06, 0.8))
        across = np.arange(start, start + max(length, 4), 4)
        bow = uniform(rng, 0.0, 0.12) * rows
        down = uniform(rng, 0.08, 0.92) * rows + bow * np.sin(
            across / columns * uniform(rng, 2, 12) + uniform(rng, 0, 6)
        )
        points = np.round(np.stack([across, down], axis=1)).astype(np.int32)
        thickness = max(1, round(uniform(rng, 0.15, 0.5) / grid.row_mm))
        cv2.polylines(mark, [points], False, 1, thickness)
    np.maximum(level_db, mark * np.float32(min(strength_db, 20.0)), out=level_db)


def _gas(rng: np.random.Generator, level_db: Image, loss: Image, grid: Texture) -> None:
    """Add gas under bowel walls: bright arcs that shadow what lies below."""
    rows, columns = level_db.shape
    for _ in range(int(rng.integers(0, 5))):
        centre = (int(rng.integers(0, columns)), int(uniform(rng, 2, 25) / grid.row_mm))
        axes = (
            max(2, int(uniform(rng, 4, 14) / grid.column_mm)),
            max(1, int(uniform(rng, 1, 9) / grid.row_mm)),
        )
        arc = np.zeros_like(level_db)
        thickness = max(1, round(uniform(rng, 0.4, 1.5) / grid.row_mm))
        cv2.ellipse(arc, centre, axes, 0, 180 + 20, 360 - 20, 1.0, thickness)
        np.maximum(level_db, arc * uniform(rng, 10, 26), out=level_db)
        loss += arc * uniform(rng, 5, 60)


def _bone(rng: np.random.Generator, texture: Texture, depth_mm: float) -> None:
    """Put a bone near one side of the picture: a bright rounded surface with nothing below."""
    echo = texture.echo
    rows, columns = echo.shape[:2]
    side = uniform(rng, 0.0, 0.22)
    centre = (
        int(columns * (side if chance(rng, 0.5) else 1 - side)),
        int(depth_mm * uniform(rng, 0.18, 0.55) / texture.row_mm),
    )
    width = uniform(rng, 5, 22) / texture.column_mm
    axes = (max(3, int(width)), max(3, int(uniform(rng, 4, 16) / texture.row_mm)))
    body, surface = np.zeros((rows, columns), np.uint8), np.zeros((rows, columns), np.uint8)
    cv2.ellipse(body, centre, axes, 0, 0, 360, 1, -1)
    thickness = max(2, round(uniform(rng, 0.6, 2.0) / texture.row_mm))
    cv2.ellipse(surface, centre, axes, 0, 190, 350, 1, thickness)
    echo[..., 2] *= 1 - 0.95 * body
    # Bone stops the beam: tens of dB within its first millimetres.
    echo[..., 3] += 60 * body
    level = 10 ** (uniform(rng, -6, 8) / 20)
    echo[..., 2] = np.maximum(echo[..., 2], level * surface)


def _pattern(
    rng: np.random.Generator, tissue: Tissue, rows: int, columns: int, grid: Texture
) -> tuple[Image, Image]:
    """Level above the layer's mean (dB) and loss, both of shape (rows, columns)."""
    level = np.zeros((rows, columns), np.float32)
    loss = np.full((rows, columns), tissue.loss_db_cm_mhz, np.float32)
    strength = tissue.contrast_db
    if tissue.pattern == "fibres":
        along = uniform(rng, 2, 12) / grid.column_mm
        across = log_uniform(rng, 0.12, 0.6) / grid.row_mm
        noise = _streaks(rng, rows, columns, along, across)
        level += strength * 0.7 * np.maximum(noise - uniform(rng, -0.3, 1.4), 0)
        level += uniform(rng, 0, 2.5) * _streaks(rng, rows, columns, along * 3, across * 5)
        if strength and chance(rng, 0.5):
            _lines(rng, level, int(rng.integers(0, 6)), strength * uniform(rng, 0.6, 1.6), grid)
    elif tissue.pattern == "lobules":
        noise = _streaks(
            rng,
            rows,
            columns,
            uniform(rng, 1, 6) / grid.column_mm,
            log_uniform(rng, 0.2, 0.9) / grid.row_mm,
        )
        level += strength * 0.7 * np.maximum(noise - uniform(rng, -0.2, 1.4), 0)
        if strength:
            _lines(rng, level, int(rng.integers(0, 9)), strength * uniform(rng, 0.6, 1.5), grid)
    elif tissue.pattern == "border":
        drop = _streaks(rng, rows, columns, uniform(rng, 1, 10) / grid.column_mm, rows)
        level -= strength * np.clip(drop - 0.6, 0, 2)
        level += 1.5 * _streaks(rng, rows, columns, uniform(rng, 0.6, 4) / grid.column_mm, rows)
    elif tissue.pattern == "bowel":
        size = uniform(rng, 3, 15)
        noise = _streaks(rng, rows, columns, size / grid.column_mm, size / 2 / grid.row_mm)
        level += strength * 0.4 * noise
        _gas(rng, level, loss, grid)
    elif tissue.pattern == "vessels":
        size = uniform(rng, 2, 6)
        noise = _streaks(rng, rows, columns, size / grid.column_mm, size / grid.row_mm)
        level += 0.25 * strength * noise - 15 * (noise > uniform(rng, 2.0, 3.5))
    return level, loss


def scatterers(rng: np.random.Generator, shape: tuple[int, int]) -> Image:
    """Complex scatterer field, float32 of shape (rows, columns, 2), unit mean power.

    Smoothed a little so that sampling it between grid points keeps its power.
    """
    field = rng.standard_normal((*shape, 2), np.float32)
    soft = cv2.GaussianBlur(field, (3, 3), 0.6)
    # Root of summed squared kernel weights of the blur above, one axis after the other.
    kernel = cv2.getGaussianKernel(3, 0.6).ravel()
    return np.asarray(soft / np.float32(np.sqrt(2) * np.sum(kernel**2)), np.float32)


def draw_texture(
    rng: np.random.Generator, stack: Stack, row_mm: float, column_mm: float, half_width_mm: float
) -> Texture:
    """Fill the flattened layers of a stack with scatterers and patterns.

    Parameters
    ----------
    half_width_mm
        How far the material reaches to either side: half the picture plus what may slide in.
    """
    heights = [_band_rows(layer, stack.depth_mm, row_mm) for layer in stack.layers]
    band_top = np.concatenate([[0.0], np.cumsum(heights, dtype=float)])
    columns = int(np.ceil(2 * half_width_mm / column_mm)) + 1
    echo = np.empty((int(band_top[-1]), columns, 4), np.float32)
    grid = Texture(echo, band_top, -half_width_mm, column_mm, row_mm)
    echo[..., :2] = scatterers(rng, echo.shape[:2])
    for layer, first, height in zip(stack.layers, band_top, heights, strict=False):
        band = echo[int(first) : int(first) + height]
        tissue = layer.tissue
        level, loss = _pattern(rng, tissue, height, columns, grid)
        if tissue.coherence:
            band[..., :2] *= np.sqrt(1 - tissue.coherence)
            band[..., 0] += np.sqrt(2 * tissue.coherence)
        band[..., 2] = cv2.exp((level + tissue.level_db) * np.float32(np.log(10) / 20))
        band[..., 3] = loss
    # Pubic bone below a suprapubic probe; a rib or the iliac crest beside the wall.
    if chance(rng, 0.25 if stack.view is View.BLADDER else 0.06):
        _bone(rng, grid, stack.depth_mm)
    return grid


def _band_rows(layer: Layer, depth_mm: float, row_mm: float) -> int:
    """Rows of a layer's band: its mean thickness, the last layer cut at the picture's depth."""
    thick = layer.thickness_mm[layer.thickness_mm > 0]
    mean = float(thick.mean()) if thick.size else row_mm
    return max(2, round(min(mean, depth_mm) / row_mm))
