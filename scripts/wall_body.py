"""Owns the draw of a lateral abdominal wall in front of an array.

Levels of echo and shapes are our choice, by how scanner pictures look; sizes name their source.
"""

import numpy as np
from aperture import Aperture
from numpy.typing import NDArray
from phantom import (
    FAT_LOSS,
    MUSCLE_LOSS,
    SKIN_LOSS,
    SOFT_LOSS,
    Phantom,
    Sheet,
    fascia,
    layered,
    log_uniform,
    mottle,
    sheet,
    streaks,
    wave,
    with_gas,
)
from scipy.ndimage import gaussian_filter1d

Array = NDArray[np.float64]

# Thickness at rest, mean and SD, mm. TrA and IO of women and men: Rho et al. 2013, PM&R 5:374-80
# (means); EO and all spreads: Middle East J Rehabil Health Stud, article 91039, EO of women scaled
# as their IO.
REST_MM = {
    "women": {"eo": (7.0, 1.4), "io": (7.7, 1.9), "tra": (3.5, 0.7)},
    "men": {"eo": (8.8, 1.6), "io": (9.5, 2.1), "tra": (5.5, 0.9)},
}
# Drawn in: change of thickness from rest, lowest to highest: TrA +29 % and +77 %, IO +12 and +20 %
# on average in men and women (Rho et al. 2013), no change of the EO.
DRAWN_IN = {"eo": (0.95, 1.05), "io": (1.0, 1.3), "tra": (1.1, 2.0)}
# Subcutaneous fat of the lateral wall: no published figure was found; our choice, mm.
FAT_MM = (4.0, 40.0)


def wall_sizes(rng: np.random.Generator) -> dict[str, float]:
    """Draw the thickness of fat, EO, IO and TrA, at rest or drawn in, mm."""
    person = REST_MM["women" if rng.random() < 0.5 else "men"]
    drawn_in = rng.random() < 0.4
    sizes = {"fat": log_uniform(rng, *FAT_MM)}
    for name, (mean, spread) in person.items():
        size = mean + spread * float(np.clip(rng.standard_normal(), -2, 2))
        sizes[name] = size * (float(rng.uniform(*DRAWN_IN[name])) if drawn_in else 1.0)
    return sizes


