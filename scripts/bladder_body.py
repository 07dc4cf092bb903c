"""Owns the draw of a bladder seen from above the pubis, in front of a curved array.

Levels of echo and shapes are our choice, by how scanner pictures look; sizes name their source.
"""

from dataclasses import dataclass

import numpy as np
from aperture import Aperture
from numpy.typing import NDArray
from phantom import (
    FAT_LOSS,
    MUSCLE_LOSS,
    SKIN_LOSS,
    SOFT_LOSS,
    URINE_LOSS,
    Phantom,
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

# Rectus abdominis 11.7 +- 1.8 mm (article 91039).
RECTUS_MM = (11.7, 1.8)
# Bladder: 60 to 600 ml; ellipsoid, volume = 0.523 length width depth.
BLADDER_ML = (60.0, 600.0)


@dataclass(frozen=True)
class BladderSizes:
    """What lies above the bladder and how large it is, mm; ``above`` is tissue in front of it."""

    skin: float
    fat: float
    rectus: float
    sheath: float
    above: float
    width: float
    height: float

    @property
    def base(self) -> float:
        """Depth of the bladder's deepest point, about."""
        return self.skin + self.fat + self.rectus + 2 * self.sheath + self.above + self.height


def bladder_sizes(rng: np.random.Generator) -> BladderSizes:
    """Draw the sizes of a suprapubic view."""
    mean_axis = (log_uniform(rng, *BLADDER_ML) * 1000 / 0.523) ** (1 / 3)
    flatness = rng.uniform(0.4, 0.95)  # height over width
    return BladderSizes(
        skin=rng.uniform(1.0, 2.4),
        fat=log_uniform(rng, 5, 30),
        rectus=RECTUS_MM[0] + RECTUS_MM[1] * float(np.clip(rng.standard_normal(), -2, 2)),
        sheath=rng.uniform(0.5, 1.2),
        above=rng.uniform(3, 12),
        width=mean_axis * flatness**-0.4,
        height=mean_axis * flatness**0.6,
    )


def draw_bladder(
    rng: np.random.Generator,
    aperture: Aperture,
    sizes: BladderSizes,
    depth_mm: float,
    *,
    is_wide: bool = False,
) -> Phantom:
    """Draw a suprapubic view of a bladder of some size.

    In a wide look the bladder lies up to a third of its width to one side, its wall may be as dark
    as muscle or bright, and what lies behind it differs more from person to person.
    """
    reach = aperture.half_face_mm * (depth_mm / aperture.radius_mm + 1) + 6
    x = np.arange(-reach, reach + 0.25, 0.25)
    face = aperture.face(x)
    pressed = rng.uniform(0.2, 1.0) * gaussian_filter1d(face, 10 / 0.25, mode="nearest")
    curves = [face + 0.2, face + sizes.skin]
    curves.append(sizes.skin + sizes.fat + pressed + 0.8 * wave(rng, x, 35.0))
    muscle = sizes.rectus * (1 + 0.05 * wave(rng, x, 30.0))
    for size in (sizes.sheath, muscle, sizes.sheath):
        curves.append(curves[-1] + size)
    edge = np.maximum.accumulate(np.array(curves), axis=0)

    half_w, half_h = sizes.width / 2, sizes.height / 2
    own = rng.spawn(1)[0]
    centre_x = rng.normal(0, 4)
    if is_wide:
        centre_x += own.uniform(-0.33, 0.33) * sizes.width
    centre_z = float(np.median(edge[5])) + sizes.above + half_h
    angle = np.linspace(-np.pi, np.pi, 2001)
    power = rng.uniform(1.8, 2.8)
    radius = (np.abs(np.cos(angle)) ** power + np.abs(np.sin(angle)) ** power) ** (-1 / power)
    for k in (2, 3, 4, 5):
        radius *= 1 + rng.normal(0, 0.06 / k) * np.cos(k * angle + rng.uniform(0, 6.3))
    pushed = rng.uniform(0, 0.25) * (rng.random() < 0.5)
    radius *= 1 - pushed * np.exp(-(((angle - rng.normal(1.57, 0.3)) / rng.uniform(0.3, 0.6)) ** 2))
    radius[-1] = radius[0]
    thick = log_uniform(rng, 2.0, 6.0)
    inner = np.stack([centre_x + half_w * radius * np.cos(angle),
                      centre_z + half_h * radius * np.sin(angle)])  # fmt: skip
    outer_w, outer_h = half_w + thick, half_h + thick

    fat_db, muscle_db, loose = rng.uniform(-4, 8), rng.normal(0, 2), rng.uniform(2, 9)
    level = np.array([-40, fat_db + 12, fat_db, 10, muscle_db, 10, loose])
    fat_loss, muscle_loss = rng.uniform(*FAT_LOSS), rng.uniform(*MUSCLE_LOSS)
    loss = np.array([0, SKIN_LOSS, fat_loss, muscle_loss, muscle_loss, muscle_loss, SOFT_LOSS])
    plain = layered(x, edge, level, loss)
    patches = mottle(rng, depth_mm, 7.0, 2.5)
    organ_x, organ_half = centre_x + rng.normal(0, 10), (rng.uniform(14, 28), rng.uniform(8, 18))
    organ_z, organ_db = centre_z + outer_h + organ_half[1] * 0.9, rng.uniform(-3, 5)
    wall_db = rng.uniform(0, 8)
    if is_wide:
        wall_db, organ_db = own.uniform(-3, 14), own.uniform(-10, 8)

    def tissue(px: Array, pz: Array) -> tuple[Array, Array]:
        echo, lost = plain(px, pz)
        echo = echo + patches(px, pz)
        organ = ((px - organ_x) / organ_half[0]) ** 2 + ((pz - organ_z) / organ_half[1]) ** 2 < 1
        echo = np.where(organ, organ_db, echo)
        u, v = (px - centre_x) / half_w, (pz - centre_z) / half_h
        out = np.hypot((px - centre_x) / outer_w, (pz - centre_z) / outer_h)
        edge_at = np.interp(np.arctan2(v, u), angle, radius)
        in_wall = out < np.interp(
            np.arctan2((pz - centre_z) / outer_h, (px - centre_x) / outer_w), angle, radius
        )
        is_urine = np.hypot(u, v) < edge_at
        below_wall = pz > np.interp(px, x, edge[5])
        echo = np.where(in_wall & below_wall, wall_db, echo)
        echo = np.where(is_urine, -70.0, echo)
        return echo, np.where(is_urine, URINE_LOSS, lost)

    bright = rng.uniform(12, 22)
    sheets = [sheet(rng, x, edge[0] + 0.05, rng.uniform(10, 20))]
    for k in (2, 4):
        sheets += fascia(rng, x, edge[k], edge[k + 1], bright, rng.uniform(0, 0.2))
    sheets += streaks(rng, x, edge[1], edge[2], fat_db + rng.uniform(2, 12), 5.0, 18.0)
    sheets += streaks(rng, x, edge[3], edge[4], muscle_db + rng.uniform(-2, 8), 1.8, 12.0)
    sheets.append(sheet(rng, inner[0], inner[1], wall_db + rng.uniform(2, 12), 0.05))
    floor = np.maximum(organ_z + organ_half[1] + rng.uniform(-2, 12) + 3 * wave(rng, x, 30.0),
                       centre_z + outer_h + 2)  # fmt: skip
    sheets += fascia(rng, x, floor, floor + rng.uniform(1, 3), rng.uniform(4, 14), 0.3)
    gassy, faces = with_gas(rng, tissue, x, floor, int(rng.integers(0, 4)), 16.0)
    found = {"bladder": _crossed(x, inner)}
    return Phantom(depth_mm, gassy, x, found, float(np.median(edge[2])), tuple(sheets + faces))


def _crossed(x_mm: Array, outline: Array) -> Array:
    """Upper and lower crossing of a closed curve at each column, shape (2, X); NaN beside it."""
    (x0, z0), (x1, z1) = outline[:, :-1], outline[:, 1:]
    at = x_mm[:, None]
    crosses = (np.minimum(x0, x1) <= at) & (at < np.maximum(x0, x1))
    run = np.where(x1 == x0, 1.0, x1 - x0)
    z = np.where(crosses, z0 + (at - x0) / run * (z1 - z0), np.nan)
    is_seen = crosses.any(axis=1)
    both = np.full((2, x_mm.size), np.nan)
    both[:, is_seen] = np.nanmin(z[is_seen], axis=1), np.nanmax(z[is_seen], axis=1)
    return both
