"""Owns tissue at rest: a stack of layers, each a thickness profile in mm along the body.

What the layers are is drawn in wall.py, bladder.py and other.py. All views are stacks. A layer that
ends tapers to zero, so aponeuroses, the rectus edge and the rounded sides of a bladder need no
special case. ``x`` runs along the skin, increasing away from the midline ("lateral"); the picture
may mirror it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import BACKGROUND, Structure, View, label_of
from layermotion_synthetic.factors import Factors

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
        ``plain``, ``fibres``, ``pennate``, ``lobules``, ``border``, ``bowel``, ``fluid``,
        ``vessels`` or ``gland``.
    contrast_db
        Strength of the pattern.
    coherence
        0 to 1; part of the echo that is mirror-like rather than speckle.
    sheet_db, spanning_db
        Bright sheets within the layer that look like fascia: short ones, and ones that run
        through the whole picture.
    gas
        Bowel only: strength of gas and its shadows.
    line_db
        Long lines as bright as a border, dB above the layer's mean; 0 for none.
    lamina_db
        Fat only: strength of fine lamination.
    near_db
        Fat only: how much darker its first millimetres are.
    soft_db, fading_db
        Borders only: how much darker their edges are than their middle; how deep they fade in long
        stretches.
    """

    level_db: float
    loss_db_cm_mhz: float
    pattern: str = "plain"
    contrast_db: float = 0.0
    coherence: float = 0.0
    sheet_db: float = 0.0
    spanning_db: float = 0.0
    gas: float = 0.0
    line_db: float = 0.0
    lamina_db: float = 0.0
    near_db: float = 0.0
    soft_db: float = 0.0
    fading_db: float = 0.0


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
    bone
        Strength of a bone at one side: 0 none, 1 well into the picture.
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
    bone: float = 0.0
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
        reach = np.minimum(np.abs(x_mm), self.face_half_width_mm) / self.face_radius_mm
        return np.asarray(self.face_radius_mm * (np.sqrt(np.maximum(1 - reach**2, 0)) - 1))

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


def end_taper(x_mm: Profile, tip_mm: float, length_mm: float, bluntness: float) -> Profile:
    """Taper that is 0 medial of ``tip_mm`` and 1 beyond ``length_mm`` lateral of it."""
    rise = np.clip((x_mm - tip_mm) / length_mm, 0.0, 1.0)
    return np.asarray((1 - (1 - rise) ** 2) ** bluntness)


def varied(
    rng: np.random.Generator, x_mm: Profile, mean_mm: float, share: float, shortest_mm: float = 35.0
) -> Profile:
    """Thickness around ``mean_mm`` that wanders by about ``share`` of it."""
    wander = share * undulation(rng, x_mm, shortest_mm, 160.0)
    return mean_mm * np.clip(1 + wander, 0.35, 2.0)


def lateral_grid(width_mm: float, margin_mm: float) -> Profile:
    """Lateral positions of a stack that reaches ``margin_mm`` beyond both sides of its picture."""
    half = np.ceil((width_mm / 2 + margin_mm) / STEP_MM)
    return np.arange(-half, half + 1) * STEP_MM


# Below about this contrast to muscle, dB, a line drowns in speckle, and nobody could tell where a
# layer ends (our choice).
FAINTEST_DB = 8.0
# Contrast of a border drawn on its own, dB: one may drown while its neighbours are seen, as in
# pictures (our choice).
OWN_BORDER_DB = (2.0, 30.0)
# Mean level of each muscle above the common one, and its spread, dB, where greys are drawn on their
# own: EO brightest, TrA darkest (common description of pictures, sizes our choice).
OWN_MUSCLE_DB = {"eo": 2.5, "io": 0.0, "tra": -3.0}
OWN_SPREAD_DB = 3.0
# Fat above the muscles' common level, dB, where greys are drawn on their own (our choice).
OWN_FAT_DB = (-10.0, 13.0)


@dataclass(frozen=True)
class Look:
    """Echo levels shared by the layers of one person and scanner."""

    muscle_db: float
    fat_db: float
    border_db: float
    border_mm: float
    border_spread_db: float
    border_gap_db: float
    border_coherence: float
    fibre_db: float
    lobule_db: float
    fat_sheet_db: float
    septum_db: float
    fat_loss: float
    muscle_loss: float
    own_border: float
    own_grey: float
    soft_db: float
    fading_db: float
    lines: float
    lamina_db: float
    near_field: float


def draw_look(rng: np.random.Generator, factors: Factors) -> Look:
    """Draw echo levels: muscle dark, fat around it, fascia bright, each with its exceptions."""
    bright = factors.bright_muscle
    faint = factors.faint_fascia
    isoechoic = factors.isoechoic_fat
    gaps = factors.fascia_gaps
    sheets = factors.superficial_fascia
    septa = factors.septa
    young = uniform(rng, -32, -14)
    # Fat between the fibres of older muscle brightens it, not what lies around it.
    muscle = young + 9 * bright
    contrast = max(uniform(rng, 12, 34) * (1 - 0.6 * faint) - (muscle - young), FAINTEST_DB)
    fat = young + uniform(rng, -9, 11)
    own = rng.spawn(1)[0]
    grey = _weight(factors.own_greys)
    fat += grey * (young + uniform(own, *OWN_FAT_DB) - fat)
    fat = muscle + (fat - muscle) * max(1 - isoechoic, 0.0)
    return Look(
        muscle_db=muscle,
        fat_db=fat,
        border_db=muscle + contrast,
        border_mm=log_uniform(rng, 0.35, 1.3),
        # Where borders are faint, some are fainter than others, and than sheets in the fat.
        border_spread_db=2 + 3 * faint,
        border_gap_db=14 * gaps,
        border_coherence=uniform(rng, 0.0, 0.8) ** 1.5,
        # Streaks and sheets of collagen within a layer are fainter than the borders around it.
        fibre_db=min(uniform(rng, 3, 20), 0.7 * contrast) if chance(rng, 0.88) else 0.0,
        lobule_db=min(uniform(rng, 3, 22), 0.8 * contrast) if chance(rng, 0.88) else 0.0,
        fat_sheet_db=contrast * sheets,
        septum_db=contrast * 0.95 * septa,
        # Ranges span both attenuation sets: fat 0.63 to 0.8, muscle 0.96 to 1.4 dB/(cm MHz)
        # (PMC10346919 Table A2; PMC10001275 Table 4), widened below for low-loss settings.
        fat_loss=uniform(rng, 0.4, 0.85),
        muscle_loss=uniform(rng, 0.6, 1.4),
        own_border=_weight(factors.own_borders),
        own_grey=grey,
        soft_db=9 * factors.own_borders,
        fading_db=40 * factors.fading_borders,
        lines=factors.bright_lines,
        lamina_db=14 * factors.laminated_fat,
        near_field=factors.near_field,
    )


