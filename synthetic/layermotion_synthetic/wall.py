"""Owns the lateral abdominal wall at rest: skin, fat, EO, IO, TrA, their fasciae and the bowel."""

from dataclasses import replace

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
    end_taper,
    lateral_grid,
    log_uniform,
    skin_and_fat,
    undulation,
    uniform,
    varied,
)
from layermotion_synthetic.factors import Factors, log_between, split


def draw_wall(rng: np.random.Generator, factors: Factors) -> Stack:
    """Draw a lateral abdominal wall.

    Rest thicknesses span the published means and spreads (Rho et al. 2013; Rankin et al. 2006:
    order TrA thinnest, IO thickest) and go beyond them on both sides, so that thin, strong and
    contracted muscles are all met: EO 3 to 12, IO 4 to 18, TrA 1.5 to 9 mm. Fat 2.5 to 60 mm is
    an engineering choice; no published lateral-wall figure was found.
    """
    sizes, looks, shape, medial, deep = split(rng, 5)
    look = draw_look(looks, factors)
    fat_mm = log_between(2.5, 60.0, factors.fat_thickness)
    eo_mm, io_mm, tra_mm = (
        log_between(low, high, _own_side(sizes, factors.muscle_thickness))
        for low, high in ((3.5, 11.5), (4.5, 17), (1.7, 8.5))
    )
    total = fat_mm + eo_mm + io_mm + tra_mm + 5
    below = factors.extra_depth
    depth = max(25.0, total * (1.06 + 0.7 * below**1.3) + uniform(sizes, 0, 5))
    if factors.cut_below:  # the deepest layer runs out of the picture
        depth = max(25.0, total * (1 - 0.25 * factors.cut_below))
    width = uniform(sizes, 30, 62) if depth < 75 else uniform(sizes, 50, 110)
    x = lateral_grid(width, 45.0)

    eo, io, tra = (varied(shape, x, mean, _wander(shape), 45.0) for mean in (eo_mm, io_mm, tra_mm))
    thin = factors.thin_eo
    if thin:  # muscle gives way to its aponeurosis towards the midline
        edge, length = uniform(shape, -0.3, 0.5) * width, uniform(shape, 20, 60)
        eo = eo * (1 - min(0.75 * thin, 0.95) * end_taper(-x, -edge, length, 1.5))
    layers = skin_and_fat(shape, x, look, fat_mm, factors)
    eo, io, tra, rectus = _medial_ends(medial, x, (eo, io, tra), width, factors)
    (eo, io, tra), sheets = _aponeuroses(rng.spawn(1)[0], x, (eo, io, tra), width, factors)
    layers += _muscles(shape, x, look, (eo, io, tra), rectus, sheets, factors)
    whole = eo + io + tra + rectus
    ends = factors.medial_end or factors.aponeurosis
    thinner = np.clip(np.median(whole) - whole, 0, None) * bool(ends)
    layers += _below(deep, x, look, depth, thinner, factors)
    bone = factors.bone
    return Stack(View.ABDOMINAL_WALL, x, tuple(layers), depth, width, bone)


def _own_side(rng: np.random.Generator, side: float) -> float:
    """Side of one muscle: all are alike at the ends of the range and differ most in its middle."""
    return side + max(1 - abs(side), 0.0) * uniform(rng, -1, 1)


def _wander(rng: np.random.Generator) -> float:
    """Share of its thickness by which a layer varies along the picture."""
    return log_uniform(rng, 0.02, 0.14)


def _medial_ends(
    rng: np.random.Generator,
    x: Profile,
    muscles: tuple[Profile, Profile, Profile],
    width_mm: float,
    factors: Factors,
) -> tuple[Profile, Profile, Profile, Profile]:
    """End the muscles in their aponeuroses, and begin the rectus beyond the semilunar line."""
    reach = factors.medial_end
    tip = width_mm * (-0.5 + 0.7 * reach)
    offsets = (rng.normal(2, 5), rng.normal(-4, 4), rng.normal(0, 4))
    tapered = [
        muscle * end_taper(x, tip + offset, _taper_mm(rng, muscle), uniform(rng, 0.7, 1.5))
        for muscle, offset in zip(muscles, offsets, strict=True)
    ]
    edge = tip + min(offsets) - uniform(rng, 0, 8)
    rectus = uniform(rng, 6, 15) * end_taper(-x, -edge, uniform(rng, 10, 25), 0.7)
    if not reach:
        return (*muscles, np.zeros_like(x))
    has_rectus = chance(rng, 0.7)
    return tapered[0], tapered[1], tapered[2], rectus if has_rectus else np.zeros_like(x)


def _taper_mm(rng: np.random.Generator, muscle: Profile) -> float:
    """Length over which a muscle ends: no steeper than about 1 in 2."""
    return max(uniform(rng, 10, 45), 2.2 * float(muscle.mean()))


