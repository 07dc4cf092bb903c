"""Owns the draw of a scanner: a probe that suits the view, its gain, noise and artefacts."""

import numpy as np

from layermotion.labels import View
from layermotion_synthetic.anatomy import Stack, chance, log_uniform, uniform
from layermotion_synthetic.beams import Probe
from layermotion_synthetic.factors import Factors, split
from layermotion_synthetic.imaging import Settings


def draw_probe(rng: np.random.Generator, stack: Stack, factors: Factors) -> Probe:
    """Draw a transducer that suits the depth and width of the view.

    Published: linear 5 to 12 MHz for the wall, curved 3.5 to 6 MHz for the bladder; 3 to 15 MHz
    here.
    """
    shape, pulse = split(rng, 2)
    deep = stack.depth_mm > 85
    if deep or chance(shape, 0.12):
        kind = str(shape.choice(["curved", "curved", "curved", "sector"]))
    else:
        kind = str(shape.choice(["linear", "linear", "linear", "trapezoid"]))
    if stack.view is View.BLADDER and kind in ("linear", "trapezoid") and chance(shape, 0.6):
        kind = "curved"
    # Penetration: about 500 mm MHz round trip per 60 dB in mixed tissue bounds the frequency.
    highest = float(np.clip(560 / stack.depth_mm, 3.4, 15))
    lowest = max(3.0, 0.45 * highest)
    side = factors.frequency
    harmonic = factors.harmonic
    settings = {
        "frequency_mhz": max((lowest + highest) / 2 + side * (highest - lowest) / 2, 1.5),
        "cycles": uniform(pulse, 1.2, 3.2) * (1 - 0.5 * min(factors.fine_grain, 1.4)),
        # Harmonic beams are narrower.
        "f_number": uniform(pulse, 1.3, 3.5)
        * (1 - 0.25 * min(harmonic, 2.0))
        * (1 + 0.7 * factors.fine_grain),
        "focus_mm": stack.depth_mm * uniform(pulse, 0.25, 0.9),
        "lines": int(pulse.integers(112, 240)),
    }
    if kind == "linear":
        return Probe(np.inf, 0.0, stack.width_mm, **settings)  # type: ignore[arg-type]
    if kind == "trapezoid":
        angle = uniform(shape, 0.08, 0.3)
        return Probe(np.inf, angle, stack.width_mm * 0.8, **settings)  # type: ignore[arg-type]
    radius = uniform(shape, 35, 70) if kind == "curved" else uniform(shape, 4, 15)
    # The opening angle makes the picture as wide at its deepest as the stack was drawn for.
    reach = radius + stack.depth_mm
    half = float(np.clip(np.arcsin(min(0.98, stack.width_mm / 2 / reach)), 0.3, 0.85))
    return Probe(radius, half, 2 * reach * float(np.sin(half)), **settings)  # type: ignore[arg-type]


def draw_settings(rng: np.random.Generator, stack: Stack, factors: Factors) -> Settings:
    """Draw gain, noise and artefact strengths."""
    artefacts, gains, face = split(rng, 3)
    compounding = factors.compounding
    harmonic = factors.harmonic
    noise = factors.noise
    haze = factors.haze
    repeated = factors.reverberation
    uneven = factors.gain_curve
    contact = factors.poor_contact
    ends = contact * face.uniform(0.0, 0.3, 2) * (face.random(2) < 0.6)
    streaks = [
        (uniform(face, 0, 1), log_uniform(face, 0.006, 0.05), 30 * contact * uniform(face, 0.1, 1))
        for _ in range(int(face.integers(0, 4)) if contact else 0)
    ]
    return Settings(
        looks=1 + int(compounding > 0.3),
        evenness=min(0.75 * compounding, 1.0),
        build_up_db=14 * harmonic,
        noise_db=-115 + 53 * noise + 6 * harmonic,
        tgc=1 + uniform(gains, -0.15, 0.08) * uneven,
        sliders_db=tuple(gains.normal(0, 3.0 * uneven, 8)),
        clutter_db=-45 + 35 * haze - 10 * harmonic,
        reverberation_db=-40 + 26 * repeated - 8 * harmonic if repeated else -90.0,
        reverberation_mm=log_uniform(artefacts, 5, max(8.0, 0.3 * stack.depth_mm)),
        ring_down_db=uniform(artefacts, -40, 5) if chance(artefacts, 0.35) else -90.0,
        mirror_width=log_uniform(artefacts, 0.15, 2.0),
        contact=(float(ends[0]), float(ends[1])),
        streaks=tuple(streaks),
        coupling_db=(gains.normal(0, 1.8 * uneven), gains.normal(0, 1.5 * uneven)),
        fading=2 * factors.fading_depth,
    )
