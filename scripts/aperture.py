"""Owns echoes as an array of elements receives them, and delay-and-sum beamforming of its traces.

Point scatterers answer a plane wave (flat face) or a wave from a point behind a curved face. Each
element's trace is a sum of delayed impulses, filtered by the pulse; nothing here knows anatomy, and
no point spread function is assumed. Positions in mm: x across, z down from the middle of the face;
along the beams u on the face and depth along its normal.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.signal import hilbert

Array = NDArray[np.float64]
Float = NDArray[np.float32]

# Speed of sound that scanners assume, mm/us (published convention), here also that of the tissue.
SOUND = 1.54
# Samples per period of the impulses (nearest sample: the error of phase is below 6 degrees) and of
# the traces (our choice).
FINE, COARSE = 32, 8
# Parts of a trace between which the pulse changes with the loss met so far (our choice).
PARTS = 5
# Elements on each side of a beam that listen at most, half of the 64 channels of a plain scanner
# (our choice); beams lie half an element apart.
CHANNELS = 32
# Length of a trace in depths of the picture: outer elements hear the deepest points later.
TRACE_DEPTHS = 2.3
# Width over which the transmitted wave fades at the ends of the face, mm (our choice).
FADE_MM = 2.0


@dataclass(frozen=True)
class Aperture:
    """An array and how it is driven.

    Parameters
    ----------
    elements, pitch_mm
        Number of elements and their distance along the face.
    radius_mm
        Radius of the face; infinite for a flat one.
    frequency_mhz, bandwidth
        Centre of the pulse, and its -6 dB width as a share of that, both ways together.
    f_number
        Depth over receiving aperture.
    looks_rad
        Directions of the transmitted waves: those of one look are summed before detection, and
        looks are averaged after it.
    """

    elements: int
    pitch_mm: float
    radius_mm: float
    frequency_mhz: float
    bandwidth: float
    f_number: float
    looks_rad: tuple[tuple[float, ...], ...] = ((0.0,),)

    @property
    def half_face_mm(self) -> float:
        """Half the length of the face."""
        return self.elements * self.pitch_mm / 2

    @property
    def is_flat(self) -> bool:
        """Whether the face has no radius."""
        return not np.isfinite(self.radius_mm)

    @property
    def wave_mm(self) -> float:
        """Wavelength."""
        return SOUND / self.frequency_mhz

    @property
    def axial_mm(self) -> float:
        """-6 dB length of the echo of a point: a pulse of 1 / bandwidth cycles, 0.77 n / f."""
        return SOUND / 2 / (self.bandwidth * self.frequency_mhz)

    @property
    def elements_mm(self) -> Array:
        """Position on the face of each element."""
        return np.asarray((np.arange(self.elements) - (self.elements - 1) / 2) * self.pitch_mm)

    @property
    def beams_mm(self) -> Array:
        """Position on the face of each beam."""
        count = 2 * self.elements - 1
        return (np.arange(count) - (count - 1) / 2) * self.pitch_mm / 2

    def place(self, u: Array, depth: Array) -> tuple[Array, Array]:
        """Give x and z of points along the beams."""
        if self.is_flat:
            return u + 0 * depth, depth + 0 * u
        angle, reach = u / self.radius_mm, self.radius_mm + depth
        return reach * np.sin(angle), reach * np.cos(angle) - self.radius_mm

    def locate(self, x: Array, z: Array) -> tuple[Array, Array]:
        """Give u and depth of points; the inverse of ``place``."""
        if self.is_flat:
            return x, z
        radius = self.radius_mm
        return radius * np.arctan2(x, z + radius), np.hypot(x, z + radius) - radius

    def face(self, x: Array) -> Array:
        """Give z of the face, 0 in its middle and negative beside it; level beyond its ends."""
        if self.is_flat:
            return np.zeros_like(x)
        end = self.radius_mm * np.sin(self.half_face_mm / self.radius_mm)
        across = np.minimum(np.abs(x), end)
        return np.asarray(np.sqrt(self.radius_mm**2 - across**2) - self.radius_mm)

    def sent(self, x: Array, z: Array, steer_rad: float) -> tuple[Array, Array]:
        """Give the way of the transmitted wave to points, mm, and where on the face it left."""
        if self.is_flat:
            way = z * np.cos(steer_rad) + x * np.sin(steer_rad)
            return way, x - z * np.tan(steer_rad)
        radius, aside = self.radius_mm, -self.radius_mm * np.tan(steer_rad)
        far = np.hypot(x - aside, z + radius)
        across, down = (x - aside) / far, (z + radius) / far
        # Where the line from the source meets the circle of the face.
        near = -aside * across + np.sqrt((aside * across) ** 2 - aside**2 + radius**2)
        return far - radius, radius * np.arctan2(aside + near * across, near * down)


@dataclass(frozen=True, eq=False)
class Scatterers:
    """Points that echo: position, amplitude, and loss one way down to them.

    ``loss_np`` is the loss at the centre frequency, neper, along the normal of the face.
    """

    x: Float
    z: Float
    amplitude: Float
    loss_np: Float


@dataclass(frozen=True)
class Disturbance:
    """What the receiver adds to the echoes.

    Parameters
    ----------
    noise_db
        Electronic noise against the echoes of the deepest tenth, on one channel.
    reverberation
        (depth mm, factor) of a layer from which echoes come back to the face once more.
    delay_us
        Shape (elements,), delay in the tissue below each element beyond that of 1540 m/s.
    """

    noise_db: float
    reverberation: tuple[tuple[float, float], ...]
    delay_us: Array


def receive(
    rng: np.random.Generator,
    aperture: Aperture,
    points: Scatterers,
    depth_mm: float,
    disturbance: Disturbance,
) -> Float:
    """Give the traces of all elements, shape (waves, elements, samples), ``COARSE`` a period.

    Samples start when the wave leaves the middle of the face; a gain over time takes back the
    typical loss.
    """
    steers = [steer for look in aperture.looks_rad for steer in look]
    rate = FINE * aperture.frequency_mhz / SOUND  # samples per mm of way
    count = scipy.fft.next_fast_len(int(TRACE_DEPTHS * depth_mm * rate / FINE), real=True) * FINE
    x, z = points.x, points.z
    u, depth = aperture.locate(x.astype(float), z.astype(float))
    # Loss per mm of way, the spread of the echo, and the pattern of an element: cos(a) sinc(w/l
    # sin(a)) of a strip w wide in a soft baffle, its main lobe taken as Gaussian.
    slope = points.loss_np / np.maximum(depth, 0.1).astype(np.float32)
    strength = points.amplitude / (3 + depth).astype(np.float32)
    pattern = np.float32((np.pi * 0.9 * aperture.pitch_mm / aperture.wave_mm) ** 2 / 6)
    waves = []
    for steer in steers:
        way, left = aperture.sent(x.astype(float), z.astype(float), steer)
        fade = np.clip((aperture.half_face_mm - np.abs(left)) / FADE_MM, 0, 1)
        late = np.interp(left, aperture.elements_mm, disturbance.delay_us) * SOUND
        weight = strength * fade.astype(np.float32) * np.exp(-slope * way.astype(np.float32))
        waves.append(((way + late).astype(np.float32) * np.float32(rate), weight))
    loss_at = _typical_loss(depth, points.loss_np, depth_mm)
    spectra = _pulses(aperture, loss_at, count, disturbance.reverberation)
    # Overlapping triangles that add up to one, shape (PARTS, count).
    place = np.linspace(0, PARTS - 1, count) - np.arange(PARTS)[:, None]
    windows = np.maximum(1 - np.abs(place), 0).astype(np.float32)
    traces = np.empty((len(steers), aperture.elements, count * COARSE // FINE), np.float32)
    ex, ez = aperture.place(aperture.elements_mm, np.zeros(aperture.elements))
    for i in range(aperture.elements):
        dx, dz = x - np.float32(ex[i]), z - np.float32(ez[i])
        way = np.sqrt(dx * dx + dz * dz)
        turn = aperture.elements_mm[i] / aperture.radius_mm
        ahead = dx * np.float32(np.sin(turn)) + dz * np.float32(np.cos(turn))
        ahead = np.maximum(ahead, 0) / np.maximum(way, np.float32(1e-3))
        heard = ahead * np.exp(pattern * (ahead * ahead - 1) - slope * way)
        way += np.float32(disturbance.delay_us[i] * SOUND)
        way *= np.float32(rate)
        way += np.float32(0.5)
        for k, (sent, weight) in enumerate(waves):
            at = np.clip((way + sent).astype(np.int32), 0, count - 1)
            impulses = np.bincount(at, heard * weight, count).astype(np.float32)
            impulses[[0, -1]] = 0  # what falls outside the trace
            parts = scipy.fft.rfft(impulses * windows, axis=1)[:, : spectra.shape[1]]
            traces[k, i] = scipy.fft.irfft((parts * spectra).sum(axis=0), traces.shape[-1])
    traces += _noise(rng, aperture, traces, disturbance.noise_db)
    return traces * _gain(depth_mm, loss_at, traces.shape[-1])


def _typical_loss(depth: Array, loss: Float, depth_mm: float) -> Array:
    """Loss one way, neper, at the middle of each part of a trace, shape (PARTS,)."""
    edges = np.linspace(0, depth_mm, 4 * PARTS + 1)
    bins = np.digitize(depth, edges)
    typical = [np.median(loss[bins == k]) for k in range(1, edges.size) if (bins == k).any()]
    centre = [edges[k - 1 : k + 1].mean() for k in range(1, edges.size) if (bins == k).any()]
    at = np.linspace(0, TRACE_DEPTHS / 2, PARTS) * depth_mm
    return np.asarray(np.interp(at, centre, typical))


def _gain(depth_mm: float, loss_np: Array, count: int) -> Float:
    """Gain over time that takes back the typical loss and the spread of echoes."""
    share = np.linspace(0, 1, count)
    lost = np.interp(share, np.linspace(0, 1, PARTS), loss_np)
    return np.asarray((3 + share * TRACE_DEPTHS / 2 * depth_mm) * np.exp(2 * lost), np.float32)


def _pulses(
    aperture: Aperture, loss_np: Array, count: int, echoes: tuple[tuple[float, float], ...]
) -> NDArray[np.complex64]:
    """Spectrum of the pulse in each part of a trace, shape (PARTS, bins); loss grows with f.

    A raised cosine, as the band of a transducer ends, and the loss beyond that at the centre.
    """
    # From FINE to COARSE samples a period: bins above the new limit are left out.
    bins = count * COARSE // FINE // 2 + 1
    f = np.arange(bins) * FINE / count  # of the centre frequency
    off = np.minimum(np.abs(f - 1) / aperture.bandwidth, 1)
    pulse = (np.cos(np.pi / 2 * off) ** 2).astype(complex)
    for depth_mm, factor in echoes:
        pulse += pulse * factor * np.exp(-4j * np.pi * f * depth_mm / aperture.wave_mm)
    return (pulse * np.exp(-2 * loss_np[:, None] * (f - 1) * (off < 1))).astype(np.complex64)


def _noise(rng: np.random.Generator, aperture: Aperture, traces: Float, level_db: float) -> Float:
    """Noise in the band of the receiver, as strong in all traces."""
    count = traces.shape[-1]
    tenth = traces[..., int(1.8 / TRACE_DEPTHS * count) : int(2 / TRACE_DEPTHS * count)]
    size = float(np.sqrt((tenth**2).mean())) * 10 ** (level_db / 20)
    noise = scipy.fft.rfft(rng.standard_normal(traces.shape, np.float32), axis=-1)
    off = np.abs(np.arange(noise.shape[-1]) * COARSE / count - 1) / aperture.bandwidth
    noise *= (off < 0.7).astype(np.float32)
    noise = scipy.fft.irfft(noise, count)
    return np.asarray(noise * np.float32(size / noise.std()), np.float32)


def beamform(aperture: Aperture, traces: Float, depth_mm: float) -> tuple[Float, float]:
    """Delay, weigh and sum; detect; average the looks.

    Returns
    -------
    power, step_mm
        Shape (beams, samples), and the distance of two samples, the first at the face.
    """
    step = aperture.wave_mm / 8
    depth: Array = np.asarray(np.arange(int(depth_mm / step) + 1) * step)
    beams = aperture.beams_mm
    offset = np.arange(-2 * CHANNELS, 2 * CHANNELS + 1) * aperture.pitch_mm / 2
    ox, oz = aperture.place(offset[:, None], depth[None, :])
    way = np.hypot(ox, oz)
    half = np.clip(depth / (2 * aperture.f_number), 2 * aperture.pitch_mm, None)
    # A raised cosine over the aperture of each depth.
    weight = np.cos(np.pi / 2 * np.minimum(np.abs(offset)[:, None] / half, 1)) ** 2
    weight /= weight.sum(axis=0)
    way, weight = way.astype(np.float32), weight.astype(np.float32)
    bx, bz = aperture.place(beams[:, None], depth[None, :])
    rate = np.float32(COARSE * aperture.frequency_mhz / SOUND)
    power = np.zeros(bx.shape, np.float32)
    k = 0
    for look in aperture.looks_rad:
        total = np.zeros(bx.shape, np.float32)
        for steer in look:
            sent = aperture.sent(bx, bz, steer)[0].astype(np.float32)
            for i in range(aperture.elements):
                low, high = max(0, 2 * i - 2 * CHANNELS), min(beams.size, 2 * i + 2 * CHANNELS + 1)
                near = slice(low - 2 * i + 2 * CHANNELS, high - 2 * i + 2 * CHANNELS)
                at = (sent[low:high] + way[near]) * rate
                heard = cv2.remap(traces[k, i][None, :], at, np.zeros_like(at), cv2.INTER_LINEAR)
                total[low:high] += weight[near] * heard
            k += 1
        power += np.abs(hilbert(total, axis=1)).astype(np.float32) ** 2
    return power / np.float32(len(aperture.looks_rad)), step
