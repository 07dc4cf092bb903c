"""Owns what moves with the tissue: scatterers, echo strength and loss on flattened layers.

Every layer is a straight band of rows here, whatever its shape in the body, so patterns run along
the layer and follow it when it thickens or slides.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.anatomy import Layer, Stack, Tissue, chance, log_uniform, uniform
from layermotion_synthetic.factors import split
from layermotion_synthetic.grain import Image, scatterers, streaks
from layermotion_synthetic.lines import add_long_lines, add_sheets


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


def _loops(
    rng: np.random.Generator, level_db: Image, loss: Image, gas: float, grid: Texture
) -> None:
    """Add loops of bowel: a dark wall around fluid, mash or gas with what gas leaves below it."""
    rows, columns = level_db.shape
    for _ in range(int(rng.integers(0, 4)) + round(2 * gas)):
        across, down = int(rng.integers(0, columns)), int(uniform(rng, 1, 30) / grid.row_mm)
        wide = max(3, int(uniform(rng, 4, 18) / grid.column_mm))
        high = max(3, int(uniform(rng, 3, 12) / grid.row_mm))
        wall = max(1, round(uniform(rng, 1.0, 3.0) / grid.row_mm))
        body = np.zeros((rows, columns), np.uint8)
        cv2.ellipse(body, (across, down), (wide, high), 0, 0, 360, 2, -1)
        cv2.ellipse(body, (across, down), (wide, high), 0, 0, 360, 1, wall)
        level_db[body == 1] -= uniform(rng, 2, 12)
        level_db[body == 2] += uniform(rng, -25, 10)
        if gas and chance(rng, 0.4 + 0.6 * min(gas, 1.0)):
            _gas(rng, level_db, loss, (across, down - high, wide, high), gas, grid)


def _gas(
    rng: np.random.Generator,
    level_db: Image,
    loss: Image,
    place: tuple[int, int, int, int],
    gas: float,
    grid: Texture,
) -> None:
    """Put gas at the top of a loop: a bright broken front, below it haze, stripes or blackness.

    Parameters
    ----------
    place
        Column and row of the top, half-width and bow, px.
    """
    rows, columns = level_db.shape
    centre, top, wide, bow = place
    low, high = max(0, centre - wide), min(columns, centre + wide)
    if high - low < 3:
        return
    offset = (np.arange(low, high) - centre) / wide
    front = top + bow * offset**2 * uniform(rng, 0.2, 0.9)
    front = front + uniform(rng, 0, 0.6) / grid.row_mm * streaks(rng, 1, high - low, 2, 1)[0]
    below = (np.arange(rows, dtype=np.float32)[:, None] - front[None, :]) * np.float32(grid.row_mm)
    mask = below >= 0
    bright = uniform(rng, 8, 24)
    fade = uniform(rng, 0.5, 4.0) / (0.5 + gas)
    haze = bright - uniform(rng, 2, 10) - fade * below
    stripes = uniform(rng, 0, 7) * np.cos(2 * np.pi * below / uniform(rng, 1.5, 8.0))
    haze += stripes * np.exp(-below / 15) + 1.5 * streaks(rng, rows, high - low, 2, 3)
    line = below < uniform(rng, 0.5, 1.8)
    part = level_db[:, low:high]
    edge = np.clip(4 * (1 - np.abs(offset)), 0, 1).astype(np.float32)
    part += np.where(line, bright, np.clip(haze, -45, 30) - part) * mask * edge
    if chance(rng, 0.4):  # a clean shadow
        loss[:, low:high] += (mask & (below < 3)) * edge * np.float32(uniform(rng, 10, 60) * gas)


def _gas_face(
    rng: np.random.Generator, level_db: Image, loss: Image, gas: float, grid: Texture
) -> None:
    """Press a loop full of gas against the peritoneum: a smooth bright face, and its shadow."""
    rows, columns = level_db.shape
    wide = columns if chance(rng, 0.15) else max(2, int(uniform(rng, 3, 14) / grid.column_mm))
    centre = int(rng.integers(0, columns))
    low, high = max(0, centre - wide), min(columns, centre + wide)
    offset_mm = (np.arange(low, high) - centre) * grid.column_mm
    bend = rng.normal(0, 0.01) if wide < columns else rng.normal(0, 0.001)
    front_mm = uniform(rng, 0.3, 8) + rng.normal(0, 0.12) * offset_mm + bend * offset_mm**2
    depth_mm = (np.arange(rows, dtype=np.float32) + 0.5)[:, None] * grid.row_mm
    below = depth_mm - front_mm[None, :].astype(np.float32)
    part = level_db[:, low:high]
    part[below > 0] = -uniform(rng, 12, 45)
    repeats = uniform(rng, -4, 6) * np.cos(2 * np.pi * below / uniform(rng, 1.5, 9.0))
    part += repeats * np.exp(-np.maximum(below, 0) / 8) * (below > 0)
    part[(below > 0) & (below < uniform(rng, 0.3, 1.2))] = uniform(rng, 10, 30)
    loss[:, low:high] += ((below > 1) & (below < 4)) * np.float32(uniform(rng, 0, 40) * gas)


def _bone(rng: np.random.Generator, texture: Texture, stack: Stack) -> None:
    """Put a bone at one side of the picture: a bright rounded surface with nothing below."""
    echo = texture.echo
    rows, columns = echo.shape[:2]
    share = uniform(rng, 0.18, 0.55)
    # A curved probe's picture is narrower near its face.
    near = stack.face_half_width_mm or stack.width_mm / 2
    edge_mm = near + share * (stack.width_mm / 2 - near)
    x_mm = edge_mm * (1.04 - 0.45 * stack.bone) * (1 if chance(rng, 0.5) else -1)
    centre = (
        int((x_mm - texture.left_mm) / texture.column_mm),
        int(stack.depth_mm * share / texture.row_mm),
    )
    width = uniform(rng, 4, 15) / texture.column_mm
    axes = (max(3, int(width)), max(3, int(uniform(rng, 4, 16) / texture.row_mm)))
    tilt = uniform(rng, -25, 25)
    body, surface = np.zeros((rows, columns), np.uint8), np.zeros((rows, columns), np.uint8)
    cv2.ellipse(body, centre, axes, tilt, 0, 360, 1, -1)
    thickness = max(2, round(uniform(rng, 0.6, 2.0) / texture.row_mm))
    cv2.ellipse(surface, centre, axes, tilt, 190, 350, 1, thickness)
    echo[..., 2] *= 1 - 0.95 * body
    # Bone stops the beam: tens of dB within its first millimetres.
    echo[..., 3] += 60 * body
    level = 10 ** (uniform(rng, -6, 8) / 20)
    echo[..., 2] = np.maximum(echo[..., 2], level * surface)


def _fascia(rng: np.random.Generator, level: Image, tissue: Tissue, grid: Texture) -> None:
    """Give a border its inner structure: even, peaked, two lines, or many, with gaps along it."""
    strength_db = tissue.contrast_db
    rows, columns = level.shape
    across = np.abs(np.linspace(-1, 1, rows, dtype=np.float32))[:, None]
    kind = rng.integers(4)
    if kind == 1:  # faint rims
        level -= uniform(rng, 0, 6) * across**4
    elif kind == 2:  # two leaves
        level -= uniform(rng, 3, 14) * (across < uniform(rng, 0.35, 0.7))
    elif kind == 3:  # strands
        along = uniform(rng, 2, 10) / grid.column_mm
        level += uniform(rng, 1, 5) * streaks(rng, rows, columns, along, 0.12 / grid.row_mm)
    drop = streaks(rng, 1, columns, uniform(rng, 1, 10) / grid.column_mm, 1)
    level -= strength_db * np.clip(drop - 0.6, 0, 2)
    level += uniform(rng, 0.5, 3) * streaks(
        rng, 1, columns, uniform(rng, 0.6, 6) / grid.column_mm, 1
    )
    if tissue.soft_db:  # soft edges, and a brightness that wanders along the line
        level -= np.float32(tissue.soft_db) * across**3
        wander = streaks(rng, 1, columns, uniform(rng, 4, 25) / grid.column_mm, 1)
        level += np.float32(0.35 * tissue.soft_db) * wander
    if tissue.fading_db:
        fading = streaks(rng, 1, columns, uniform(rng, 8, 40) / grid.column_mm, 1)
        level -= np.float32(tissue.fading_db) * np.clip(fading - np.float32(0.5), 0, 1)


def _near_field(rng: np.random.Generator, level: Image, dark_db: float, grid: Texture) -> None:
    """Darken the first 3 to 7 mm and fleck them with short bright streaks."""
    rows, columns = level.shape
    reach = min(rows, int(uniform(rng, 3, 7) / grid.row_mm))
    if reach < 2:
        return
    fall = np.linspace(1, 0, reach, dtype=np.float32)[:, None] ** np.float32(0.5)
    size = uniform(rng, 0.8, 4) / grid.column_mm, uniform(rng, 0.15, 0.5) / grid.row_mm
    flecks = streaks(rng, reach, columns, *size)
    level[:reach] += np.float32(dark_db) * fall * (np.maximum(flecks - 0.8, 0) - 1)


def _vessels(rng: np.random.Generator, level: Image, strength_db: float, grid: Texture) -> None:
    """Add grain and dark tubes, some with bright walls."""
    rows, columns = level.shape
    size = uniform(rng, 2, 6)
    level += (
        0.12 * strength_db * streaks(rng, rows, columns, size / grid.column_mm, size / grid.row_mm)
    )
    for _ in range(int(rng.integers(0, 7))):
        centre = (int(rng.integers(0, columns)), int(rng.integers(0, rows)))
        radius = log_uniform(rng, 0.8, 5)
        long = radius * log_uniform(rng, 1, 6)
        axes = (max(1, int(long / grid.column_mm)), max(1, int(radius / grid.row_mm)))
        tilt = uniform(rng, -50, 50)
        tube = np.zeros((rows, columns), np.uint8)
        if chance(rng, 0.6):
            rim = max(1, round(0.8 / grid.row_mm))
            cv2.ellipse(tube, centre, axes, tilt, 0, 360, 1, rim)
            level[tube == 1] += uniform(rng, 3, 14)
        cv2.ellipse(tube, centre, axes, tilt, 0, 360, 2, -1)
        level[tube == 2] = -uniform(rng, 10, 35)


def _gland(rng: np.random.Generator, level: Image, strength_db: float, grid: Texture) -> None:
    """Add one rounded body of its own brightness, its bright core and what surrounds it."""
    rows, columns = level.shape
    centre = (int(columns * uniform(rng, 0.25, 0.75)), int(rows * uniform(rng, 0.15, 0.6)))
    wide, high = uniform(rng, 8, 30), uniform(rng, 5, 25)
    axes = (max(2, int(wide / grid.column_mm)), max(2, int(high / grid.row_mm)))
    body = np.zeros((rows, columns), np.uint8)
    tilt = uniform(rng, -20, 20)
    cv2.ellipse(body, centre, axes, tilt, 0, 360, 1, -1)
    if chance(rng, 0.5):
        core = (max(1, axes[0] // 2), max(1, axes[1] // int(rng.integers(3, 9))))
        cv2.ellipse(body, centre, core, tilt, 0, 360, 2, -1)
    cv2.ellipse(body, centre, axes, tilt, 0, 360, 3, max(1, round(0.6 / grid.row_mm)))
    steps = np.array([0, rng.normal(0, 0.5), rng.normal(0.5, 0.5), 0.8], np.float32)
    body_db = np.asarray(steps[body] * np.float32(strength_db), np.float32)
    level += np.asarray(cv2.GaussianBlur(body_db, (0, 0), 1.5), np.float32)
    _vessels(rng, level, 0.5 * strength_db, grid)


def _pattern(
    rng: np.random.Generator, tissue: Tissue, rows: int, columns: int, grid: Texture
) -> tuple[Image, Image]:
    """Level above the layer's mean (dB) and loss, both of shape (rows, columns)."""
    level = np.zeros((rows, columns), np.float32)
    loss = np.full((rows, columns), tissue.loss_db_cm_mhz, np.float32)
    strength = tissue.contrast_db
    if tissue.pattern in ("fibres", "pennate"):
        along = uniform(rng, 2, 12) / grid.column_mm
        across = log_uniform(rng, 0.12, 0.6) / grid.row_mm
        noise = streaks(rng, rows, columns, along, across)
        if tissue.pattern == "pennate":
            angle = uniform(rng, 0.05, 0.5) * (1 if chance(rng, 0.5) else -1)
            shear = angle * grid.column_mm / grid.row_mm
            turn = np.array([[1, 0, 0], [shear, 1, -shear * columns / 2]], np.float32)
            slanted = cv2.warpAffine(noise, turn, (columns, rows), borderMode=cv2.BORDER_REFLECT)
            noise = np.asarray(slanted, np.float32)
        level += strength * 0.7 * np.maximum(noise - uniform(rng, -0.3, 1.4), 0)
        level += uniform(rng, 0, 2.5) * streaks(rng, rows, columns, along * 3, across * 5)
        add_sheets(
            rng,
            level,
            int(rng.integers(0, 6)),
            strength * uniform(rng, 0.5, 1.0),
            grid.row_mm,
            grid.column_mm,
        )
        add_sheets(
            rng,
            level,
            int(rng.integers(1, 5)),
            tissue.sheet_db,
            grid.row_mm,
            grid.column_mm,
            (0.05, 0.25),
        )
        if tissue.line_db:
            add_long_lines(rng, level, tissue.line_db, grid.row_mm, grid.column_mm, longest=0.6)
    elif tissue.pattern == "lobules":
        across_mm = log_uniform(rng, 0.15, 0.7)
        along = across_mm * uniform(rng, 4, 14) / grid.column_mm
        noise = streaks(rng, rows, columns, along, across_mm / grid.row_mm)
        level += strength * 0.7 * np.maximum(noise - uniform(rng, -0.2, 1.4), 0)
        add_sheets(
            rng, level, int(rng.integers(0, 9)), tissue.sheet_db, grid.row_mm, grid.column_mm
        )
        spanning = int(rng.integers(1, 4))
        add_sheets(
            rng,
            level,
            spanning,
            tissue.spanning_db,
            grid.row_mm,
            grid.column_mm,
            (0.4, 1.3),
            thinnest_mm=0.08,
        )
        if tissue.lamina_db:
            fine, long = uniform(rng, 0.15, 0.35), uniform(rng, 8, 40)
            laminae = streaks(rng, rows, columns, long / grid.column_mm, fine / grid.row_mm)
            level += np.float32(0.45 * tissue.lamina_db) * laminae
        if tissue.line_db:
            add_long_lines(rng, level, tissue.line_db, grid.row_mm, grid.column_mm, longest=1.3)
        if tissue.near_db:
            _near_field(rng, level, tissue.near_db, grid)
    elif tissue.pattern == "border":
        _fascia(rng, level, tissue, grid)
    elif tissue.pattern == "bowel":
        size = uniform(rng, 3, 15)
        noise = streaks(rng, rows, columns, size / grid.column_mm, size / 2 / grid.row_mm)
        level += strength * 0.4 * noise
        _loops(rng, level, loss, tissue.gas, grid)
        if tissue.gas and chance(rng, 0.5):
            _gas_face(rng, level, loss, tissue.gas, grid)
    elif tissue.pattern == "vessels":
        _vessels(rng, level, strength, grid)
    elif tissue.pattern == "gland":
        _gland(rng, level, strength, grid)
    return level, loss


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
    shape = (int(band_top[-1]), columns)
    field = scatterers(rng, shape)
    level, loss = np.empty(shape, np.float32), np.empty(shape, np.float32)
    grid = Texture(np.empty((*shape, 4), np.float32), band_top, -half_width_mm, column_mm, row_mm)
    *streams, bone = split(rng, len(heights) + 1)
    for layer, first, height, own in zip(stack.layers, band_top, heights, streams, strict=False):
        band = slice(int(first), int(first) + height)
        tissue = layer.tissue
        level[band], loss[band] = _pattern(own, tissue, height, columns, grid)
        level[band] += np.float32(tissue.level_db)
        if tissue.coherence:
            field[band] *= np.float32(np.sqrt(1 - tissue.coherence))
            field[band, :, 0] += np.float32(np.sqrt(2 * tissue.coherence))
    level *= np.float32(np.log(10) / 20)
    cv2.merge([field, cv2.exp(level), loss], grid.echo)
    # Pubic bone below a suprapubic probe; a rib or the iliac crest beside the wall.
    if stack.bone:
        _bone(bone, grid, stack)
    return grid


def _band_rows(layer: Layer, depth_mm: float, row_mm: float) -> int:
    """Rows of a layer's band: its mean thickness, the last layer cut at the picture's depth."""
    thick = layer.thickness_mm[layer.thickness_mm > 0]
    mean = float(thick.mean()) if thick.size else row_mm
    return max(2, round(min(mean, depth_mm) / row_mm))
