"""Owns tissue at rest: a stack of layers, each a thickness profile in mm along the body.

Both views are stacks. A layer that ends tapers to zero, so aponeuroses, the rectus edge and the
rounded sides of a bladder need no special case. ``x`` runs along the skin, increasing away from
the midline ("lateral"); the picture may mirror it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import BACKGROUND, Structure, View, label_of

Profile = NDArray[np.float64]

# Lateral step of every profile, mm: fine against the shortest undulation drawn here (4 mm).
STEP_MM = 0.5


@dataclass(frozen=True)
class Tissue:
    """How one layer echoes.

    Parameters
    ----------
    level_db
        Mean backscatter, dB relative to an arbitrary common level.
    loss_db_cm_mhz
        Attenuation, dB/(cm MHz), one way.
    pattern
        ``plain``, ``fibres``, ``lobules``, ``border``, ``bowel``, ``fluid`` or ``vessels``.
    contrast_db
        Strength of the pattern.
    coherence
        0 to 1; part of the echo that is mirror-like rather than speckle.
    """

    level_db: float
    loss_db_cm_mhz: float
    pattern: str = "plain"
    contrast_db: float = 0.0
    coherence: float = 0.0


@dataclass(frozen=True, eq=False)
class Layer:
    """One layer at rest: ``thickness_mm`` has shape (X,), on the stack's ``x_mm``."""

    name: str
    label: int
    thickness_mm: Profile
    tissue: Tissue


