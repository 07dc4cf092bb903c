"""Owns what is neither view: other parts of the body, gel and air, so that the tool can refuse."""

from dataclasses import replace

import numpy as np

from layermotion.labels import BACKGROUND
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
    end_taper,
    lateral_grid,
    log_uniform,
    skin_and_fat,
    undulation,
    uniform,
    varied,
)
from layermotion_synthetic.bladder import draw_bladder
from layermotion_synthetic.factors import Factors
from layermotion_synthetic.wall import draw_bowel

_KINDS = ("limb", "back", "rectus", "pelvis", "organ", "gland", "gel", "air")
# Layered muscle is the hardest to tell from the wall, so that it comes often.
_SHARES = (0.18, 0.14, 0.18, 0.1, 0.16, 0.08, 0.08, 0.08)


def draw_other(rng: np.random.Generator, factors: Factors) -> Stack:
    """Draw neither view."""
    kind = str(rng.choice(_KINDS, p=_SHARES))
    if kind == "pelvis":
        return draw_bladder(rng, factors, empty=True)
    look = draw_look(rng, factors)
    deep = kind == "organ" and chance(rng, 0.7)
    depth = uniform(rng, 80, 160) if deep else uniform(rng, 28, 75)
    width = uniform(rng, 80, 130) if deep else uniform(rng, 30, 65)
    x = lateral_grid(width, 30.0)
    rest = np.full_like(x, depth * 1.5 + 20)
    if kind == "gel":
        gel = Tissue(uniform(rng, -80, -45), 0.3, "fluid")
        return Stack(None, x, (Layer("gel", BACKGROUND, rest, gel),), depth, width)
    if kind == "air":
        return Stack(None, x, tuple(_air(rng, x, look, depth)), depth, width)
    layers = skin_and_fat(rng, x, look, log_uniform(rng, 2, 0.35 * depth), factors)
    if kind == "limb":
        layers += _limb(rng, x, look, depth)
    elif kind == "back":
        layers += _back(rng, x, look, depth)
    elif kind == "rectus":
        layers += _rectus(rng, x, look, width)
        layers.append(Layer("bowel", BACKGROUND, rest, draw_bowel(rng, look, factors)))
    else:
        pattern = "vessels" if kind == "organ" else "gland"
        tissue = Tissue(look.muscle_db + uniform(rng, 0, 12), 0.6, pattern, uniform(rng, 4, 20))
        if kind == "gland":  # strap muscle above
            layers.append(draw_border(rng, x, "fascia", look))
            strap = varied(rng, x, uniform(rng, 2, 8), 0.2)
            layers.append(Layer("strap muscle", BACKGROUND, strap, draw_muscle(rng, look)))
        layers.append(draw_border(rng, x, "capsule", look))
        layers.append(Layer(kind, BACKGROUND, rest, tissue))
    return Stack(None, x, tuple(layers), depth, width)


def _bone(x: Profile, look: Look, depth_mm: float) -> list[Layer]:
    surface = Tissue(look.border_db + 8, 0.5, "border", 2.0, 0.6)
    rest = np.full_like(x, depth_mm * 1.5 + 20)
    return [
        Layer("bone surface", BACKGROUND, np.full_like(x, 1.2), surface),
        Layer("bone", BACKGROUND, rest, Tissue(-60, 20.0)),
    ]


