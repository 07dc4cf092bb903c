"""Owns one still as a scanner shows it: the scanner's draw, gain, grey map, pixels on a screen."""

from dataclasses import dataclass

import cv2
import numpy as np
from aperture import Aperture, Disturbance, Float, beamform, receive
from bladder_body import bladder_sizes, draw_bladder
from numpy.typing import NDArray
from phantom import Phantom, scatter, wave
from wall_body import draw_wall, wall_sizes

from layermotion.labels import Structure, View, label_of

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# No other use of random numbers starts its seeds with this word.
STREAM = 20_261_206
# Stills from this number on have a wider look: borders, greys and lines each drawn on their own.
WIDE_FROM = 60
# Two-way loss in dB at which a scanner gives up, with 0.9 dB/(cm MHz) one way (our choice).
REACH_DB, LOSS = 75.0, 0.9
# Largest RMS delay that the wall's uneven speed of sound adds below neighbouring elements, us
# (our choice), and the distance over which it changes, mm.
UNEVEN_US, UNEVEN_MM = 0.03, 5.0


@dataclass(frozen=True, eq=False)
class Still:
    """A picture with what it shows.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns).
    mm_per_pixel
        Size of a pixel, square.
    left_mm, top_mm
        x and z of the centre of the first column and row.
    """

    view: View
    pixels: Grey
    mm_per_pixel: float
    left_mm: float
    top_mm: float
    phantom: Phantom
    aperture: Aperture

    def edges_at(self, structure: str, column_px: Array) -> Array:
        """Give the true upper and lower edge at some columns, shape (2, C), mm."""
        x = self.left_mm + column_px * self.mm_per_pixel
        known = self.phantom.edges[structure]
        return np.stack([np.interp(x, self.phantom.x_mm, edge) for edge in known])

    def labels(self) -> Grey:
        """Give the true label of every pixel, 0 beside the beams and between the structures."""
        rows, columns = self.pixels.shape
        column = np.arange(columns, dtype=float)
        z = np.asarray(self.top_mm + np.arange(rows) * self.mm_per_pixel)[:, None]
        u, depth = self.aperture.locate(self.left_mm + column[None] * self.mm_per_pixel, z)
        shown = (np.abs(u) < self.aperture.half_face_mm) & (depth < self.phantom.depth_mm)
        labels = np.zeros((rows, columns), np.uint8)
        for name in self.phantom.edges:
            top, bottom = self.edges_at(name, column)
            labels[shown & (z >= top) & (z < bottom)] = label_of(Structure(name))
        return labels


def draw_still(number: int) -> Still:
    """Draw still ``number``: odd ones show the bladder, those from ``WIDE_FROM`` a wider look."""
    rng = np.random.Generator(np.random.SFC64([STREAM, number]))
    if number % 2:
        bladder = bladder_sizes(rng)
        depth = max(80.0, min(170.0, bladder.base * rng.uniform(1.2, 1.6)), bladder.base + 10)
        aperture = draw_aperture(rng, depth, is_curved=True)
        phantom = draw_bladder(rng, aperture, bladder, depth, is_wide=number >= WIDE_FROM)
        view = View.BLADDER
    else:
        sizes = wall_sizes(rng)
        depth = max(30.0, (sum(sizes.values()) + 5) * rng.uniform(1.12, 1.6))
        aperture = draw_aperture(rng, depth, is_curved=depth > 75 or rng.random() < 0.08)
        phantom = draw_wall(rng, aperture, sizes, depth, is_wide=number >= WIDE_FROM)
        view = View.ABDOMINAL_WALL
    disturbance = draw_disturbance(rng, aperture, phantom)
    points = scatter(rng, aperture, phantom)
    traces = receive(rng, aperture, points, depth, disturbance)
    power, step = beamform(aperture, traces, depth)
    return show(rng, view, aperture, phantom, power, step)


def draw_aperture(rng: np.random.Generator, depth_mm: float, *, is_curved: bool) -> Aperture:
    """Draw an array that suits the depth: 4 to 12 MHz flat, 3 to 6 MHz curved."""
    highest = REACH_DB / (2 * LOSS * depth_mm / 10)
    if is_curved:
        frequency = float(np.clip(highest * rng.uniform(0.7, 1.1), 3.0, 6.0))
        radius = rng.uniform(40, 62)
        count, pitch = 128, 2 * radius * rng.uniform(0.45, 0.62) / 128
    else:
        frequency = float(np.clip(highest * rng.uniform(0.6, 1.1), 4.0, 12.0))
        radius = float("inf")
        # Pitch near a wavelength and a half, as arrays have it.
        is_fine = frequency > 9
        count, pitch = (160, rng.uniform(0.22, 0.27)) if is_fine else (128, rng.uniform(0.28, 0.38))
    span = np.radians(rng.uniform(5, 9))
    looks = (
        (-span, -span / 2, 0.0, span / 2, span),
        (-span, -span / 2),
        (-span / 4, span / 4),
        (span / 2, span),
    )
    # One sharp look, or three that even out the speckle.
    chosen = looks[:1] if rng.random() < 0.5 else looks[1:]
    return Aperture(
        count,
        pitch,
        radius,
        frequency,
        bandwidth=rng.uniform(0.45, 0.8),
        f_number=rng.uniform(1.2, 2.2),
        looks_rad=tuple(tuple(float(s) for s in look) for look in chosen),
    )


