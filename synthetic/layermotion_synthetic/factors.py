"""Owns what makes a picture easy or hard: one named strength per factor, drawn or set from outside.

All strengths are drawn before anything else, and each stage draws from its own stream: setting one
factor leaves what the same seed gives elsewhere alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Factors:
    """Strength of each factor.

    0 is off (two-sided factors: the middle), 1 the strongest drawn for training, beyond it lies
    what training never shows. Two-sided factors (``TWO_SIDED``) also take -1 and below.

    Parameters
    ----------
    fat_thickness, muscle_thickness
        Two-sided: fat 2.5 to 60 mm; all three muscles from their thinnest to their thickest.
    extra_depth, cut_below
        How far the picture reaches below the structures; how much of them it cuts off.
    layer_shape
        Slope, bend and waves of the layers.
    superficial_fascia, septa
        Bright sheets in the fat that span most of the picture; in the muscles, that do not.
    fascia_gaps, double_fascia, faint_fascia
        Dropout along the borders, borders of two lines, borders little brighter than muscle.
    bright_muscle, isoechoic_fat
        Older, fatty muscle; fat as bright as muscle.
    medial_end, thin_eo
        How far the muscles' medial ends reach into the picture; EO partly an aponeurosis.
    bone, bowel_gas
        Rib, iliac crest or pubis with its shadow; gas with its shadow below the structures.
    small_bladder, thick_bladder_wall, indented_bladder, bladder_out_of_view
        Nearly empty; thick and trabeculated; pushed in from below; cut by the picture's side.
    gel_gap, poor_contact
        Gel between probe and skin; ends and single lines of the probe without contact.
    frequency
        Two-sided: lowest to highest that suits the depth.
    compounding, harmonic
        Many looks averaged; harmonic imaging.
    noise, haze, reverberation
        Electronic noise; side lobes and multipath; repeated superficial echoes.
    gain, gain_curve
        Two-sided: too dark to too bright; unequal gain over depth and width.
    dynamic_range, grey_map
        Two-sided: 40 to 90 dB; bright to dark mid-tones.
    speckle_filter, edge_enhancement
        Speckle reduction and sharpening.
    pixel_aspect, screen_grab
        Two-sided: pixels wide to high; coarse, compressed copies of a screen.
    screen_marks, split_screen
        Text, rulers and marks over the picture; two pictures side by side (stills only).
    decorrelation
        Tissue out of the plane of the picture.
    persistence, probe_motion, breathing, peristalsis
        Clips only: frames blended, probe drift, breathing, bowel movement.
    own_borders, fading_borders
        Each border's contrast drawn on its own, 2 to 30 dB, with soft edges and a brightness and
        thickness that vary along it; long stretches in which it fades to nothing.
    bright_lines
        Lines in fat and muscle as bright as the borders, and oblique ones that join a border.
    own_greys
        Each layer's level drawn on its own: on average EO brightest, TrA darkest and even.
    laminated_fat
        Fat finely laminated.
    aponeurosis
        Muscles that taper over 30 to 80 mm into a thick, hazy, bright sheet.
    near_field
        Thin grey skin, and below it a dark flecked zone of some 5 mm.
    fading_depth
        Echoes that sink below the noise fade to black instead of showing it.
    fine_grain
        A short pulse and wide beams: fine grain, stretched sideways.
    """

    fat_thickness: float
    muscle_thickness: float
    extra_depth: float
    cut_below: float
    layer_shape: float
    superficial_fascia: float
    septa: float
    fascia_gaps: float
    double_fascia: float
    faint_fascia: float
    bright_muscle: float
    isoechoic_fat: float
    medial_end: float
    thin_eo: float
    bone: float
    bowel_gas: float
    small_bladder: float
    thick_bladder_wall: float
    indented_bladder: float
    bladder_out_of_view: float
    gel_gap: float
    poor_contact: float
    frequency: float
    compounding: float
    harmonic: float
    noise: float
    haze: float
    reverberation: float
    gain: float
    gain_curve: float
    dynamic_range: float
    grey_map: float
    speckle_filter: float
    edge_enhancement: float
    pixel_aspect: float
    screen_grab: float
    screen_marks: float
    split_screen: float
    decorrelation: float
    persistence: float
    probe_motion: float
    breathing: float
    peristalsis: float
    own_borders: float
    fading_borders: float
    bright_lines: float
    own_greys: float
    laminated_fat: float
    aponeurosis: float
    near_field: float
    fading_depth: float
    fine_grain: float


TWO_SIDED = frozenset(
    {
        "fat_thickness",
        "muscle_thickness",
        "frequency",
        "gain",
        "dynamic_range",
        "grey_map",
        "pixel_aspect",
    }
)
# Share of training pictures in which each factor acts (our choice).
SHARES: Mapping[str, float] = {
    "fat_thickness": 1,
    "muscle_thickness": 1,
    "extra_depth": 1,
    "cut_below": 0.06,
    "layer_shape": 0.85,
    "superficial_fascia": 0.6,
    "septa": 0.5,
    "fascia_gaps": 0.7,
    "double_fascia": 0.35,
    "faint_fascia": 0.4,
    "bright_muscle": 0.25,
    "isoechoic_fat": 0.25,
    "medial_end": 0.35,
    "thin_eo": 0.15,
    "bone": 0.17,
    "bowel_gas": 0.75,
    "small_bladder": 0.12,
    "thick_bladder_wall": 0.3,
    "indented_bladder": 0.5,
    "bladder_out_of_view": 0.25,
    "gel_gap": 0.25,
    "poor_contact": 0.2,
    "frequency": 1,
    "compounding": 0.55,
    "harmonic": 0.4,
    "noise": 0.6,
    "haze": 0.7,
    "reverberation": 0.5,
    "gain": 1,
    "gain_curve": 0.8,
    "dynamic_range": 1,
    "grey_map": 0.8,
    "speckle_filter": 0.6,
    "edge_enhancement": 0.4,
    "pixel_aspect": 0.35,
    "screen_grab": 0.3,
    "screen_marks": 0.4,
    "split_screen": 0.04,
    "decorrelation": 0.1,
    "persistence": 0.4,
    "probe_motion": 1,
    "breathing": 1,
    "peristalsis": 0.5,
    "own_borders": 0.5,
    "fading_borders": 0.3,
    "bright_lines": 0.5,
    "own_greys": 0.6,
    "laminated_fat": 0.35,
    "aponeurosis": 0.2,
    "near_field": 0.35,
    "fading_depth": 0.4,
    "fine_grain": 0.35,
}
# The first so many were drawn before the others were thought of, and still come from the seed's own
# stream: where no later factor acts, a seed gives the picture it always gave.
_FIRST = 43
# Everything as the seed has it.
DRAWN: Mapping[str, float] = {}
# The same without the factors thought of last: borders alike, greys in their usual order. Shipped
# weights were trained on these, and measuring is judged on them.
USUAL: Mapping[str, float] = dict.fromkeys(list(SHARES)[_FIRST:], 0.0)
# A plain picture: all factors off, but room below for a muscle to thicken.
PLAIN: Mapping[str, float] = {**dict.fromkeys(SHARES, 0.0), "extra_depth": 0.5}


def draw_factors(rng: np.random.Generator, forced: Mapping[str, float] = DRAWN) -> Factors:
    """Draw every strength, 0 to 1 or -1 to 1 evenly where the factor acts; then set the forced.

    Raises
    ------
    ValueError
        If a forced factor is unknown, or has one side only and is below 0.
    """
    for name, value in forced.items():
        if name not in SHARES:
            raise ValueError(f"there is no factor {name}; known are {', '.join(SHARES)}")
        if value < 0 and name not in TWO_SIDED:
            raise ValueError(f"{name} has one side only; give 0 or more, not {value:g}")
    numbers = rng.random((_FIRST, 2)).tolist()
    numbers += rng.spawn(1)[0].random((len(SHARES) - _FIRST, 2)).tolist()
    drawn = {}
    for (name, share), (acts, number) in zip(SHARES.items(), numbers, strict=True):
        low = -1.0 if name in TWO_SIDED else 0.0
        drawn[name] = low + (1 - low) * number if acts < share else 0.0
    return Factors(**{**drawn, **forced})


def log_between(low: float, high: float, side: float) -> float:
    """Value from ``low`` (side -1) over the geometric mean (0) to ``high`` (1).

    Examples
    --------
    >>> [round(log_between(2.0, 8.0, side), 6) for side in (-1, 0, 1)]
    [2.0, 4.0, 8.0]
    """
    return float(np.sqrt(low * high) * (high / low) ** (side / 2))


def split(rng: np.random.Generator, count: int) -> list[np.random.Generator]:
    """Independent streams, so that one stage's number of draws leaves the others alone."""
    seeds = rng.integers(0, 2**63, count)
    return [np.random.Generator(np.random.SFC64(int(seed))) for seed in seeds]
