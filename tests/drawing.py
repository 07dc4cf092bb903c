"""Owns the tests' own drawn scenes, which need no generator."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.geometry import COLUMN_RATIO


@dataclass(frozen=True, eq=False)
class Scene:
    """Has the fields of a generated example."""

    image: NDArray[np.uint8]
    label: NDArray[np.uint8] | None
    view: int
    mm_per_pixel: float
    is_local: bool = False


def draw_layers(rng: np.random.Generator, size_px: int) -> Scene:
    """Four wavy layers (view 1) or a dark disc (view 2), with noise."""
    rows, columns = np.mgrid[:size_px, :size_px:COLUMN_RATIO] / size_px
    view = int(rng.integers(1, 3))
    label = np.zeros(rows.shape, np.uint8)
    if view == 1:
        edges = 0.1 + np.cumsum(rng.uniform(0.14, 0.2, 5)) - 0.1
        wave = 0.03 * np.sin(6 * columns + rng.uniform(0, 6))
        for value, (low, high) in enumerate(zip(edges, edges[1:], strict=False), start=1):
            label[(rows > low + wave) & (rows < high + wave)] = value
    else:
        centre, radius = rng.uniform(0.4, 0.6, 2), rng.uniform(0.2, 0.3)
        label[np.hypot(rows - centre[0], columns - centre[1]) < radius] = 5
    grey = np.array([150, 60, 95, 120, 75, 10])[label] + rng.normal(0, 8, label.shape)
    image = np.clip(grey, 0, 255).astype(np.uint8)
    return Scene(image, label, view, float(rng.uniform(0.1, 0.3)))


def draw_local_layers(rng: np.random.Generator, size_px: int) -> Scene:
    """Draw the same scenes as ``draw_layers``, every second one of them local on average."""
    return replace(draw_layers(rng, size_px), is_local=bool(rng.random() < 0.5))


def draw_partly_labelled(rng: np.random.Generator, size_px: int) -> Scene:
    """Draw the same scenes as ``draw_local_layers``, every second local one without a label."""
    scene = draw_local_layers(rng, size_px)
    return replace(scene, label=None) if scene.is_local and rng.random() < 0.5 else scene
