"""Owns image formation: tissue in, echo along the beams in dB out.

The point spread function is Gaussian in both directions, as wide as the probe says.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion_synthetic.anatomy import Stack
from layermotion_synthetic.beams import Beams, Spread
from layermotion_synthetic.grain import Image
from layermotion_synthetic.pose import Pose, layer_tops, material_x
from layermotion_synthetic.texture import Texture

# Full width at half maximum of a Gaussian over its standard deviation.
FWHM = 2.354820045


@dataclass(frozen=True)
class Settings:
    """Scanner settings of one picture.

    Parameters
    ----------
    looks
        Independent looks averaged (spatial or frequency compounding).
    evenness
        Share of the echo's mean power in the picture instead of its speckle, 0 to 1: the limit of
        many more looks.
    build_up_db
        Weakness of harmonic echoes at the face, where the harmonic has not built up yet, dB.
    noise_db
        Electronic noise at the face relative to the common echo level, dB.
    tgc
        Share of the mean attenuation that the gain curve takes back.
    sliders_db
        Gain errors at equally spaced depths, straight between them, dB.
    clutter_db
        Level of side-lobe and multipath haze relative to the local mean, dB.
    reverberation_db, reverberation_mm
        Strength of repeated superficial echoes, dB, and the depth down to which they repeat.
    ring_down_db
        Level of the transducer's own ringing at the face, dB.
    mirror_width
        Tangent of the incidence at which mirror-like borders lose 1 / e of their echo.
    contact
        (left, right): share of the face without contact at each end.
    streaks
        (position, half-width, loss in dB) of hair or bubbles under the face, as shares of it.
    coupling_db
        Amplitude of two slow gain errors across the face, dB.
    fading
        Power of echo over echo and noise by which both are scaled: 0 shows the noise, and from
        about 1 on it is black where echoes sink below it.
    """

    looks: int
    evenness: float
    build_up_db: float
    noise_db: float
    tgc: float
    sliders_db: tuple[float, ...]
    clutter_db: float
    reverberation_db: float
    reverberation_mm: float
    ring_down_db: float
    mirror_width: float
    contact: tuple[float, float]
    streaks: tuple[tuple[float, float, float], ...]
    coupling_db: tuple[float, float]
    fading: float


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
    # Row and slide as one complex number need one search for both.
    both = band_top[:, None] + 1j * knots
    found = np.empty((world_x.size, world_y.size), np.complex64)
    for i in range(world_x.size):
        found[i] = np.interp(world_y, tops[:, i], both[:, i])
    flat = cv2.transpose(found.view(np.float32).reshape(world_x.size, world_y.size, 2))
    map_x = (x - np.float32(world_x[0])) * np.float32(1 / (world_x[1] - world_x[0]))
    map_y = (y - np.float32(world_y[0])) * np.float32(1 / (world_y[1] - world_y[0]))
    sampled = cv2.remap(flat, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    row = sampled[..., 0] - np.float32(0.5)
    column = (x + sampled[..., 1] - np.float32(texture.left_mm)) * np.float32(1 / texture.column_mm)
    return row, column


def _blur_by_depth(field: Image, sigma_lateral: Spread, sigma_axial: float, norm: int = 2) -> Image:
    """Blur (samples, lines[, C]) with a lateral width that follows depth.

    Parameters
    ----------
    norm
        2 keeps the power of noise, 1 keeps a level.
    """
    samples = field.shape[0]
    size_axial = 2 * int(np.ceil(2.6 * sigma_axial)) + 1
    axial = cv2.getGaussianKernel(size_axial, sigma_axial)
    axial = axial / np.linalg.norm(axial.ravel(), norm)
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
        lateral = lateral / np.linalg.norm(lateral.ravel(), norm)
        part = cv2.sepFilter2D(
            field[low:high], cv2.CV_32F, lateral, axial, borderType=cv2.BORDER_REFLECT
        )
        weight = share[first:end].astype(np.float32).reshape(-1, *[1] * (field.ndim - 1))
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
    path = np.cumsum(loss_map, axis=0, dtype=np.float32)
    # A beam is some lines wide: shadows have soft sides.
    loss = np.asarray(cv2.GaussianBlur(path, (9, 1), sigmaX=1.5, sigmaY=1), np.float32)
    loss *= np.float32(2 * probe.frequency_mhz * step_cm)
    gain = settings.tgc * _gain_curve(loss, step_cm * probe.frequency_mhz)
    residual = loss - gain[:, None].astype(np.float32)
    residual += _across_face(settings, probe.lines)
    build_up = settings.build_up_db * np.exp(-beams.range_mm / 8.0)
    residual += build_up[:, None].astype(np.float32)
    strength = amplitude * _from_db(-residual - _mirror_loss_db(row, beams, settings), 20)

    sigma_axial = probe.axial_fwhm_mm / FWHM / beams.sample_mm
    sigma_lateral = probe.lateral_fwhm_mm(beams.range_mm) / FWHM / beams.line_mm
    power = np.zeros_like(strength)
    height, width = texture.echo.shape[:2]
    field = seen[..., :2]
    for look in range(settings.looks):
        if look:
            # Looks of other directions or bands see the same tissue through other scatterers.
            far_row = np.mod(row + np.float32(0.37 * height * look), np.float32(height - 1))
            far_column = np.mod(column + np.float32(0.29 * width * look), np.float32(width - 1))
            field = cv2.remap(material[..., :2], far_column, far_row, cv2.INTER_LINEAR)
        blurred = _blur_by_depth(field * strength[..., None], sigma_lateral, sigma_axial)
        power += blurred[..., 0] ** 2 + blurred[..., 1] ** 2
    power *= np.float32(0.5 / settings.looks)
    if settings.evenness:
        # The mean power of speckle spreads with the square of the pulse, 1 / sqrt(2) as wide.
        root = np.sqrt(0.5)
        mean = _blur_by_depth(strength**2, sigma_lateral * root, sigma_axial * root, norm=1)
        # Neighbouring scatterers are not quite independent; the picture itself says how much.
        seldom = mean[::5, ::3] + np.float32(1e-9)
        mean *= (power[::5, ::3] / seldom).mean()
        power += np.float32(settings.evenness) * (mean - power)

    if settings.reverberation_db > -60:
        reach = settings.reverberation_mm / beams.sample_mm
        power += _reverberation(power, reach, settings.reverberation_db)
    if settings.clutter_db > -80:
        small = cv2.resize(power, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        haze = cv2.GaussianBlur(small, (0, 0), probe.lines / 30, sigmaY=small.shape[0] / 60)
        haze = cv2.resize(haze, (power.shape[1], power.shape[0]))
        power += haze * np.float32(10 ** (settings.clutter_db / 10))
    # The ringing dies away within about a millimetre.
    power += _from_db(settings.ring_down_db - 6.0 * beams.range_mm, 10)[:, None]
    noise = rng.standard_exponential(power.shape, np.float32)
    floor = (10 ** ((settings.noise_db + gain) / 10))[:, None].astype(np.float32)
    share = seen_share(power, floor, settings.fading) if settings.fading else None
    power += noise * floor
    if share is not None:
        power *= share
    echo_db = cv2.log(power + np.float32(1e-12)) * np.float32(10 / np.log(10))
    knots = np.linspace(0, gain.size - 1, len(settings.sliders_db))
    sliders = np.interp(np.arange(gain.size), knots, settings.sliders_db)
    echo_db += sliders[:, None].astype(np.float32)
    return echo_db, residual


def seen_share(power: Image, floor: Image, fading: float) -> Image:
    """Local share of the echo in echo and noise, to the power of ``fading``, shape of ``power``."""
    size = (max(power.shape[1] // 6, 1), max(power.shape[0] // 6, 1))
    local = cv2.blur(cv2.resize(power, size, interpolation=cv2.INTER_AREA), (5, 5))
    # A running sum leaves less than nothing where an echo is far below its neighbours.
    local = np.maximum(local, 0)
    noise = cv2.resize(floor, (1, size[1]), interpolation=cv2.INTER_AREA)
    share = cv2.pow(local / (local + noise + np.float32(1e-12)), fading)
    return np.asarray(cv2.resize(share, power.shape[::-1]), np.float32)


def _across_face(settings: Settings, lines: int) -> NDArray[np.float32]:
    """Extra loss in dB of every line, shape (1, lines): uneven coupling, bubbles, lifted ends."""
    across = np.linspace(0, np.pi, lines, dtype=np.float32)[None, :]
    loss = settings.coupling_db[0] * np.cos(across) + settings.coupling_db[1] * np.cos(3 * across)
    position = np.linspace(0, 1, lines)[None, :]
    for centre, half_width, depth_db in settings.streaks:
        loss = loss + depth_db * np.exp(-(((position - centre) / half_width) ** 2))
    if any(settings.contact):
        loss = loss + _missing_contact(settings.contact, lines)
    return np.asarray(loss, np.float32)


def _mirror_loss_db(row: Image, beams: Beams, settings: Settings) -> Image:
    """Loss of borders that the beam meets at an angle, dB, at most 9."""
    slope = np.diff(row, axis=1, append=row[:, -1:])
    slope /= np.maximum(np.abs(np.diff(row, axis=0, append=row[-1:])), np.float32(1e-3))
    per_mm = beams.sample_mm / beams.line_mm / settings.mirror_width
    slope *= per_mm[:, None].astype(np.float32)
    slope *= slope
    return np.asarray(np.minimum(slope, np.float32(3)) * np.float32(3))


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


def _reverberation(power: Image, repeated: float, level_db: float) -> Image:
    """Echoes of the first ``repeated`` samples seen again at twice and three times their depth."""
    out = np.zeros_like(power)
    samples, lines = power.shape
    reach = max(8, min(int(repeated), samples // 3))
    for order in (2, 3):
        copy = cv2.resize(power[:reach], (lines, reach * order))[:samples]
        out[: copy.shape[0]] += copy * np.float32(10 ** (level_db * (order - 1) / 10))
    return out