@dataclass(frozen=True, eq=False)
class Stack:
    """Layers from the probe downwards, with the field of view they were drawn for.

    Parameters
    ----------
    view
        The view, or None for an image that shows none of the structures.
    x_mm
        Shape (X,), lateral positions, equally spaced by ``STEP_MM``, centred on 0.
    layers
        From the probe down; the last reaches below the picture.
    depth_mm, width_mm
        Field of view.
    base_x_mm, base_width_mm
        Bladder view: centre and half-width of the part of the base that a lift moves most.
    face_radius_mm, face_half_width_mm
        Curvature of the probe's face, to which the skin moulds itself, and how far the face
        reaches to each side; infinite and unused for a flat face.
    """

    view: View | None
    x_mm: Profile
    layers: tuple[Layer, ...]
    depth_mm: float
    width_mm: float
    base_x_mm: float = 0.0
    base_width_mm: float = 20.0
    face_radius_mm: float = float("inf")
    face_half_width_mm: float = 0.0

    def __post_init__(self) -> None:
        for layer in self.layers:
            if layer.thickness_mm.shape != self.x_mm.shape:
                raise ValueError(f"{layer.name} has no thickness for each lateral position")
            if not np.all(layer.thickness_mm >= 0):
                raise ValueError(f"{layer.name} has a negative thickness")

    def surface_mm(self, x_mm: Profile) -> Profile:
        """Depth of the skin below the middle of the probe's face, mm; negative beside it."""
        if not np.isfinite(self.face_radius_mm):
            return np.zeros_like(x_mm)
        reach = np.minimum(np.abs(x_mm), self.face_half_width_mm)
        return np.asarray(np.sqrt(self.face_radius_mm**2 - reach**2) - self.face_radius_mm)

    def index(self, name: str) -> int:
        """Position of the named layer; ValueError if there is none."""
        return [layer.name for layer in self.layers].index(name)


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw from ``low`` to ``high``."""
    return float(rng.uniform(low, high))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw from ``low`` to ``high``, as many below the geometric mean as above."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def chance(rng: np.random.Generator, probability: float) -> bool:
    """Return True with the given probability."""
    return bool(rng.random() < probability)


def undulation(
    rng: np.random.Generator, x_mm: Profile, shortest_mm: float, longest_mm: float, waves: int = 3
) -> Profile:
    """Smooth random profile of unit variance (over draws), shape of ``x_mm``."""
    total = np.zeros_like(x_mm)
    for _ in range(waves):
        length = log_uniform(rng, shortest_mm, longest_mm)
        total += rng.normal() * np.sin(2 * np.pi * (x_mm / length + rng.random()))
    return np.asarray(total * np.sqrt(2.0 / waves))


def _end(x_mm: Profile, tip_mm: float, length_mm: float, bluntness: float) -> Profile:
    """Taper that is 0 medial of ``tip_mm`` and 1 beyond ``length_mm`` lateral of it."""
    rise = np.clip((x_mm - tip_mm) / length_mm, 0.0, 1.0)
    return np.asarray((1 - (1 - rise) ** 2) ** bluntness)


def _varied(
    rng: np.random.Generator, x_mm: Profile, mean_mm: float, share: float, shortest_mm: float = 35.0
) -> Profile:
    """Thickness around ``mean_mm`` that wanders by about ``share`` of it."""
    wander = share * undulation(rng, x_mm, shortest_mm, 160.0)
    return mean_mm * np.clip(1 + wander, 0.35, 2.0)


def _border(
    rng: np.random.Generator, x_mm: Profile, name: str, look: "WallLook", scale: float = 1.0
) -> Layer:
    """Draw a fascia of 0.25 to 1.8 mm, brighter than its neighbours."""
    mean = log_uniform(rng, look.border_mm * 0.7, look.border_mm * 1.4) * scale
    level = look.border_db + rng.normal(0, 2.5)
    tissue = Tissue(level, 0.9, "border", look.border_gap_db, look.border_coherence)
    thickness = np.clip(_varied(rng, x_mm, mean, 0.18, 12.0), 0.2, 2.2)
    return Layer(name, BACKGROUND, thickness, tissue)


@dataclass(frozen=True)
class WallLook:
    """Echo levels shared by the layers of one person and scanner."""

    muscle_db: float
    fat_db: float
    border_db: float
    border_mm: float
    border_gap_db: float
    border_coherence: float
    fibre_db: float
    lobule_db: float
    fat_loss: float
    muscle_loss: float


def _draw_look(rng: np.random.Generator) -> WallLook:
    muscle = uniform(rng, -32, -14)
    return WallLook(
        muscle_db=muscle,
        fat_db=muscle + uniform(rng, -9, 11),
        border_db=muscle + uniform(rng, 11, 36),
        border_mm=log_uniform(rng, 0.35, 1.3),
        border_gap_db=uniform(rng, 0, 14) if chance(rng, 0.7) else 0.0,
        border_coherence=uniform(rng, 0.0, 0.9),
        fibre_db=uniform(rng, 3, 22) if chance(rng, 0.88) else 0.0,
        lobule_db=uniform(rng, 3, 24) if chance(rng, 0.88) else 0.0,
        # Ranges span both attenuation sets: fat 0.63 to 0.8, muscle 0.96 to 1.4 dB/(cm MHz)
        # (PMC10346919 Table A2; PMC10001275 Table 4), widened below for low-loss settings.
        fat_loss=uniform(rng, 0.4, 0.85),
        muscle_loss=uniform(rng, 0.6, 1.4),
    )


def _skin_and_fat(
    rng: np.random.Generator, x_mm: Profile, look: WallLook, fat_mm: float
) -> list[Layer]:
    """Gel gap, skin and subcutaneous fat; the fat takes up tilt and bend of what lies below."""
    layers = []
    gel = uniform(rng, 0.3, 4.0) if chance(rng, 0.2) else 0.05
    layers.append(
        Layer("gel", BACKGROUND, np.full_like(x_mm, gel), Tissue(-60, 0.05, "fluid", 0.0, 0.0))
    )
    if chance(rng, 0.85):
        # Skin stands out of the fat below it, or nobody could tell where it ends.
        level = max(look.muscle_db, look.fat_db) + uniform(rng, 5, 18)
        skin = Tissue(level, 0.6, "plain", 0.0, 0.2)
        thickness = _varied(rng, x_mm, uniform(rng, 0.8, 2.8), 0.05)
        layers.append(Layer("skin", BACKGROUND, thickness, skin))
    slope = rng.normal(0, 0.07)
    curve = rng.normal(0, 0.0025)
    # Wide layers bend slowly; a share of people show shorter waves.
    shortest = 60.0 if chance(rng, 0.8) else 22.0
    wander_mm = min(2.5, 0.05 * fat_mm + 0.4)
    profile = fat_mm + slope * x_mm + curve * x_mm**2
    profile += wander_mm * undulation(rng, x_mm, shortest, 200.0)
    tissue = Tissue(look.fat_db, look.fat_loss, "lobules", look.lobule_db)
    # A soft floor keeps thin fat from vanishing on the down-hill side.
    floor = min(1.5, 0.5 * fat_mm)
    layers.append(
        Layer("fat", label_of(Structure.FAT), floor + np.logaddexp(0, profile - floor), tissue)
    )
    return layers


def _muscle(rng: np.random.Generator, look: WallLook, spread_db: float = 3.0) -> Tissue:
    level = look.muscle_db + rng.normal(0, spread_db)
    contrast = look.fibre_db * uniform(rng, 0.5, 1.3)
    return Tissue(level, look.muscle_loss, "fibres", contrast)


def _lateral_grid(width_mm: float, margin_mm: float) -> Profile:
    half = np.ceil((width_mm / 2 + margin_mm) / STEP_MM)
    return np.arange(-half, half + 1) * STEP_MM


def draw_wall(rng: np.random.Generator) -> Stack:
    """Draw a lateral abdominal wall.

    Rest thicknesses span the published means and spreads (Rho et al. 2013; Rankin et al. 2006:
    order TrA thinnest, IO thickest) and go beyond them on both sides, so that thin, strong and
    contracted muscles are all met: EO 3 to 12, IO 4 to 18, TrA 1.5 to 9 mm. Fat 2 to 60 mm is an
    engineering choice; no published lateral-wall figure was found.
    """
    look = _draw_look(rng)
    fat_mm = log_uniform(rng, 2.5, 24) if chance(rng, 0.8) else log_uniform(rng, 15, 60)
    eo_mm, io_mm, tra_mm = (
        log_uniform(rng, low, high) for low, high in ((3.5, 11.5), (4.5, 17), (1.7, 8.5))
    )
    total = fat_mm + eo_mm + io_mm + tra_mm + 5
    depth = max(25.0, total * uniform(rng, 1.06, 1.7) + uniform(rng, 0, 6))
    if chance(rng, 0.06):  # the deepest layer runs out of the picture
        depth = max(25.0, total * uniform(rng, 0.8, 1.0))
    width = uniform(rng, 30, 62) if depth < 75 else uniform(rng, 50, 110)
    x = _lateral_grid(width, 45.0)
    layers = _skin_and_fat(rng, x, look, fat_mm)

    share = log_uniform(rng, 0.02, 0.13)
    profiles = [_varied(rng, x, mean, share, 45.0) for mean in (eo_mm, io_mm, tra_mm)]
    rectus = np.zeros_like(x)
    if chance(rng, 0.35):  # the medial ends are in view
        tip = uniform(rng, -width * 0.5, width * 0.2)
        offsets = (rng.normal(2, 5), rng.normal(-4, 4), rng.normal(0, 4))
        for i, offset in enumerate(offsets):
            length = uniform(rng, 8, 40)
            profiles[i] = profiles[i] * _end(x, tip + offset, length, uniform(rng, 0.5, 1.1))
        if chance(rng, 0.7):
            thick = uniform(rng, 6, 15)
            edge = tip + min(offsets) - uniform(rng, 0, 8)
            rectus = thick * _end(-x, -edge, uniform(rng, 6, 18), 0.6)
    eo, io, tra = profiles
    layers.append(_border(rng, x, "eo superficial fascia", look))
    layers.append(Layer("eo", label_of(Structure.EO), eo, _muscle(rng, look)))
    layers.append(_border(rng, x, "eo-io fascia", look))
    if chance(rng, 0.35):  # fat between two leaves: a double line
        gap = np.clip(uniform(rng, 0.2, 2.0) * (1 + 0.7 * undulation(rng, x, 15, 80)), 0.0, 4.0)
        between = Tissue(look.fat_db + rng.normal(0, 3), look.fat_loss, "plain")
        layers.append(Layer("intermuscular fat", BACKGROUND, gap, between))
        layers.append(_border(rng, x, "io superficial fascia", look, 0.8))
    layers.append(Layer("io", label_of(Structure.IO), io, _muscle(rng, look)))
    if rectus.any():
        layers.append(Layer("rectus", BACKGROUND, rectus, _muscle(rng, look)))
    layers.append(_border(rng, x, "io-tra fascia", look))
    if chance(rng, 0.12):
        gap = np.full_like(x, uniform(rng, 0.2, 1.0))
        between = Tissue(look.fat_db + rng.normal(0, 3), look.fat_loss, "plain")
        layers.append(Layer("deep intermuscular fat", BACKGROUND, gap, between))
        layers.append(_border(rng, x, "tra superficial fascia", look, 0.8))
    layers.append(Layer("tra", label_of(Structure.TRA), tra, _muscle(rng, look)))
    layers.append(_border(rng, x, "transversalis fascia", look))
    if chance(rng, 0.6):
        fat = np.clip(uniform(rng, 0.3, 6) * (1 + 0.35 * undulation(rng, x, 25, 120)), 0.0, 12.0)
        tissue = Tissue(look.fat_db + rng.normal(0, 4), look.fat_loss, "lobules", look.lobule_db)
        layers.append(Layer("preperitoneal fat", BACKGROUND, fat, tissue))
        layers.append(_border(rng, x, "peritoneum", look, uniform(rng, 0.5, 1.2)))
    bowel = Tissue(
        look.muscle_db + uniform(rng, -8, 14), uniform(rng, 0.4, 1.0), "bowel", uniform(rng, 4, 22)
    )
    layers.append(Layer("bowel", BACKGROUND, np.full_like(x, depth * 1.5 + 20), bowel))
    return Stack(View.ABDOMINAL_WALL, x, tuple(layers), depth, width)


def draw_bladder(rng: np.random.Generator) -> Stack:
    """Draw a suprapubic bladder, sagittal or transverse, 30 to 600 ml.

    Length, width and depth follow the ellipsoid rule volume = 0.523 L W D (pi / 6).
    """
    look = _draw_look(rng)
    fat_mm = log_uniform(rng, 4, 40)
    muscle_mm = uniform(rng, 4, 14)
    volume_ml = log_uniform(rng, 30, 600)
    # Height over width from flat (nearly empty) to round (full); common practice, no source.
    aspect = uniform(rng, 0.35, 1.05)
    mean_axis = (volume_ml * 1000 / 0.523) ** (1 / 3)
    width = mean_axis * aspect ** (-0.4)
    height = mean_axis * aspect**0.6
    above = fat_mm + muscle_mm + 4
    depth = above + height + uniform(rng, 15, 75)
    view_width = min(depth * uniform(rng, 0.9, 1.5), 190.0)
    if chance(rng, 0.25):  # part of the bladder lies outside the picture
        view_width = max(40.0, width * uniform(rng, 0.7, 1.1))
    x = _lateral_grid(view_width, 30.0)
    layers = _skin_and_fat(rng, x, look, fat_mm)
    layers.append(_border(rng, x, "anterior sheath", look))
    rectus = _varied(rng, x, muscle_mm, 0.12)
    layers.append(Layer("rectus", BACKGROUND, rectus, _muscle(rng, look)))
    layers.append(_border(rng, x, "posterior sheath", look))

    centre = rng.normal(0, 0.08 * view_width)
    wall_mm = log_uniform(rng, 1.5, 7)
    power, root = uniform(rng, 1.7, 3.2), uniform(rng, 1.6, 2.6)
    skew = uniform(rng, -0.35, 0.35)

    def outline(half_width: float) -> Profile:
        s = np.clip((x - centre) / half_width, -1, 1)
        s = s + skew * (1 - s**2)
        return np.asarray((1 - np.abs(np.clip(s, -1, 1)) ** power) ** (1 / root))

    inner = height * outline(width / 2)
    outer = (height + 2 * wall_mm) * outline(width / 2 + wall_mm)
    base_x = centre + rng.normal(0, 0.08 * width)
    if chance(rng, 0.5):  # uterus, prostate or bowel indents the bladder
        bump = np.exp(-(((x - base_x) / uniform(rng, 0.15, 0.4) / width) ** 2))
        inner = inner * (1 - uniform(rng, 0.05, 0.3) * bump)
    if chance(rng, 0.3):  # trabeculated wall
        rough = uniform(rng, 0.01, 0.03) * undulation(rng, x, 7, 25, waves=6)
        inner = inner * np.clip(1 + rough, 0.5, 1.0)
    inner = np.where(inner < 0.3, 0.0, inner)
    wall = np.clip(outer - inner, 0.0, None) * (outer > 0)
    share_above = uniform(rng, 0.15, 0.6)
    wall_above = np.minimum(share_above * wall, 1.5 * wall_mm)
    wall_tissue = Tissue(look.muscle_db + uniform(rng, 0, 14), 0.8, "plain", 0.0, 0.2)
    pre = uniform(rng, 1, 8) + share_above * ((height + 2 * wall_mm) - outer)
    retro_tissue = Tissue(look.fat_db + rng.normal(3, 4), 0.6, "lobules", look.lobule_db)
    fluid = Tissue(look.muscle_db - uniform(rng, 18, 60), 0.0022, "fluid")
    layers.append(Layer("prevesical tissue", BACKGROUND, pre, retro_tissue))
    layers.append(Layer("anterior bladder wall", BACKGROUND, wall_above, wall_tissue))
    layers.append(Layer("bladder", label_of(Structure.BLADDER), inner, fluid))
    layers.append(Layer("posterior bladder wall", BACKGROUND, wall - wall_above, wall_tissue))
    if chance(rng, 0.7):
        line = Tissue(look.border_db + rng.normal(-2, 4), 0.9, "border", look.border_gap_db, 0.3)
        thin = np.full_like(x, uniform(rng, 0.5, 2.5))
        layers.append(Layer("pelvic fascia", BACKGROUND, thin, line))
    organ = Tissue(look.muscle_db + uniform(rng, -6, 12), 0.7, "vessels", uniform(rng, 2, 8))
    organ_mm = uniform(rng, 8, 40) * np.exp(-(((x - base_x) / (0.7 * width)) ** 2)) + 2
    layers.append(Layer("organ behind", BACKGROUND, organ_mm, organ))
    floor = Tissue(look.border_db + rng.normal(-4, 4), 0.9, "border", look.border_gap_db, 0.2)
    floor_mm = _varied(rng, x, uniform(rng, 1, 4), 0.2)
    layers.append(Layer("pelvic floor", BACKGROUND, floor_mm, floor))
    deep = Tissue(look.muscle_db + uniform(rng, -4, 12), 0.7, "bowel", uniform(rng, 4, 20))
    layers.append(Layer("deep tissue", BACKGROUND, np.full_like(x, depth * 1.5 + 20), deep))
    stack_base_width = uniform(rng, 0.22, 0.4) * width
    return Stack(
        View.BLADDER, x, tuple(layers), depth, view_width, float(base_x), float(stack_base_width)
    )


def mould_to_face(
    rng: np.random.Generator, stack: Stack, radius_mm: float, half_width_mm: float
) -> Stack:
    """Press a curved face into a stack: the skin follows it, and the fat takes up part of it."""
    stack = replace(stack, face_radius_mm=radius_mm, face_half_width_mm=half_width_mm)
    share = uniform(rng, 0.3, 1.0)
    taken = -share * stack.surface_mm(stack.x_mm)
    layers = tuple(
        replace(layer, thickness_mm=layer.thickness_mm + taken) if layer.name == "fat" else layer
        for layer in stack.layers
    )
    return replace(stack, layers=layers)


def draw_other(rng: np.random.Generator) -> Stack:
    """Draw neither view: an organ, a limb or an empty pelvis under skin and fat, or gel alone."""
    look = _draw_look(rng)
    depth, width = uniform(rng, 30, 160), uniform(rng, 35, 120)
    x = _lateral_grid(width, 30.0)
    kind = rng.choice(["organ", "limb", "pelvis", "gel"])
    layers = _skin_and_fat(rng, x, look, log_uniform(rng, 3, 25))
    rest = np.full_like(x, depth * 1.5 + 20)
    if kind == "organ":
        tissue = Tissue(look.muscle_db + uniform(rng, 0, 12), 0.6, "vessels", uniform(rng, 4, 20))
        layers.append(_border(rng, x, "capsule", look))
        layers.append(Layer("organ", BACKGROUND, rest, tissue))
    elif kind == "limb":
        for number in range(int(rng.integers(1, 3))):
            layers.append(_border(rng, x, f"fascia {number}", look))
            thickness = _varied(rng, x, uniform(rng, 14, 40), 0.15)
            layers.append(Layer(f"muscle {number}", BACKGROUND, thickness, _muscle(rng, look)))
        bone = Tissue(look.border_db + 8, 0.5, "border", 2.0, 0.9)
        layers.append(Layer("bone surface", BACKGROUND, np.full_like(x, 1.5), bone))
        layers.append(Layer("bone", BACKGROUND, rest, Tissue(-60, 20.0, "plain")))
    elif kind == "pelvis":
        layers.append(_border(rng, x, "sheath", look))
        layers.append(Layer("rectus", BACKGROUND, _varied(rng, x, 9.0, 0.15), _muscle(rng, look)))
        layers.append(_border(rng, x, "deep sheath", look))
        bowel = Tissue(look.muscle_db + uniform(rng, -6, 12), 0.7, "bowel", uniform(rng, 8, 24))
        layers.append(Layer("bowel", BACKGROUND, rest, bowel))
    else:
        level = uniform(rng, -80, -45)
        layers = [Layer("gel", BACKGROUND, rest, Tissue(level, 0.3, "fluid", 0.0, 0.0))]
    return Stack(None, x, tuple(layers), depth, width)