def _weight(strength: float) -> float:
    """Weight of a layer's own draw: most of it already at half the factor's strength."""
    return float(min(np.sqrt(strength), 1.0))


def draw_border(
    rng: np.random.Generator, x_mm: Profile, name: str, look: Look, scale: float = 1.0
) -> Layer:
    """Draw a fascia of 0.2 to 2.2 mm, brighter than its neighbours."""
    mean = log_uniform(rng, look.border_mm * 0.7, look.border_mm * 1.4) * scale
    level = look.border_db + rng.normal(0, look.border_spread_db)
    level = max(level, look.muscle_db + FAINTEST_DB)
    own = rng.spawn(1)[0]
    level += look.own_border * (look.muscle_db + uniform(own, *OWN_BORDER_DB) - level)
    tissue = Tissue(
        level,
        0.9,
        "border",
        look.border_gap_db,
        look.border_coherence,
        soft_db=look.soft_db,
        fading_db=look.fading_db * uniform(own, 0, 1),
    )
    share = uniform(rng, 0.08, 0.35)
    thickness = varied(rng, x_mm, mean, share, 12.0)
    thickness *= 1 + 0.3 * look.own_border * undulation(own, x_mm, 6.0, 30.0)
    return Layer(name, BACKGROUND, np.clip(thickness, 0.2, 2.2), tissue)


def draw_muscle(
    rng: np.random.Generator, look: Look, spread_db: float = 3.0, name: str = ""
) -> Tissue:
    """Draw a muscle's echoes: fibre streaks, and septa that look like fascia."""
    level = look.muscle_db + rng.normal(0, spread_db)
    contrast = look.fibre_db * uniform(rng, 0.5, 1.3)
    own = rng.spawn(1)[0]
    mean = OWN_MUSCLE_DB.get(name, 0.0)
    level += look.own_grey * (mean + own.normal(0, OWN_SPREAD_DB))
    if name == Structure.TRA:
        contrast *= 1 - 0.7 * look.own_grey
    line = _line_db(own, look, level) if chance(own, 0.6) else 0.0
    return Tissue(
        level, look.muscle_loss, "fibres", contrast, sheet_db=look.septum_db, line_db=line
    )


def _line_db(rng: np.random.Generator, look: Look, level_db: float) -> float:
    """Level of long bright lines above a layer's mean: up to that of the borders."""
    return max(look.lines * (look.border_db - level_db + uniform(rng, -6, 2)), 0.0)


def skin_and_fat(
    rng: np.random.Generator, x_mm: Profile, look: Look, fat_mm: float, factors: Factors
) -> list[Layer]:
    """Gel gap, skin and subcutaneous fat; the fat takes up tilt and bend of what lies below."""
    gap = factors.gel_gap
    shape = factors.layer_shape
    gel = 0.05 + 5 * gap * np.clip(0.5 + x_mm / x_mm[-1] * rng.normal(0, 1.2), 0, 2)
    layers = [Layer("gel", BACKGROUND, gel, Tissue(-60, 0.05, "fluid"))]
    if chance(rng, 0.85):
        # Skin stands out of the fat below it, or nobody could tell where it ends.
        level = max(look.muscle_db, look.fat_db) + uniform(rng, 5, 18)
        skin = Tissue(level, 0.6, "plain", 0.0, 0.2)
        thickness = varied(rng, x_mm, uniform(rng, 0.8, 2.8), 0.05)
        thickness *= 1 - 0.5 * min(look.near_field, 1.5)
        layers.append(Layer("skin", BACKGROUND, thickness, skin))
    # Wide layers bend slowly; a share of people show shorter waves.
    shortest = 60.0 if chance(rng, 0.8) else 25.0
    wander_mm = min(3.5, 0.07 * fat_mm + 0.6) * shape
    profile = fat_mm + rng.normal(0, 0.12) * shape * x_mm + rng.normal(0, 0.004) * shape * x_mm**2
    profile += wander_mm * undulation(rng, x_mm, shortest, 200.0)
    tissue = Tissue(
        look.fat_db,
        look.fat_loss,
        "lobules",
        look.lobule_db,
        sheet_db=0.7 * look.lobule_db,
        spanning_db=look.fat_sheet_db,
        line_db=_line_db(rng.spawn(1)[0], look, look.fat_db),
        lamina_db=look.lamina_db,
        near_db=20 * look.near_field,
    )
    # A soft floor keeps thin fat from vanishing on the down-hill side.
    floor = min(1.5, 0.5 * fat_mm)
    layers.append(
        Layer("fat", label_of(Structure.FAT), floor + np.logaddexp(0, profile - floor), tissue)
    )
    return layers


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
