"""Owns drawn screens: an image of the tests' own speckle among what scanners show around it."""

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import ImageArea


def speckle(rows: int, columns: int, seed: int, *, deep: float = 0.35) -> NDArray[np.uint8]:
    """Log-compressed Rayleigh speckle, about 4 pixels wide, fainter with depth; bright fascia."""
    rng = np.random.default_rng(seed)
    field = rng.normal(size=(2, rows, columns))
    field = [cv2.GaussianBlur(part, (0, 0), sigmaX=2.0, sigmaY=1.0) for part in field]
    decibels = 20 * np.log10(np.hypot(*field) / np.std(field) + 1e-3)
    gain = np.linspace(1.0, deep, rows)[:, None]
    image = (110 + 4.5 * decibels) * gain
    for fascia in (0.12, 0.3, 0.45):
        image[int(fascia * rows) : int(fascia * rows) + 4] += 60
    return np.clip(image, 0, 255).astype(np.uint8)


def blank(rows: int, columns: int, border: int = 0) -> NDArray[np.uint8]:
    return np.full((rows, columns), border, np.uint8)


def write(screen: NDArray[np.uint8], text: str, row: int, column: int, scale: float = 0.5) -> None:
    cv2.putText(screen, text, (column, row), cv2.FONT_HERSHEY_SIMPLEX, scale, 220, 1, cv2.LINE_AA)


def furnish(screen: NDArray[np.uint8], area: ImageArea) -> None:
    """Header and menu text, a ruler beside the image, a grey bar and a small icon."""
    rows, columns = screen.shape
    write(screen, "Abdomen  MI 0.8  TIS 0.3  28 Hz", 20, 20)
    for line, text in enumerate(("B", "Gn 60", "DR 65", "Frq 10", "Depth", "Map A")):
        write(screen, text, area.top + 40 + 22 * line, 6)
    right = area.left + area.width
    for tick in range(area.top, area.top + area.height, 20):
        cv2.line(screen, (right + 3, tick), (right + 12, tick), 200, 1)
    bar = np.linspace(255, 0, 120).astype(np.uint8)[:, None]
    screen[area.top : area.top + 120, columns - 24 : columns - 12] = bar
    icon = np.random.default_rng(5).integers(0, 255, (36, 36), np.uint8)
    screen[rows - 40 : rows - 4, columns - 80 : columns - 44] = icon


def linear_screen(
    seed: int = 1, border: int = 0, scale: int = 1, deep: float = 0.35
) -> tuple[NDArray[np.uint8], ImageArea]:
    area = ImageArea(48, 120, 400, 420)
    screen = blank(480, 640, border)
    screen[area.slices] = speckle(area.height, area.width, seed, deep=deep)
    furnish(screen, area)
    if scale > 1:
        screen = cv2.resize(screen, None, fx=scale, fy=scale, interpolation=cv2.INTER_LINEAR)
        area = ImageArea(*(scale * v for v in (area.top, area.left, area.height, area.width)))
    return screen, area


def sector_screen(seed: int = 2) -> tuple[NDArray[np.uint8], ImageArea]:
    """Curved array: radius 60 to 400 pixels, 70 degrees wide, black corners."""
    screen = blank(480, 640)
    rows, columns = np.mgrid[0:480, 0:640]
    depth, lateral = rows + 20.0, columns - 330.0
    radius, angle = np.hypot(depth, lateral), np.degrees(np.arctan2(lateral, depth))
    inside = (radius >= 60) & (radius <= 440) & (np.abs(angle) <= 35)
    screen[inside] = speckle(480, 640, seed)[inside]
    top, bottom = np.flatnonzero(inside.any(axis=1))[[0, -1]]
    left, right = np.flatnonzero(inside.any(axis=0))[[0, -1]]
    area = ImageArea(int(top), int(left), int(bottom - top + 1), int(right - left + 1))
    write(screen, "Pelvis  C5", 20, 10)
    for line in range(8):
        write(screen, f"Item {line}", 60 + 24 * line, 6)
        write(screen, "2.5 cm", 60 + 24 * line, 580)
    return screen, area


def fan(rows: int, columns: int, axis: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance (pixels) from the apex, 29 rows above the screen, and angle (degrees)."""
    depth, lateral = np.mgrid[29.0 : rows + 29.0, -axis : columns - axis]
    return np.hypot(depth, lateral), np.degrees(np.arctan2(lateral, depth))


def dark_sector_screen(seed: int, *, deep: float) -> tuple[NDArray[np.uint8], ImageArea]:
    """Full bladder: near tissue, then black, then a thin wall and tissue up to an angle.

    The area is that of the whole field, 35 degrees to both sides, radius 60 to 440 pixels.
    """
    screen = blank(480, 640)
    radius, angle = fan(480, 640, 320)
    field = (radius >= 60) & (radius <= 440) & (np.abs(angle) <= 35)
    near = field & (radius <= 210)
    wall = (np.abs(radius - 385) <= 2) & (np.abs(angle) <= deep)
    tissue = field & (radius >= 387) & (np.abs(angle) <= deep)
    screen[near | tissue] = speckle(480, 640, seed, deep=1.0)[near | tissue]
    screen[wall] = 220
    top, bottom = np.flatnonzero(field.any(axis=1))[[0, -1]]
    first, last = np.flatnonzero(field.any(axis=0))[[0, -1]]
    write(screen, "Pelvis  C5", 15, 10)
    for line in range(8):
        write(screen, f"Item {line}", 60 + 24 * line, 2, 0.4)
    return screen, ImageArea(int(top), int(first), int(bottom - top + 1), int(last - first + 1))