def draw_disturbance(rng: np.random.Generator, aperture: Aperture, phantom: Phantom) -> Disturbance:
    """Draw noise, one reverberation in the fat, and an uneven speed of sound."""
    delay = wave(rng, aperture.elements_mm, UNEVEN_MM) * UNEVEN_US * rng.random()
    echo = 10 ** (rng.uniform(-40, -22) / 20)
    return Disturbance(rng.uniform(-40, 3), ((phantom.still_layer_mm, echo),), delay)


def show(
    rng: np.random.Generator,
    view: View,
    aperture: Aperture,
    phantom: Phantom,
    power: Float,
    step_mm: float,
) -> Still:
    """Turn echoes into grey pixels on a black screen."""
    rows = int(rng.integers(420, 720))
    corner_x, corner_z = aperture.place(
        aperture.beams_mm[[0, -1]][:, None], np.array([[0.0, phantom.depth_mm]])
    )
    top = float(min(corner_z.min(), 0.0))
    half = float(np.abs(corner_x).max())
    pixel = (phantom.depth_mm - top) / rows
    keep = max(1, int(0.5 * pixel / step_mm))
    short = power[:, : power.shape[1] // keep * keep]
    short = short.reshape(power.shape[0], -1, keep).mean(axis=2)
    grey = grey_of(rng, short, step_mm * keep)
    columns = int(2 * half / pixel)
    x = (np.arange(columns) - (columns - 1) / 2) * pixel
    z = top + (np.arange(rows) + 0.5) * pixel
    u, depth = aperture.locate(*np.meshgrid(x, z))
    beam = (u - aperture.beams_mm[0]) / (aperture.pitch_mm / 2)
    sample = depth / (step_mm * keep) - (keep - 1) / 2 / keep
    at = (sample.astype(np.float32), beam.astype(np.float32))
    picture = cv2.remap(grey, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    outside = (beam < 0) | (beam > grey.shape[0] - 1) | (depth < 0) | (depth > phantom.depth_mm)
    picture[outside] = 0
    above, below, left, right = rng.integers(8, 60, 4).tolist()
    screen = cv2.copyMakeBorder(picture, above, below, left, right, cv2.BORDER_CONSTANT, value=0)
    return Still(view, np.rint(screen).astype(np.uint8), pixel, float(x[0] - left * pixel),
                 float(z[0] - above * pixel), phantom, aperture)  # fmt: skip


def grey_of(rng: np.random.Generator, power: Float, step_mm: float) -> Float:
    """Gain over depth, logarithm, a filter of speckle, and the grey map; 0 to 255."""
    level = 10 * np.log10(power + 1e-30)
    depth = (np.arange(level.shape[1]) + 0.5) * step_mm
    # The operator sets the gain so that depth looks even, by a few slides.
    middle = np.median(level, axis=0)
    share = depth / depth[-1]
    trend = np.polyval(np.polyfit(share, middle, 2), share)
    slides = np.interp(share, np.linspace(0, 1, 8), rng.normal(0, 1.5, 8))
    even = level - trend * rng.uniform(0.85, 1.0) + slides
    if rng.random() < 0.5:
        even = smoothed(even, rng.uniform(0.3, 0.9))
    shown_db = rng.uniform(45, 75)
    white = np.quantile(even, 0.995) + rng.uniform(-3, 12)
    bright = np.clip(1 + (even - white) / shown_db, 0, 1) ** rng.uniform(0.8, 1.6)
    return np.asarray(255 * bright, np.float32)


def smoothed(level_db: Array, strength: float) -> Array:
    """Draw speckle towards its local mean where the variance is that of speckle (Lee 1980).

    The variance of Rayleigh speckle in dB is 5.57 squared (Kaplan & Ma 1993).
    """
    size = (7, 3)  # samples, beams
    mean = cv2.blur(level_db, size)
    variance = np.maximum(cv2.blur(level_db**2, size) - mean**2, 1e-6)
    own = np.clip(1 - 5.57**2 / variance, 1 - strength, 1)
    return np.asarray(mean + own * (level_db - mean))