def draw_wall(
    rng: np.random.Generator,
    aperture: Aperture,
    sizes: dict[str, float],
    depth_mm: float,
    *,
    is_wide: bool = False,
) -> Phantom:
    """Draw a lateral abdominal wall with muscles of some mean thickness.

    In a wide look each border has its own brightness, down to one that is lost in speckle; fat may
    be darker or brighter than muscle, EO tends to be brightest and TrA darkest, and bright lines
    cross fat, EO and IO.
    """
    reach = aperture.half_face_mm * (depth_mm / aperture.radius_mm + 1) + 6
    x = np.arange(-reach, reach + 0.25, 0.25)
    face = aperture.face(x)
    tilt = np.tan(np.radians(float(np.clip(rng.normal(0, 4), -10, 10))))
    bend = rng.normal(0, 0.0012)
    skin = rng.uniform(1.0, 2.4)
    curves = [face + rng.uniform(0.0, 0.4), face + skin]
    wander = 0.03 * sizes["fat"] + 0.25
    slope = tilt * x + bend * x**2 + wander * wave(rng, x, 25.0)
    pressed = rng.uniform(0, 0.7) * gaussian_filter1d(face, 10 / 0.25, mode="nearest")
    below = skin + sizes["fat"] + slope + pressed
    curves.append(np.maximum(below, curves[1] + 0.4 * sizes["fat"]))
    ends = {"eo": -200.0, "io": -200.0, "tra": -200.0}
    if rng.random() < 0.3:  # the medial end of the deep muscles comes into view
        ends["tra"] = rng.uniform(-32, -16)
        ends["io"] = ends["tra"] - rng.uniform(-2, 12)
    side = rng.choice([-1.0, 1.0])
    for name in ("eo", "io", "tra"):
        between = log_uniform(rng, 0.35, 1.5 if name == "io" else 1.0)
        band = between * np.clip(1 + 0.25 * wave(rng, x, 12.0), 0.5, 1.8)
        curves.append(curves[-1] + band)
        shape = 1 + rng.normal(0, 0.006) * x + 0.04 * wave(rng, x, 22.0)
        rise = np.clip((side * x - ends[name]) / rng.uniform(12, 25), 0, 1)
        curves.append(curves[-1] + sizes[name] * np.clip(shape, 0.4, 1.6) * np.sqrt(rise))
    curves.append(curves[-1] + log_uniform(rng, 0.3, 0.9))
    deep_fat = rng.uniform(0.3, 6) if rng.random() < 0.6 else 0.3
    curves.append(curves[-1] + deep_fat * np.clip(1 + 0.3 * wave(rng, x, 15.0), 0.3, 2))
    curves.append(curves[-1] + rng.uniform(0.3, 0.7))
    edge = np.maximum.accumulate(np.array(curves), axis=0)

    older = rng.uniform(3, 8) if rng.random() < 0.25 else 0.0
    muscle = older + rng.normal(0, 1.5, 3)
    fat = rng.uniform(-4, 8)
    collagen = older + rng.uniform(8, 14)
    lamellae = np.full(5, collagen)
    own = rng.spawn(1)[0]
    if is_wide:
        muscle = muscle + np.array([2.0, 0.0, -2.5]) + own.normal(0, 2.5, 3)
        fat = own.uniform(-12, 12)
        lamellae = muscle.max() + own.uniform(1, 14, 5)
    level = np.array(
        [-40, max(fat, 0) + rng.uniform(8, 16), fat, lamellae[0], muscle[0], lamellae[1],
         muscle[1], lamellae[2], muscle[2], lamellae[3], max(fat, 2) + 2, lamellae[4],
         rng.uniform(-3, 8)]
    )  # fmt: skip
    fat_loss, muscle_loss = rng.uniform(*FAT_LOSS), rng.uniform(*MUSCLE_LOSS)
    loss = np.full(level.shape, muscle_loss)
    loss[[0, 1, 2, 10, 12]] = 0.0, SKIN_LOSS, fat_loss, fat_loss, SOFT_LOSS
    plain = layered(x, edge, level, loss)
    patches = mottle(rng, depth_mm, 5.0, 1.0)
    loops = mottle(rng, depth_mm, 6.0, 4.0)

    def tissue(px: Array, pz: Array) -> tuple[Array, Array]:
        echo, lost = plain(px, pz)
        is_bowel = pz > np.interp(px, x, edge[-1])
        return echo + np.where(is_bowel, loops(px, pz), patches(px, pz)), lost

    bright = rng.uniform(9, 25)
    gaps = rng.uniform(0, 0.35)
    sheets = [sheet(rng, x, edge[0] + 0.05, rng.uniform(10, 22))]
    brightness = []
    for k in (2, 4, 6, 8, 10):
        at = bright + rng.normal(0, 2) + older
        if is_wide:
            at = muscle.max() + own.uniform(2, 22)
        brightness.append(at)
        sheets += fascia(rng, x, edge[k], edge[k + 1], at, gaps)
    for k in (3, 5, 7):
        fine = rng.uniform(-2, 12)
        sheets += streaks(rng, x, edge[k], edge[k + 1], fine + older, rng.uniform(0.8, 1.8),
                          rng.uniform(4, 14), rng.normal(0, 0.04))  # fmt: skip
    septa = fat + rng.uniform(2, 14)
    sheets += streaks(rng, x, edge[1], edge[2], septa, rng.uniform(2, 5), rng.uniform(8, 25),
                      rng.normal(0, 0.06))  # fmt: skip
    if rng.random() < 0.5 and sizes["fat"] > 6:  # the membranous layer of the fat
        share = rng.uniform(0.3, 0.8)
        z = edge[1] + share * (edge[2] - edge[1])
        sheets.append(sheet(rng, x, z, bright - rng.uniform(2, 8), gaps))
    if is_wide:
        sheets += _lines(own, x, edge, max(brightness))
    gassy, faces = with_gas(rng, tissue, x, edge[-1], int(rng.integers(0, 4)), 12.0)
    found = {"fat": edge[[1, 2]], "eo": edge[[3, 4]], "io": edge[[5, 6]], "tra": edge[[7, 8]]}
    return Phantom(depth_mm, gassy, x, found, float(np.median(edge[2])), tuple(sheets + faces))


def _lines(rng: np.random.Generator, x: Array, edge: Array, bright_db: float) -> list[Sheet]:
    """Lines as bright as a fascia: through the fat, and along part of EO and IO."""
    found = []
    for k, is_whole in ((1, True), (3, False), (5, False)):
        if rng.random() < 0.5:
            continue
        length = 1.0 if is_whole else rng.uniform(0.2, 0.5)
        start = rng.uniform(0, 1 - length)
        first, last = (int(share * (x.size - 1)) for share in (start, start + length))
        along = slice(first, last + 1)
        share = rng.uniform(0.25, 0.75) + rng.uniform(-0.15, 0.15) * np.linspace(
            -1, 1, last + 1 - first
        )
        z = edge[k, along] + share * (edge[k + 1, along] - edge[k, along])
        found.append(sheet(rng, x[along], z, bright_db - rng.uniform(0, 6), 0.1))
    return found
