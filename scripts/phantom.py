"""Owns tissue as point scatterers: what fills a layer, and how bodies become points.

Tissue is speckle (many weak points) crossed by sheets: rows of points closer than a wavelength that
echo together, as a mirror does. Which sheet is seen how bright then follows from its angle and
roughness. Speckle of muscle is the common level, 0 dB.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from aperture import Aperture, Scatterers
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import map_coordinates

Array = NDArray[np.float64]
Tissue = Callable[[Array, Array], tuple[Array, Array]]

# Points of speckle in an area of resolution: with 5 or more the envelope is Rayleigh's (our
# choice, see the tests).
CROWD = 6.0
# Points of a sheet lie this far apart, mm: below a quarter wavelength at 12 MHz.
SHEET_STEP_MM = 0.03
# Loss, dB/(cm MHz): fat 0.63 and 0.8, muscle across its fibres 0.96 and 1.2, skin 0.35, urine as
# water 0.0022 (PMC10001275 table 4; PMC10346919 table A2).
FAT_LOSS, MUSCLE_LOSS, SKIN_LOSS, URINE_LOSS = (0.63, 0.8), (0.96, 1.2), 0.35, 0.0022
# Of bowel, organs and loose tissue, middle of what soft tissue has (our choice).
SOFT_LOSS = 0.7
# A shadow: gas sends back nearly all (our choice), here the loss in its first millimetre.
GAS_LOSS = 20.0


@dataclass(frozen=True, eq=False)
class Sheet:
    """A curve that echoes as one: points x, z (mm), and its level above the speckle of muscle."""

    x: Array
    z: Array
    level_db: Array


@dataclass(frozen=True, eq=False)
class Phantom:
    """Tissue in the plane of the picture.

    Parameters
    ----------
    depth_mm
        Depth of the picture.
    tissue
        Gives (level in dB, loss in dB/(cm MHz)) at points (x, z).
    x_mm
        Where the edges are given.
    edges
        Upper and lower edge of each structure, shape (2, X), mm; NaN where there is none.
    sheets
        Everything that echoes as one.
    still_layer_mm
        Depth of the fat's lower border, from which echoes come back to the face once more.
    """

    depth_mm: float
    tissue: Tissue
    x_mm: Array
    edges: dict[str, Array]
    still_layer_mm: float
    sheets: tuple[Sheet, ...] = ()


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw with as many below the geometric mean as above."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def wave(rng: np.random.Generator, x: Array, knot_mm: float) -> Array:
    """Smooth curve through normal heights about ``knot_mm`` apart, unit variance at its knots."""
    count = int(np.ptp(x) / knot_mm) + 4
    knots = x.min() + (np.arange(count) - 1 + rng.uniform(-0.5, 0.5)) * knot_mm
    return np.asarray(CubicSpline(knots, rng.standard_normal(count))(x))


def sheet(
    rng: np.random.Generator, x: Array, z: Array, level_db: float, gaps: float = 0.0
) -> Sheet:
    """Lay a sheet along a curve; its level wanders, and falls by 18 dB in a share of it."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(z)))])
    count = max(4, int(way[-1] / SHEET_STEP_MM))
    at = np.linspace(0, way[-1], count)
    level = level_db + 2.5 * wave(rng, at, 6.0)
    if gaps:
        absent = wave(rng, at, 5.0)
        level = level - 18 * (absent < np.quantile(absent, gaps))
    # Collagen is not a mirror: roughness of a few hundredths of a millimetre.
    rough = 0.025 * wave(rng, at, 0.25) if way[-1] > 0.5 else 0.0
    return Sheet(np.interp(at, way, x), np.interp(at, way, z) + rough, level)


def streaks(
    rng: np.random.Generator,
    x: Array,
    upper: Array,
    lower: Array,
    level_db: float,
    gap_mm: float,
    length_mm: float,
    pennation: float = 0.0,
) -> list[Sheet]:
    """Short sheets between two edges, along them or at a slope: perimysium, or septa of fat."""
    area = float(np.maximum(lower - upper, 0).mean() * np.ptp(x))
    found = []
    for _ in range(int(area / (gap_mm * length_mm))):
        length = length_mm * rng.uniform(0.4, 1.6)
        start = rng.uniform(x[0] - length / 2, x[-1] - length / 2)
        along = np.arange(max(start, x[0]), min(start + length, x[-1]), 0.25)
        if along.size < 3:
            continue
        share = rng.uniform(0.04, 0.96)
        top, bottom = np.interp(along, x, upper), np.interp(along, x, lower)
        z = top + share * (bottom - top) + pennation * (along - along.mean())
        z += 0.06 * wave(rng, along, 3.0)
        inside = (z > top + 0.15) & (z < bottom - 0.15)
        if np.count_nonzero(inside) > 3:
            found.append(sheet(rng, along[inside], z[inside], level_db + rng.normal(0, 4)))
    return found


def fascia(
    rng: np.random.Generator, x: Array, upper: Array, lower: Array, level_db: float, gaps: float
) -> list[Sheet]:
    """Lamellae of collagen between two edges about as far apart as the pulse is long."""
    found = []
    for share in np.linspace(0.12, 0.88, 1 + int(np.median(lower - upper) / 0.22)):
        z = upper + (share + rng.uniform(-0.08, 0.08)) * (lower - upper)
        found.append(sheet(rng, x, z, level_db + rng.normal(0, 2), gaps))
    return found


