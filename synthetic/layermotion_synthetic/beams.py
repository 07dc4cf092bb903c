"""Owns a transducer, its beams, the pixels of the picture, and the way from beams to pixels.

Axial width follows the pulse length (n cycles at f MHz: -6 dB width 0.77 n / f mm), lateral width
the two-way aperture (0.886 lambda F#) with a focus; both values from standard texts, tested in
test_physics.py.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.grain import Image

# Speed of sound the scanner assumes, m/s (published convention) -> wavelength mm = 1.54 / f MHz.
SOUND_MM_PER_US = 1.54
Spread = NDArray[np.floating]


@dataclass(frozen=True)
class Probe:
    """Geometry and pulse of a transducer.

    Parameters
    ----------
    face_radius_mm
        Radius of a curved face; ``inf`` for a flat one.
    half_angle_rad
        Half of the opening angle; 0 for a rectangular field.
    width_mm
        Width of the face (flat) or of the picture at its deepest (curved).
    frequency_mhz, cycles
        Centre frequency and pulse length.
    f_number
        Focal depth over aperture.
    focus_mm
        Depth of the transmit focus.
    lines
        Number of beams.
    """

    face_radius_mm: float
    half_angle_rad: float
    width_mm: float
    frequency_mhz: float
    cycles: float
    f_number: float
    focus_mm: float
    lines: int

    @property
    def apex_mm(self) -> float:
        """Distance of the virtual apex above the face (inf when beams are parallel)."""
        if self.half_angle_rad == 0:
            return float("inf")
        if np.isfinite(self.face_radius_mm):
            return self.face_radius_mm
        return self.width_mm / 2 / float(np.tan(self.half_angle_rad))

    @property
    def axial_fwhm_mm(self) -> float:
        """-6 dB width along the beam, mm: half the spatial pulse length, 0.77 n / f."""
        return SOUND_MM_PER_US / 2 * self.cycles / self.frequency_mhz

    def lateral_fwhm_mm(self, depth_mm: Spread) -> Spread:
        """-6 dB two-way width across the beam at each depth, mm: 0.886 lambda F# at the focus.

        Receive focusing holds F# constant; away from the transmit focus the beam widens.
        """
        wave = SOUND_MM_PER_US / self.frequency_mhz
        away = np.abs(depth_mm - self.focus_mm) / max(self.focus_mm, 15.0)
        return np.asarray(0.886 * wave * self.f_number * np.hypot(1.0, 1.3 * away))


@dataclass(frozen=True)
class Grid:
    """Pixels of the picture: ``rows`` x ``columns``, upper left corner at (x, y) in mm."""

    rows: int
    columns: int
    row_mm: float
    column_mm: float
    left_mm: float
    top_mm: float = 0.0

    @property
    def x_mm(self) -> NDArray[np.float64]:
        """Lateral position of each column's centre, mm."""
        return np.asarray(self.left_mm + (np.arange(self.columns) + 0.5) * self.column_mm, float)

    @property
    def y_mm(self) -> NDArray[np.float64]:
        """Depth of each row's centre, mm."""
        return np.asarray(self.top_mm + (np.arange(self.rows) + 0.5) * self.row_mm, float)


@dataclass(frozen=True, eq=False)
class Beams:
    """Sampling along the beams: position of every sample, shape (samples, lines) each, mm."""

    probe: Probe
    depth_mm: float
    x_mm: Image
    y_mm: Image
    sample_mm: float
    line_mm: Spread  # shape (samples,), lateral distance between beams

    @property
    def range_mm(self) -> Spread:
        """Shape (samples,), distance of each sample from the face."""
        return (np.arange(self.x_mm.shape[0]) + 0.5) * self.sample_mm


def lay_beams(probe: Probe, depth_mm: float, samples: int) -> Beams:
    """Place ``samples`` points on each beam from the face down to ``depth_mm``."""
    step = depth_mm / samples
    ranges = ((np.arange(samples) + 0.5) * step)[:, None]
    across = ((np.arange(probe.lines) + 0.5) / probe.lines * 2 - 1)[None, :]
    face: float | Spread
    if probe.half_angle_rad == 0:
        x = np.asarray(across * probe.width_mm / 2 + 0 * ranges)
        y = np.asarray(ranges + 0 * across)
        spread: Spread = np.ones(samples)
        pitch = probe.width_mm / probe.lines
    else:
        angle = across * probe.half_angle_rad
        apex = probe.apex_mm
        face = apex if np.isfinite(probe.face_radius_mm) else np.asarray(apex / np.cos(angle))
        x = np.asarray((face + ranges) * np.sin(angle))
        y = np.asarray((face + ranges) * np.cos(angle) - apex)
        spread = (apex + ranges[:, 0]) / apex
        pitch = 2 * probe.half_angle_rad / probe.lines * apex
    return Beams(probe, depth_mm, x.astype(np.float32), y.astype(np.float32), step, pitch * spread)


def scan_convert(beams: Beams, values: Image, grid: Grid, outside: tuple[float, float]) -> Image:
    """Resample beam data to the picture; pixels beyond the beams get ``outside``.

    Parameters
    ----------
    values
        float32, shape (samples, lines, 2).

    Returns
    -------
    ndarray
        float32, shape (grid.rows, grid.columns, 2).
    """
    map_x, map_y = beam_coordinates(beams, grid)
    return np.asarray(
        cv2.remap(
            values,
            map_x,
            map_y,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=outside,
        )
    )


@lru_cache(maxsize=2)
def beam_coordinates(beams: Beams, grid: Grid) -> tuple[Image, Image]:
    """Beam and sample at each pixel centre, each float32 of shape (rows, columns).

    Kept for the next frame of a clip, where nothing but the tissue changes.
    """
    probe = beams.probe
    x = grid.x_mm.astype(np.float32)[None, :]
    y = grid.y_mm.astype(np.float32)[:, None]
    if probe.half_angle_rad == 0:
        across = (x / np.float32(probe.width_mm / 2)) + 0 * y
        ranges = y + 0 * x
    else:
        apex = np.float32(probe.apex_mm)
        angle = np.arctan2(x, y + apex)
        distance = np.hypot(x, y + apex)
        face = apex if np.isfinite(probe.face_radius_mm) else apex / np.cos(angle)
        across = angle / np.float32(probe.half_angle_rad)
        ranges = distance - face
    map_x = ((across + 1) / 2 * probe.lines - 0.5).astype(np.float32)
    map_y = (ranges / np.float32(beams.sample_mm) - 0.5).astype(np.float32)
    return map_x, map_y
