"""Owns deformation: where every layer of a stack lies at one instant, exactly.

A muscle that thickens by a factor r shortens along the body by 1 / r about its anchor, so its
area is conserved: the material at lateral position X lies at x = anchor + shift + (X - anchor) / r.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import STRUCTURES, Structure, label_of
from layermotion_synthetic.anatomy import Profile, Stack


@dataclass(frozen=True, eq=False)
class Pose:
    """One instant of a stack.

    Parameters
    ----------
    ratio
        Shape (L,), thickness over rest thickness of each layer.
    shift_mm
        Shape (L,), rigid lateral slide of each layer, mm, positive lateral.
    anchor_mm
        Lateral position about which thickening layers shorten.
    lift_mm
        Displacement of the bladder base towards the probe, mm; negative is descent.
    probe_lateral_mm, probe_depth_mm, probe_tilt_rad
        Rigid displacement of the probe over the tissue: positive moves the picture's origin
        laterally, into the body, and turns it about the middle of its face.
    """

    ratio: NDArray[np.float64]
    shift_mm: NDArray[np.float64]
    anchor_mm: float = 40.0
    lift_mm: float = 0.0
    probe_lateral_mm: float = 0.0
    probe_depth_mm: float = 0.0
    probe_tilt_rad: float = 0.0


def rest_pose(stack: Stack) -> Pose:
    """Pose with every layer at rest and the probe in place."""
    count = len(stack.layers)
    return Pose(np.ones(count), np.zeros(count))


def material_x(pose: Pose, layer: int, x_mm: Profile) -> Profile:
    """Rest position of the material of one layer found at ``x_mm`` now, mm."""
    anchor, ratio, shift = pose.anchor_mm, pose.ratio[layer], pose.shift_mm[layer]
    return np.asarray(anchor + ratio * (x_mm - shift - anchor))


def slide_mm(pose: Pose, layer: int, rest_x_mm: float) -> float:
    """Lateral displacement now of the material of one layer that rests at ``rest_x_mm``, mm."""
    anchor, ratio, shift = pose.anchor_mm, pose.ratio[layer], pose.shift_mm[layer]
    return float(anchor + shift + (rest_x_mm - anchor) / ratio - rest_x_mm)


def base_profile(stack: Stack, x_mm: Profile) -> Profile:
    """Share of a lift that reaches the bladder's deep wall at ``x_mm``; 1 at the base."""
    s = np.clip((x_mm - stack.base_x_mm) / stack.base_width_mm, -1, 1)
    return np.asarray(np.cos(np.pi * s / 2) ** 2)


def layer_tops(stack: Stack, pose: Pose, x_mm: Profile) -> NDArray[np.float64]:
    """Depth of every interface at the given lateral positions.

    Returns
    -------
    ndarray
        Shape (L + 1, len(x_mm)), mm below the middle of the probe's face, non-decreasing along
        the first axis; row k is the top of layer k, row L the bottom of the last.
    """
    tops = np.empty((len(stack.layers) + 1, x_mm.shape[0]))
    tops[0] = stack.surface_mm(x_mm)
    for k, layer in enumerate(stack.layers):
        rest = np.interp(material_x(pose, k, x_mm), stack.x_mm, layer.thickness_mm)
        thickness = pose.ratio[k] * rest
        if layer.name == "bladder" and pose.lift_mm:
            # The fluid gives way where it can; a thin rim keeps a third of its depth.
            lifted = thickness - pose.lift_mm * base_profile(stack, x_mm)
            thickness = np.where(rest > 0, np.maximum(lifted, thickness / 3), 0.0)
        tops[k + 1] = tops[k] + thickness
    return tops


def structure_edges(stack: Stack, pose: Pose, x_mm: Profile) -> NDArray[np.float64]:
    """Upper and lower edge of each structure in probe coordinates.

    Parameters
    ----------
    x_mm
        Shape (C,), lateral positions in the picture, increasing.

    Returns
    -------
    ndarray
        Shape (5, 2, C), depth in mm below the probe face, exact; NaN where absent.
    """
    cos, sin = np.cos(pose.probe_tilt_rad), np.sin(pose.probe_tilt_rad)
    # A tilted probe sees tissue that lies farther to the side the deeper it is.
    margin = 12.0 + abs(sin) * stack.depth_mm
    fine = np.arange(x_mm[0] - margin, x_mm[-1] + margin, 0.1) + pose.probe_lateral_mm
    tops = layer_tops(stack, pose, fine)
    edges = np.full((len(STRUCTURES), 2, x_mm.shape[0]), np.nan)
    for k, layer in enumerate(stack.layers):
        if layer.label == 0:
            continue
        pair = edges[layer.label - 1]
        present = tops[k + 1] - tops[k] > 1e-6
        for side in (0, 1):
            across, down = fine - pose.probe_lateral_mm, tops[k + side] - pose.probe_depth_mm
            column = across * cos + down * sin
            row = -across * sin + down * cos
            order = np.maximum.accumulate(column)
            pair[side] = np.interp(x_mm, order, row)
            here = np.interp(x_mm, order, present.astype(float)) > 0.5
            pair[side][~here] = np.nan
        pair[:, np.isnan(pair).any(axis=0)] = np.nan
    return edges


def base_displacement_mm(stack: Stack, pose: Pose) -> float:
    """Displacement of the bladder base towards the probe relative to rest, probe motion apart, mm.

    Both come from the same interface, so the limit set by a thin bladder is included.
    """
    bottom = stack.index(Structure.BLADDER) + 1
    x = np.array([stack.base_x_mm])
    rest = layer_tops(stack, rest_pose(stack), x)[bottom, 0]
    return float(rest - layer_tops(stack, pose, x)[bottom, 0])


def label_image(edges: NDArray[np.float64], row_mm: float, rows: int) -> NDArray[np.uint8]:
    """Rasterise edges: a pixel belongs to the structure that holds its centre.

    Parameters
    ----------
    edges
        Shape (5, 2, C) as from ``structure_edges``, depth from the upper border of row 0, mm.
    row_mm
        Height of one row, mm.
    rows
        Rows of the result.

    Returns
    -------
    ndarray
        uint8, shape (rows, C), labels 0 to 5.
    """
    centre = ((np.arange(rows) + 0.5) * row_mm)[:, None]
    labels = np.zeros((rows, edges.shape[2]), np.uint8)
    for structure in STRUCTURES:
        top, bottom = edges[label_of(structure) - 1]
        if not np.isnan(top).all():
            labels[(centre >= top) & (centre < bottom)] = label_of(structure)
    return labels
