"""Owns one scene: a stack, its material, a probe and settings, drawn from one seed and rendered."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import View
from layermotion_synthetic.anatomy import Stack, chance, mould_to_face
from layermotion_synthetic.beams import Beams, Grid, lay_beams, scan_convert
from layermotion_synthetic.bladder import draw_bladder
from layermotion_synthetic.display import (
    Display,
    Grey,
    draw_display,
    smooth_and_sharpen,
    to_grey,
    white_level_db,
)
from layermotion_synthetic.factors import DRAWN, Factors, draw_factors, split
from layermotion_synthetic.imaging import Settings, form_image
from layermotion_synthetic.other import draw_other
from layermotion_synthetic.pose import Pose, label_image, structure_edges
from layermotion_synthetic.scanner import draw_probe, draw_settings
from layermotion_synthetic.texture import Texture, draw_texture
from layermotion_synthetic.wall import draw_wall

# A pixel whose two-way loss exceeds the gain curve by this much shows nothing of the tissue, dB.
SHADOW_DB = 32.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that stays the same while a clip runs."""

    factors: Factors
    stack: Stack
    texture: Texture
    beams: Beams
    settings: Settings
    display: Display
    mirrored: bool


@dataclass(frozen=True, eq=False)
class Picture:
    """One rendered frame with its truth.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns).
    labels
        uint8, same shape; 0 where the tissue is hidden by shadow or outside the beams.
    edges_mm
        Shape (5, 2, columns), depth of each structure's edges below the probe face, mm, exact,
        hidden parts included.
    inside
        bool, same shape; where the beams reach.
    white_db
        Echo level shown white.
    """

    pixels: Grey
    labels: Grey
    edges_mm: NDArray[np.float64]
    inside: NDArray[np.bool_]
    white_db: float


def draw_scene(
    rng: np.random.Generator,
    view: View | None,
    forced: Mapping[str, float] = DRAWN,
    *,
    samples: int = 384,
    slack_mm: float = 5.0,
) -> Scene:
    """Draw a scene of one view, or of neither (``None``).

    Parameters
    ----------
    forced
        Strengths of ``Factors`` set from outside; the others are drawn.
    samples
        Points along each beam; sets the finest detail drawn.
    slack_mm
        How far tissue may slide into the picture from either side.
    """
    draw = {View.ABDOMINAL_WALL: draw_wall, View.BLADDER: draw_bladder, None: draw_other}[view]
    factors = draw_factors(rng, forced)
    body, mould, head, material, knobs, screen = split(rng, 6)
    stack = draw(body, factors)
    probe = draw_probe(head, stack, factors)
    if np.isfinite(probe.face_radius_mm):
        face = probe.face_radius_mm * float(np.sin(probe.half_angle_rad)) + 2.0
        stack = mould_to_face(mould, stack, probe.face_radius_mm, min(face, probe.face_radius_mm))
    beams = lay_beams(probe, stack.depth_mm, samples)
    half_width = float(np.abs(beams.x_mm).max()) + slack_mm
    row_mm, column_mm = stack.depth_mm / samples, max(0.2, half_width / 160)
    return Scene(
        factors=factors,
        stack=stack,
        texture=draw_texture(material, stack, row_mm, column_mm, half_width),
        beams=beams,
        settings=draw_settings(knobs, stack, factors),
        display=draw_display(screen, factors),
        mirrored=chance(screen, 0.5),
    )


def pixel_aspect(factors: Factors) -> float:
    """Width of a pixel over its height, 0.74 to 1.35 in training."""
    return float(np.exp(0.3 * factors.pixel_aspect))


def picture_grid(scene: Scene, rows: int, columns: int) -> Grid:
    """``rows`` x ``columns`` pixels that just hold the whole field of view."""
    left, top, width, height = field_of_view(scene.beams)
    return Grid(rows, columns, height / rows, width / columns, left, top)


def field_of_view(beams: Beams) -> tuple[float, float, float, float]:
    """Left, top, width and height of the box around the beams, mm."""
    probe = beams.probe
    if probe.half_angle_rad == 0:
        return -probe.width_mm / 2, 0.0, probe.width_mm, beams.depth_mm
    half, apex = probe.half_angle_rad, probe.apex_mm
    curved = np.isfinite(probe.face_radius_mm)
    reach = (apex if curved else apex / np.cos(half)) + beams.depth_mm
    side = float(reach * np.sin(half))
    top = float(apex * np.cos(half) - apex) if curved else 0.0
    return -side, top, 2 * side, beams.depth_mm - top


def render(
    rng: np.random.Generator,
    scene: Scene,
    pose: Pose,
    grid: Grid,
    *,
    white_db: float | None = None,
    turn_rad: float = 0.0,
) -> Picture:
    """Render one frame and its truth.

    Parameters
    ----------
    rng
        Draws electronic noise only; the tissue's speckle comes from the scene.
    grid
        Pixels of the picture.
    white_db
        Echo level shown white, fixed through a clip; None takes it from this frame.
    turn_rad
        Out-of-plane motion as a mixing angle: pi / 2 replaces every scatterer.
    """
    echo_db, loss_db = form_image(
        rng, scene.stack, scene.texture, pose, scene.beams, scene.settings, turn_rad
    )
    if white_db is None:
        white_db = white_level_db(echo_db, scene.display)
    dark = white_db - 3 * scene.display.range_db
    both = np.dstack([np.maximum(echo_db, dark + 1), loss_db])
    converted = scan_convert(scene.beams, both, grid, (dark, 1e3))
    grey = to_grey(converted[..., 0], white_db, scene.display)
    grey = smooth_and_sharpen(grey, scene.display)
    inside = converted[..., 0] > dark + 0.5
    grey[~inside] = 0
    edges = structure_edges(scene.stack, pose, grid.x_mm)
    labels = label_image(edges - grid.top_mm, grid.row_mm, grid.rows)
    labels[~inside | (converted[..., 1] > SHADOW_DB)] = 0
    if scene.mirrored:
        grey, labels, inside = np.fliplr(grey), np.fliplr(labels), np.fliplr(inside)
        edges = edges[:, :, ::-1]
    grey, labels = np.ascontiguousarray(grey), np.ascontiguousarray(labels)
    return Picture(grey, labels, edges, inside, white_db)
