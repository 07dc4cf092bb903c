"""Owns image formation: tissue in, envelope along the beams, scan-converted echo in dB out.

The point spread function is Gaussian in both directions. Axial width follows the pulse length
(n cycles at f MHz: -6 dB width 0.77 n / f mm), lateral width the two-way aperture
(0.886 lambda F#) with a focus; both values from standard texts, tested in test_physics.py.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy import Stack
from synthetic.pose import Pose, layer_tops, material_x
from synthetic.texture import Image, Texture

# Speed of sound the scanner assumes, m/s (published convention) -> wavelength mm = 1.54 / f MHz.
SOUND_MM_PER_US = 1.54
Spread = NDArray[np.floating]
# Full width at half maximum of a Gaussian over its standard deviation.
FWHM = 2.354820045


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
class Settings:
    """Scanner settings of one picture.

    Parameters
    ----------
    looks
        Independent looks averaged (spatial or frequency compounding).
    noise_db
        Electronic noise at the face relative to the common echo level, dB.
    tgc
        Share of the mean attenuation that the gain curve takes back.
    tgc_wave_db
        Two random gain errors over depth, dB.
    clutter_db
        Level of side-lobe and multipath haze relative to the local mean, dB.
    reverberation_db
        Strength of repeated superficial echoes, dB.
    ring_down_db
        Level of the transducer's own ringing at the face, dB.
    mirror_width
        Tangent of the incidence at which mirror-like borders lose 1 / e of their echo.
    contact
        (left, right): share of the face without contact at each end.
    coupling_db
        Amplitude of two slow gain errors across the face, dB.
    """

    looks: int
    noise_db: float
    tgc: float
    tgc_wave_db: tuple[float, float]
    clutter_db: float
    reverberation_db: float
    ring_down_db: float
    mirror_width: float
    contact: tuple[float, float]
    coupling_db: tuple[float, float]


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


def _tissue_map(stack: Stack, texture: Texture, pose: Pose, beams: Beams) -> tuple[Image, Image]:
    """Texture row and column seen at every beam sample, each of shape (samples, lines)."""
    cos, sin = np.cos(pose.probe_tilt_rad), np.sin(pose.probe_tilt_rad)
    x = np.float32(cos) * beams.x_mm - np.float32(sin) * beams.y_mm
    y = np.float32(sin) * beams.x_mm + np.float32(cos) * beams.y_mm
    x += np.float32(pose.probe_lateral_mm)
    y += np.float32(pose.probe_depth_mm)
    # A coarse world grid carries the deformation; bilinear sampling fills in between.
    world_x = np.linspace(float(x.min()) - 0.5, float(x.max()) + 0.5, 192)
    low, high = min(float(y.min()), 0.0), float(y.max()) + 0.5
    world_y = np.linspace(low, high, beams.x_mm.shape[0])
    tops = layer_tops(stack, pose, world_x)
    last = len(stack.layers)
    shift = np.stack([material_x(pose, k, world_x) for k in range(last)]) - world_x
    # Interfaces carry the slide of the layer below and above; borders between shear.
    knots = np.concatenate([shift[:1], (shift[1:] + shift[:-1]) / 2, shift[-1:]])
    layers = [k for k in range(last) if stack.layers[k].label or k == last - 1]
    for k in layers:
        knots[k] = knots[k + 1] = shift[k]
    # The last layer's band is cut at the picture's depth: map it one to one.
    band_top = texture.band_top.copy()
    tops[last] = tops[last - 1] + (band_top[last] - band_top[last - 1]) * texture.row_mm
    flat = np.empty((world_y.size, world_x.size, 2), np.float32)
    for i in range(world_x.size):
        flat[:, i, 0] = np.interp(world_y, tops[:, i], band_top)
        flat[:, i, 1] = np.interp(world_y, tops[:, i], knots[:, i])
    map_x = (x - np.float32(world_x[0])) * np.float32(1 / (world_x[1] - world_x[0]))
    map_y = (y - np.float32(world_y[0])) * np.float32(1 / (world_y[1] - world_y[0]))
    sampled = cv2.remap(flat, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    row = sampled[..., 0] - np.float32(0.5)
    column = (x + sampled[..., 1] - np.float32(texture.left_mm)) * np.float32(1 / texture.column_mm)
    return row, column


def _blur_by_depth(field: Image, sigma_lateral: Spread, sigma_axial: float) -> Image:
    """Blur (samples, lines, C) with a lateral width that follows depth; unit noise gain."""
    samples = field.shape[0]
    size_axial = 2 * int(np.ceil(2.6 * sigma_axial)) + 1
    axial = cv2.getGaussianKernel(size_axial, sigma_axial)
    axial = axial / np.sqrt(np.sum(axial**2))
    bands = 5
    centres = np.linspace(0, samples - 1, bands)
    out = np.zeros_like(field)
    position = np.arange(samples)
    for centre in centres:
        # Triangular share of this band's width, zero beyond its neighbours.
        share = np.clip(1 - np.abs(position - centre) / (centres[1] - centres[0]), 0, 1)
        rows = np.flatnonzero(share > 0)
        first, end = rows[0], rows[-1] + 1
        low, high = max(0, first - size_axial // 2), min(samples, end + size_axial // 2)
        sigma = max(float(np.interp(centre, position, sigma_lateral)), 0.35)
        size = 2 * int(np.ceil(2.6 * sigma)) + 1
        lateral = cv2.getGaussianKernel(size, sigma)
        lateral = lateral / np.sqrt(np.sum(lateral**2))
        part = cv2.sepFilter2D(
            field[low:high], cv2.CV_32F, lateral, axial, borderType=cv2.BORDER_REFLECT
        )
        weight = share[first:end, None, None].astype(np.float32)
        out[first:end] += part[first - low : end - low] * weight
    return out


def form_image(
    rng: np.random.Generator,
    stack: Stack,
    texture: Texture,
    pose: Pose,
    beams: Beams,
    settings: Settings,
    turn_rad: float = 0.0,
) -> tuple[Image, Image]:
    """Echo and transmission along the beams.

    Parameters
    ----------
    turn_rad
        Out-of-plane motion: scatterers are mixed with others by this angle, and pi / 2 replaces
        them all.

    Returns
    -------
    echo_db, loss_db
        float32, shape (samples, lines): echo in dB before the grey map, and two-way loss in dB
        beyond the gain curve (large in shadows).
    """
    probe = beams.probe
    row, column = _tissue_map(stack, texture, pose, beams)
    material = texture.echo
    if turn_rad:
        own, other = material[..., :2], np.roll(material[..., :2], (101, 67), (0, 1))
        material = material.copy()
        material[..., :2] = (
            np.float32(np.cos(turn_rad)) * own + np.float32(np.sin(turn_rad)) * other
        )
    # Beyond its sides the material goes on as its own mirror image.
    np.clip(row, 0, material.shape[0] - 1, out=row)
    seen = cv2.remap(material, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    amplitude, loss_map = seen[..., 2], seen[..., 3]

    step_cm = beams.sample_mm / 10
    path = cv2.integral(loss_map)[1:, 1:]
    path = np.diff(path, axis=1, prepend=0).astype(np.float32)
    loss = path * np.float32(2 * probe.frequency_mhz * step_cm)
    gain = settings.tgc * _gain_curve(loss, step_cm * probe.frequency_mhz)
    t = np.linspace(0, np.pi, gain.size)
    wave = settings.tgc_wave_db[0] * np.cos(t) + settings.tgc_wave_db[1] * np.cos(2 * t)
    residual = loss - gain[:, None].astype(np.float32)
    across = np.linspace(0, np.pi, probe.lines, dtype=np.float32)[None, :]
    residual += np.float32(settings.coupling_db[0]) * np.cos(across)
    residual += np.float32(settings.coupling_db[1]) * np.cos(3 * across)
    if any(settings.contact):
        residual += _missing_contact(settings.contact, probe.lines)
    slope = np.diff(row, axis=1, append=row[:, -1:]) / np.maximum(
        np.abs(np.diff(row, axis=0, append=row[-1:])), 1e-3
    )
    slope *= (beams.sample_mm / beams.line_mm)[:, None].astype(np.float32)
    np.clip(slope, -3, 3, out=slope)
    steep = (slope / np.float32(settings.mirror_width)) ** 2
    strength = amplitude * _from_db(-residual - np.minimum(steep, 3) * 3, 20)

    sigma_axial = probe.axial_fwhm_mm / FWHM / beams.sample_mm
    sigma_lateral = probe.lateral_fwhm_mm(beams.range_mm) / FWHM / beams.line_mm
    power = np.zeros_like(strength)
    height, width = texture.echo.shape[:2]
    field = seen[..., :2]
    for look in range(settings.looks):
        if look:
            # Looks of other directions or bands see the same tissue through other scatterers.
            far_row = np.mod(row + 0.37 * height * look, height - 1)
            far_column = np.mod(column + 0.29 * width * look, width - 1)
            field = cv2.remap(material[..., :2], far_column, far_row, cv2.INTER_LINEAR)
        blurred = _blur_by_depth(field * strength[..., None], sigma_lateral, sigma_axial)
        power += blurred[..., 0] ** 2 + blurred[..., 1] ** 2
    power /= np.float32(2 * settings.looks)

    if settings.reverberation_db > -60:
        power += _reverberation(power, beams.sample_mm, settings.reverberation_db)
    if settings.clutter_db > -80:
        small = cv2.resize(power, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        haze = cv2.GaussianBlur(small, (0, 0), probe.lines / 30, sigmaY=small.shape[0] / 60)
        haze = cv2.resize(haze, (power.shape[1], power.shape[0]))
        power += haze * np.float32(10 ** (settings.clutter_db / 10))
    # The ringing dies away within about a millimetre.
    power += _from_db(settings.ring_down_db - 6.0 * beams.range_mm, 10)[:, None]
    noise = rng.standard_exponential(power.shape, np.float32)
    floor = 10 ** ((settings.noise_db + gain) / 10)
    power += noise * floor[:, None].astype(np.float32)
    echo_db = cv2.log(power + np.float32(1e-12)) * np.float32(10 / np.log(10))
    echo_db += wave[:, None].astype(np.float32)
    return echo_db, residual


def _gain_curve(loss: Image, cm_mhz: float) -> NDArray[np.float64]:
    """Gain in dB that takes back the two-way loss of the clearer beams, smooth over depth.

    Parameters
    ----------
    loss
        Shape (samples, lines), dB.
    cm_mhz
        Length of a sample in cm times the frequency in MHz.
    """
    lines = np.sort(loss[:, ::5], axis=1)
    clear = lines[:, lines.shape[1] // 4].astype(np.float64)[:, None]
    smooth = cv2.GaussianBlur(clear, (0, 0), sigmaX=1.0, sigmaY=0.06 * loss.shape[0])[:, 0]
    # No operator sets more than a wall of muscle would need, 1.2 dB/(cm MHz); nor can the
    # receiver give more than about 90 dB (our choice).
    most = 2 * 1.2 * cm_mhz * np.arange(1, smooth.size + 1)
    return np.asarray(np.minimum(np.minimum(smooth, most), 90.0))


def _from_db(level_db: Image | Spread, per_decade: int) -> Image:
    """Amplitude (per decade 20) or power (10) of a level in dB."""
    exponent = np.asarray(level_db * (np.log(10) / per_decade), np.float32)
    return np.asarray(cv2.exp(exponent), np.float32).reshape(exponent.shape)


def _missing_contact(contact: tuple[float, float], lines: int) -> NDArray[np.float32]:
    """Extra loss in dB of lines near an end of the face that does not touch the skin."""
    position = (np.arange(lines) + 0.5) / lines
    left, right = (max(share, 1e-3) for share in contact)
    depth = np.maximum(1 - position / left, 1 - (1 - position) / right)
    return np.asarray(60 * np.clip(2 * depth, 0, 1), np.float32)[None, :]


def _reverberation(power: Image, sample_mm: float, level_db: float) -> Image:
    """Echoes of the first millimetres seen again at twice and three times their depth."""
    out = np.zeros_like(power)
    samples, lines = power.shape
    reach = max(8, min(int(14 / sample_mm), samples // 4))
    for order in (2, 3):
        copy = cv2.resize(power[:reach], (lines, reach * order))[:samples]
        out[: copy.shape[0]] += copy * np.float32(10 ** (level_db * (order - 1) / 10))
    return out


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


def beam_coordinates(beams: Beams, grid: Grid) -> tuple[Image, Image]:
    """Beam and sample at each pixel centre, each float32 of shape (rows, columns)."""
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
