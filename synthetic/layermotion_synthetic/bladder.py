"""Owns the suprapubic view at rest: wall, bladder, what indents it and what lies behind."""

import numpy as np

from layermotion.labels import BACKGROUND, Structure, View, label_of
from layermotion_synthetic.anatomy import (
    Layer,
    Look,
    Profile,
    Stack,
    Tissue,
    chance,
    draw_border,
    draw_look,
    draw_muscle,
    lateral_grid,
    log_uniform,
    skin_and_fat,
    undulation,
    uniform,
    varied,
)
from layermotion_synthetic.factors import Factors, split
from layermotion_synthetic.wall import draw_bowel


def draw_bladder(rng: np.random.Generator, factors: Factors, *, empty: bool = False) -> Stack:
    """Draw a suprapubic bladder, sagittal or transverse, 30 to 600 ml, nearly empty down to 8 ml.

    Length, width and depth follow the ellipsoid rule volume = 0.523 L W D (pi / 6).

    Parameters
    ----------
    empty
        No urine at all: the walls lie on each other, no structure but fat is labelled, and the
        view is neither.
    """
    sizes, looks, outline, behind = split(rng, 4)
    look = draw_look(looks, factors)
    fat_mm = log_uniform(sizes, 4, 40)
    muscle_mm = uniform(sizes, 4, 14)
    nearly_empty = factors.small_bladder
    volume_ml = log_uniform(sizes, 30, 600)
    if nearly_empty:
        volume_ml = 30 * (8 / 30) ** nearly_empty
    # Height over width from flat (nearly empty) to round (full); common practice, no source.
    aspect = uniform(sizes, 0.35, 1.05)
    mean_axis = (volume_ml * 1000 / 0.523) ** (1 / 3)
    width = mean_axis * aspect ** (-0.4)
    height = mean_axis * aspect**0.6
    above = fat_mm + muscle_mm + 4
    depth = min(above + height + uniform(sizes, 15, 75), 170.0)
    view_width = min(depth * uniform(sizes, 0.9, 1.5), 190.0)
    out = factors.bladder_out_of_view
    if out:
        view_width = max(40.0, width * (1.1 - 0.45 * out))
    x = lateral_grid(view_width, 30.0)
    layers = skin_and_fat(outline, x, look, fat_mm, factors)
    layers.append(draw_border(outline, x, "anterior sheath", look))
    rectus = varied(outline, x, muscle_mm, 0.12)
    layers.append(Layer("rectus", BACKGROUND, rectus, draw_muscle(outline, look)))
    layers.append(draw_border(outline, x, "posterior sheath", look))
    centre = outline.normal(0, 0.08 * view_width) + out * view_width * outline.uniform(-0.3, 0.3)
    base_x = float(centre + outline.normal(0, 0.08 * width))
    if empty:
        height = 0.0
    layers += _bladder(outline, x, look, (centre, base_x, width, height), factors)
    base_width = uniform(outline, 0.22, 0.4) * width
    layers += _behind(behind, x, look, (base_x, width, depth), factors)
    bone = factors.bone
    view = None if empty else View.BLADDER
    return Stack(view, x, tuple(layers), depth, view_width, bone, base_x, float(base_width))


def _bladder(
    rng: np.random.Generator,
    x: Profile,
    look: Look,
    shape_mm: tuple[float, float, float, float],
    factors: Factors,
) -> list[Layer]:
    """Prevesical tissue, both walls and the fluid; shape is (centre, base, width, height)."""
    centre, base_x, width, height = shape_mm
    thick = factors.thick_bladder_wall
    wall_mm = log_uniform(rng, 1.5, 6) + 5 * thick
    power, root = uniform(rng, 1.7, 3.2), uniform(rng, 1.6, 2.6)
    skew = uniform(rng, -0.35, 0.35)

    def outline(half_width: float) -> Profile:
        s = np.clip((x - centre) / half_width, -1, 1)
        s = s + skew * (1 - s**2)
        return np.asarray((1 - np.abs(np.clip(s, -1, 1)) ** power) ** (1 / root))

    inner = height * outline(width / 2)
    outer = (height + 2 * wall_mm) * outline(width / 2 + wall_mm)
    indented = factors.indented_bladder
    # Uterus, prostate or bowel pushes the bladder in.
    bump = np.exp(-(((x - base_x) / uniform(rng, 0.15, 0.4) / width) ** 2))
    inner = inner * (1 - min(0.35 * indented, 0.7) * bump)
    rough = undulation(rng, x, 7, 25, waves=6)
    inner = inner * np.clip(1 + 0.035 * thick * rough, 0.5, 1.0)
    inner = np.where(inner < 0.3, 0.0, inner)
    wall = np.clip(outer - inner, 0.0, None) * (outer > 0)
    share_above = uniform(rng, 0.15, 0.6)
    wall_above = np.minimum(share_above * wall, 1.5 * wall_mm)
    wall_tissue = Tissue(look.muscle_db + uniform(rng, 0, 14), 0.8, "plain", 0.0, 0.2)
    pre = uniform(rng, 1, 8) + share_above * ((height + 2 * wall_mm) - outer)
    retro = Tissue(look.fat_db + rng.normal(3, 4), 0.6, "lobules", look.lobule_db)
    fluid = Tissue(look.muscle_db - uniform(rng, 18, 60), 0.0022, "fluid")
    return [
        Layer("prevesical tissue", BACKGROUND, pre, retro),
        Layer("anterior bladder wall", BACKGROUND, wall_above, wall_tissue),
        Layer("bladder", label_of(Structure.BLADDER) if height else BACKGROUND, inner, fluid),
        Layer("posterior bladder wall", BACKGROUND, wall - wall_above, wall_tissue),
    ]


def _behind(
    rng: np.random.Generator,
    x: Profile,
    look: Look,
    place_mm: tuple[float, float, float],
    factors: Factors,
) -> list[Layer]:
    """Uterus or prostate, pelvic floor and bowel; place is (base, width, depth)."""
    base_x, width, depth = place_mm
    layers = []
    if chance(rng, 0.7):
        line = Tissue(look.border_db + rng.normal(-2, 4), 0.9, "border", look.border_gap_db, 0.3)
        thin = varied(rng, x, uniform(rng, 0.5, 2.5), 0.3, 12.0)
        layers.append(Layer("pelvic fascia", BACKGROUND, thin, line))
    organ = Tissue(look.muscle_db + uniform(rng, -6, 12), 0.7, "vessels", uniform(rng, 2, 8))
    if chance(rng, 0.5):  # endometrium or urethra: a bright core
        organ = Tissue(organ.level_db, 0.7, "gland", uniform(rng, 4, 14))
    organ_mm = uniform(rng, 8, 40) * np.exp(-(((x - base_x) / (0.7 * width)) ** 2)) + 2
    layers.append(Layer("organ behind", BACKGROUND, organ_mm, organ))
    floor = Tissue(look.border_db + rng.normal(-4, 4), 0.9, "border", look.border_gap_db, 0.2)
    floor_mm = varied(rng, x, uniform(rng, 1, 5), 0.3, 15.0)
    layers.append(Layer("pelvic floor", BACKGROUND, floor_mm, floor))
    rest = np.full_like(x, depth * 1.5 + 20)
    layers.append(Layer("deep tissue", BACKGROUND, rest, draw_bowel(rng, look, factors)))
    return layers
