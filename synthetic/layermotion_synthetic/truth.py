"""Owns what is true of a clip: exact thickness, slide and base displacement at every frame."""

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import WALL_LAYERS, Structure, label_of
from layermotion_synthetic.anatomy import Stack
from layermotion_synthetic.motion import Motion
from layermotion_synthetic.pose import base_displacement_mm, slide_mm, structure_edges


def perpendicular_thickness_mm(
    edges_mm: NDArray[np.float64], x_mm: NDArray[np.float64], site_x_mm: float
) -> float:
    """Distance between two edges along the normal of their mid-line, inside edge to inside edge.

    Parameters
    ----------
    edges_mm
        Shape (2, C), depth of the upper and lower edge, mm.
    x_mm
        Shape (C,), increasing.
    site_x_mm
        Where the mid-line is crossed.

    Returns
    -------
    float
        mm; NaN where an edge is missing near the site, or the normal leaves the picture.

    Examples
    --------
    A slab 4 mm thick measured vertically that slopes 3 in 4 is 3.2 mm thick.

    >>> x = np.linspace(-20, 20, 401)
    >>> slab = np.stack([10 + 0.75 * x, 14 + 0.75 * x])
    >>> round(perpendicular_thickness_mm(slab, x, 0.0), 6)
    3.2
    """
    middle = edges_mm.mean(axis=0)
    reach = 1.0
    near = np.interp(
        [site_x_mm - reach, site_x_mm, site_x_mm + reach], x_mm, middle, left=np.nan, right=np.nan
    )
    if np.isnan(near).any():
        return float("nan")
    slope = (near[2] - near[0]) / (2 * reach)
    normal = np.array([-slope, 1.0]) / np.hypot(slope, 1.0)
    distances = []
    for direction, edge in ((-1, edges_mm[0]), (1, edges_mm[1])):
        # Walk along the normal until the edge is crossed.
        steps = np.linspace(0, 30, 3001)
        across = site_x_mm + direction * steps * normal[0]
        down = near[1] + direction * steps * normal[1]
        gap = direction * (down - np.interp(across, x_mm, edge, left=np.nan, right=np.nan))
        beyond = np.flatnonzero(gap >= 0)
        if beyond.size == 0 or np.isnan(gap[: beyond[0] + 1]).any():
            return float("nan")
        i = int(beyond[0])
        if i == 0:
            return float("nan")
        share = gap[i - 1] / (gap[i - 1] - gap[i])
        distances.append(steps[i - 1] + share * (steps[i] - steps[i - 1]))
    return float(sum(distances))


def wall_thickness_mm(
    edges_mm: NDArray[np.float64], x_mm: NDArray[np.float64], site_x_mm: float
) -> dict[Structure, float]:
    """Perpendicular thickness of fat, EO, IO and TrA at one site, mm."""
    return {
        layer: perpendicular_thickness_mm(edges_mm[label_of(layer) - 1], x_mm, site_x_mm)
        for layer in WALL_LAYERS
    }


def clip_edges(
    stack: Stack, motion: Motion, x_mm: NDArray[np.float64], mirrored: bool
) -> NDArray[np.float64]:
    """Edges at every frame, shape (F, 5, 2, C), mm, columns as in the picture."""
    edges = np.stack([structure_edges(stack, pose, x_mm) for pose in motion.poses])
    return np.ascontiguousarray(edges[..., ::-1] if mirrored else edges)


def base_displacement(stack: Stack, motion: Motion) -> NDArray[np.float64]:
    """Displacement of the bladder base towards the probe at every frame, shape (F,), mm."""
    return np.array([base_displacement_mm(stack, pose) for pose in motion.poses])


def tra_slide_mm(stack: Stack, motion: Motion, site_x_mm: float) -> NDArray[np.float64]:
    """Slide of the TrA at the site relative to the EO, positive lateral, shape (F,), mm."""
    tra, eo = stack.index(Structure.TRA), stack.index(Structure.EO)
    own = np.array([slide_mm(pose, tra, site_x_mm) for pose in motion.poses])
    above = np.array([slide_mm(pose, eo, site_x_mm) for pose in motion.poses])
    return np.asarray(own - above)