def _limb(rng: np.random.Generator, x: Profile, look: Look, depth_mm: float) -> list[Layer]:
    """One to four muscles over a bone, or over deeper muscle: the wall's layers, elsewhere.

    Three or more with fibres along them would be a wall over gas: nobody could tell.
    """
    layers = []
    count = int(rng.integers(1, 5))
    pennate = count > 2 or chance(rng, 0.4)
    reach = depth_mm * uniform(rng, 0.5, 0.95)
    for number in range(count):
        layers.append(draw_border(rng, x, f"fascia {number}", look))
        thickness = varied(rng, x, reach / count * log_uniform(rng, 0.6, 1.5), 0.15)
        if chance(rng, 0.25):  # a muscle that ends in its tendon
            direction = 1 if chance(rng, 0.5) else -1
            tip, length = uniform(rng, -15, 15), uniform(rng, 25, 70)
            thickness = thickness * end_taper(direction * x, tip, length, 1.3)
        tissue = draw_muscle(rng, look)
        if pennate:
            tissue = replace(tissue, pattern="pennate")
        layers.append(Layer(f"muscle {number}", BACKGROUND, thickness, tissue))
    if chance(rng, 0.75):
        # A shaft is flat along its length and round across it.
        round_mm = uniform(rng, 0, 0.02) * x**2
        soft = Tissue(look.muscle_db + rng.normal(0, 3), look.muscle_loss, "fibres", look.fibre_db)
        layers.append(Layer("round bone's cover", BACKGROUND, np.minimum(round_mm, 40.0), soft))
        layers += _bone(x, look, depth_mm)
    else:
        layers.append(draw_border(rng, x, "deep fascia", look))
        rest = np.full_like(x, depth_mm * 1.5 + 20)
        layers.append(Layer("deep muscle", BACKGROUND, rest, draw_muscle(rng, look)))
    return layers


def _back(rng: np.random.Generator, x: Profile, look: Look, depth_mm: float) -> list[Layer]:
    """Back muscle over the bumps of the vertebrae."""
    pitch, height = uniform(rng, 18, 38), uniform(rng, 3, 12)
    bumps = height * np.abs(np.sin(np.pi * (x / pitch + rng.random()))) ** uniform(rng, 0.5, 2)
    layers = [draw_border(rng, x, "back fascia", look)]
    muscle = np.clip(varied(rng, x, depth_mm * uniform(rng, 0.3, 0.6), 0.08) + bumps, 3, None)
    tissue = replace(draw_muscle(rng, look), sheet_db=look.septum_db + 6)
    layers.append(Layer("back muscle", BACKGROUND, muscle, tissue))
    return layers + _bone(x, look, depth_mm)


def _rectus(rng: np.random.Generator, x: Profile, look: Look, width_mm: float) -> list[Layer]:
    """Rectus in its sheath, of one or both sides with the midline between them."""
    thick = varied(rng, x, uniform(rng, 5, 16), 0.12)
    if chance(rng, 0.5):
        middle = uniform(rng, -0.4, 0.4) * width_mm
        gap, length = uniform(rng, 2, 25), uniform(rng, 12, 30)
        right = end_taper(x, middle + gap / 2, length, 0.8)
        left = end_taper(-x, -(middle - gap / 2), length, 0.8)
        thick = thick * np.maximum(left, right)
    layers = [
        draw_border(rng, x, "anterior sheath", look),
        Layer("rectus", BACKGROUND, thick, draw_muscle(rng, look)),
        draw_border(rng, x, "posterior sheath", look),
    ]
    if chance(rng, 0.5):
        fat = np.clip(uniform(rng, 1, 8) * (1 + 0.4 * undulation(rng, x, 25, 120)), 0.0, None)
        tissue = Tissue(look.fat_db + rng.normal(0, 4), look.fat_loss, "lobules", look.lobule_db)
        layers.append(Layer("preperitoneal fat", BACKGROUND, fat, tissue))
        layers.append(draw_border(rng, x, "peritoneum", look))
    return layers


def _air(rng: np.random.Generator, x: Profile, look: Look, depth_mm: float) -> list[Layer]:
    """Probe off the skin: its own echo again and again, fainter each time."""
    pitch, fall_db = uniform(rng, 1.0, 9.0), uniform(rng, 1.0, 9.0)
    stripe = min(pitch * uniform(rng, 0.15, 0.5), 2.0)
    dark = Tissue(-70, 0.05, "fluid")
    layers = []
    for number in range(int(min(depth_mm / pitch, 25))):
        bright = Tissue(look.border_db - fall_db * number, 0.05, "border", 0.0, 0.5)
        layers.append(Layer(f"gap {number}", BACKGROUND, np.full_like(x, pitch - stripe), dark))
        layers.append(Layer(f"stripe {number}", BACKGROUND, np.full_like(x, stripe), bright))
    layers.append(Layer("air", BACKGROUND, np.full_like(x, depth_mm * 1.5 + 20), dark))
    return layers