def _aponeuroses(
    rng: np.random.Generator,
    x: Profile,
    muscles: tuple[Profile, Profile, Profile],
    width_mm: float,
    factors: Factors,
) -> tuple[tuple[Profile, Profile, Profile], dict[Structure, Profile]]:
    """Taper the muscles over 30 to 80 mm into their aponeuroses, which take up part of it.

    Returns
    -------
    muscles, sheets
        What is left of the muscles, and what the borders above IO and TrA grow by, mm.
    """
    reach = factors.aponeurosis
    if not reach:
        return muscles, dict.fromkeys((Structure.IO, Structure.TRA), np.zeros_like(x))
    tip = width_mm * (-0.85 + 0.65 * reach)
    # A strong wall needs a long way to thin out: no steeper in all than about 1 in 2.
    shortest = max(30.0, 1.6 * float(sum(muscle.mean() for muscle in muscles)))
    left = [
        muscle
        * end_taper(
            x,
            tip + rng.normal(0, 6),
            uniform(rng, shortest, max(80.0, shortest)),
            uniform(rng, 0.8, 1.2),
        )
        for muscle in muscles
    ]
    eo, io, tra = (whole - rest for whole, rest in zip(muscles, left, strict=True))
    upper, lower = uniform(rng, 0.1, 0.4), uniform(rng, 0.1, 0.35)
    sheets = {
        Structure.IO: np.clip(upper * (eo + io / 2), 0, 4.0),
        Structure.TRA: np.clip(lower * (tra + io / 2), 0, 4.0),
    }
    return (left[0], left[1], left[2]), sheets


def _muscles(
    rng: np.random.Generator,
    x: Profile,
    look: Look,
    muscles: tuple[Profile, Profile, Profile],
    rectus: Profile,
    sheets_mm: dict[Structure, Profile],
    factors: Factors,
) -> list[Layer]:
    """EO, IO and TrA between their borders, single or double; ``sheets_mm`` thickens these."""
    names = (Structure.EO, Structure.IO, Structure.TRA)
    layers = [draw_border(rng, x, "eo superficial fascia", look)]
    for name, thickness, share in zip(names, muscles, (0.0, 1.0, 0.5), strict=True):
        if name is not Structure.EO:
            border = draw_border(rng, x, f"fascia above {name}", look)
            if sheets_mm[name].any():  # fibres of many directions: hazy rather than shining
                hazy = replace(border.tissue, coherence=0.0)
                border = replace(
                    border, thickness_mm=border.thickness_mm + sheets_mm[name], tissue=hazy
                )
            layers.append(border)
            double = factors.double_fascia
            if chance(rng, share) and double:  # fat between two leaves: a double line
                gap = (0.2 + 1.2 * double) * (1 + 0.7 * undulation(rng, x, 15, 80))
                between = Tissue(_deep_fat_db(rng, look), look.fat_loss)
                layers.append(
                    Layer(f"fat above {name}", BACKGROUND, np.clip(gap, 0.0, 2.5), between)
                )
                layers.append(draw_border(rng, x, f"second fascia above {name}", look, 0.8))
        tissue = draw_muscle(rng, look, name=name)
        layers.append(Layer(name, label_of(name), thickness, tissue))
        if name is Structure.IO and rectus.any():
            layers.append(Layer("rectus", BACKGROUND, rectus, draw_muscle(rng, look)))
    layers.append(draw_border(rng, x, "transversalis fascia", look))
    return layers


def _below(
    rng: np.random.Generator,
    x: Profile,
    look: Look,
    depth_mm: float,
    thinner_mm: Profile,
    factors: Factors,
) -> list[Layer]:
    """Preperitoneal fat, which fills much of where the wall is thinner, peritoneum and bowel."""
    layers = []
    if chance(rng, 0.6) or thinner_mm.any():
        fat = np.clip(uniform(rng, 0.3, 6) * (1 + 0.35 * undulation(rng, x, 25, 120)), 0.0, 12.0)
        fat += uniform(rng, 0.3, 1.0) * thinner_mm
        tissue = Tissue(_deep_fat_db(rng, look), look.fat_loss, "lobules", look.lobule_db)
        layers.append(Layer("preperitoneal fat", BACKGROUND, fat, tissue))
        layers.append(draw_border(rng, x, "peritoneum", look, uniform(rng, 0.5, 1.2)))
    bowel = draw_bowel(rng, look, factors)
    layers.append(Layer("bowel", BACKGROUND, np.full_like(x, depth_mm * 1.5 + 20), bowel))
    return layers


def _deep_fat_db(rng: np.random.Generator, look: Look) -> float:
    """Level of fat between and below the muscles, brighter than they are.

    Common practice, no source: dark fat between two lines would pass for another muscle.
    """
    return max(look.fat_db + rng.normal(0, 3), look.muscle_db + uniform(rng, 4, 12))


def draw_bowel(rng: np.random.Generator, look: Look, factors: Factors) -> Tissue:
    """Draw loops of bowel, their content anything from fluid to gas."""
    gas = factors.bowel_gas
    tissue = Tissue(look.muscle_db + uniform(rng, -6, 10), uniform(rng, 0.4, 1.0), "bowel")
    return replace(tissue, contrast_db=uniform(rng, 4, 20), gas=gas)