def mottle(
    rng: np.random.Generator, depth_mm: float, size_mm: float, sd_db: float
) -> Callable[[Array, Array], Array]:
    """Level that wanders over patches of some size, dB."""
    shape = (int(260 / size_mm) + 4, int((depth_mm + 60) / size_mm) + 4)
    grid = rng.normal(0, sd_db, shape)

    def level(x: Array, z: Array) -> Array:
        at = np.stack([(x + 130) / size_mm + 1, (z + 30) / size_mm + 1])
        return np.asarray(map_coordinates(grid, at, order=1, mode="nearest"))

    return level


def layered(x_mm: Array, curves: Array, level_db: Array, loss: Array) -> Tissue:
    """Tissue between curves of shape (K, X): the first of K + 1 values lies above the first."""
    step = x_mm[1] - x_mm[0]

    def tissue(x: Array, z: Array) -> tuple[Array, Array]:
        at = np.clip((x - x_mm[0]) / step, 0, x_mm.size - 1.001)
        left = at.astype(np.int64)
        share = at - left
        index = np.zeros(x.shape, np.int64)
        for curve in curves:
            index += z > curve[left] * (1 - share) + curve[left + 1] * share
        return level_db[index], loss[index]

    return tissue


def with_gas(
    rng: np.random.Generator, tissue: Tissue, x_mm: Array, top: Array, count: int, width_mm: float
) -> tuple[Tissue, list[Sheet]]:
    """Put gas below a curve: a bright face, and shadow behind it."""
    pockets, faces = [], []
    for _ in range(count):
        centre = rng.uniform(x_mm[0] * 0.7, x_mm[-1] * 0.7)
        half = width_mm * rng.uniform(0.3, 1.0)
        near = np.abs(x_mm - centre) < half
        if np.count_nonzero(near) < 4:
            continue
        x = x_mm[near]
        z = top[near] + rng.uniform(0.3, 8) + 0.02 * (x - centre) ** 2 / max(half / 10, 0.5)
        z = z + 0.15 * wave(rng, x, 3.0)
        pockets.append((x, z))
        # Bubbles make the face rough: a few sheets, each seen from another angle.
        level = rng.uniform(22, 34)
        faces += [sheet(rng, x, z + 0.08 * wave(rng, x, 0.8), level, 0.1) for _ in range(3)]

    def both(x: Array, z: Array) -> tuple[Array, Array]:
        level, loss = tissue(x, z)
        for px, pz in pockets:
            down = z - np.interp(x, px, pz, left=np.inf, right=np.inf) - 0.4
            loss = np.where((down > 0) & (down < 1), GAS_LOSS, loss)
        return level, loss

    return both, faces


def scatter(rng: np.random.Generator, aperture: Aperture, phantom: Phantom) -> Scatterers:
    """Fill the field of view with points."""
    lateral = 1.2 * aperture.wave_mm * aperture.f_number
    cell = aperture.axial_mm * lateral
    half, depth = aperture.half_face_mm + 1.5, phantom.depth_mm + 2
    flare = 1 + depth / aperture.radius_mm
    count = int(CROWD / cell * 2 * half * depth * (1 + flare) / 2)
    u = rng.uniform(-half, half, count)
    # Even over the area: a sector is wider below.
    share = rng.random(count)
    a = (flare - 1) / 2
    ways = share if a == 0 else (np.sqrt(1 + 4 * a * (1 + a) * share) - 1) / (2 * a)
    x, z = aperture.place(u, ways * depth)
    level, _ = phantom.tissue(x, z)
    echo = rng.choice([-1.0, 1.0], count) * 10 ** (level / 20)
    xs, zs, es = [x], [z], [echo]
    # A sheet as strong as speckle: its points in a beam's width together equal one cell's.
    unit = np.sqrt(CROWD) * SHEET_STEP_MM / lateral
    for one in phantom.sheets:
        su, sd = aperture.locate(one.x, one.z)
        shown = (np.abs(su) < half) & (sd > 0) & (sd < depth)
        xs.append(one.x[shown])
        zs.append(one.z[shown])
        es.append(unit * 10 ** (one.level_db[shown] / 20))
    x, z = np.concatenate(xs), np.concatenate(zs)
    loss = _loss_np(aperture, phantom, half, depth, x, z)
    single = [np.asarray(v, np.float32) for v in (x, z, np.concatenate(es), loss)]
    return Scatterers(*single)


def _loss_np(
    aperture: Aperture, phantom: Phantom, half: float, depth: float, x: Array, z: Array
) -> Array:
    """Loss one way from the face down to points, neper at the centre frequency."""
    step_u, step_d = 0.4, 0.2
    u = np.arange(-half, half + step_u, step_u)
    d = np.arange(0, depth + step_d, step_d)
    gx, gz = aperture.place(u[:, None], d[None, :])
    _, loss = phantom.tissue(gx.ravel(), gz.ravel())
    db = np.cumsum(loss.reshape(gx.shape), axis=1) * step_d / 10 * aperture.frequency_mhz
    pu, pd = aperture.locate(x, z)
    at = np.stack([(pu - u[0]) / step_u, pd / step_d])
    return np.asarray(map_coordinates(db, at, order=1, mode="nearest") * np.log(10) / 20)
