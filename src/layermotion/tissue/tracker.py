"""Owns the motion of tissue since the key frame: of each wall layer and near the probe.

Pure: frames and their edges in, motion out; no files. How tissue is followed is in tissue.py.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.site import SLOPE_HALF_MM
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure, View
from layermotion.tissue.flow import Scene
from layermotion.tissue.pieces import Band, Near

Array = NDArray[np.float64]

# Tissue is followed at no finer pixels than this, mm: a third of a fine speckle (our choice).
WORK_MM = 0.12
# Pixels within this share of the wanted size are left as they are (our choice).
NEARLY = 0.8
# Without a calibration the image counts as this wide, mm, where windows are chosen (our choice).
NOMINAL_WIDTH_MM = 50.0
# Half length of a layer's band along the muscle, mm (our choice).
BAND_MM = 10.0
# Share of the band whose edges must be known before tracking starts (our choice).
VISIBLE_AT_START = 0.4
# Tissue near the probe is watched from the first depth to between the other two, mm (our choice).
NEAR_MM = (1.0, 4.0, 25.0)


@dataclass(frozen=True)
class Shift:
    """Displacement of one piece of tissue since the key frame, in pixels of the whole frame.

    Parameters
    ----------
    column_px, row_px
        Positive to the right of the picture and away from the probe; NaN where lost.
    confidence
        0 to 1: share of the tracked points in view that agree; 0 where lost.
    """

    column_px: float
    row_px: float
    confidence: float


LOST = Shift(float("nan"), float("nan"), 0.0)


@dataclass(frozen=True)
class TissueMotion:
    """Motion of the tissue on the picture in one frame since the key frame.

    Parameters
    ----------
    layers
        One for each wall layer in label order (fat, EO, IO, TrA): the material that was at the
        site in the key frame. All lost in the bladder view.
    near
        Tissue beside the middle of the probe's face.
    turn_rad
        Turn of the tissue near the probe about that point, clockwise on the picture; NaN where
        lost. It moves tissue at (column, row) mm from there by ``turn_rad * (-row, column)`` mm.
    depth_px
        Rows from the top of the image area to the middle of each wall layer at the site in the
        key frame, in label order; NaN for a layer that is not followed.
    slope
        Rows by which each wall layer goes down from one column to the next at the site in the key
        frame, in pixels of the whole frame and label order; NaN for a layer that is not followed.
    stretch
        Share by which the TrA has become longer along the picture around the site since the key
        frame, below 0 where it shortened; NaN where lost.
    """

    layers: tuple[Shift, ...]
    near: Shift
    turn_rad: float
    depth_px: tuple[float, ...]
    slope: tuple[float, ...]
    stretch: float = float("nan")

    def of(self, layer: Structure) -> Shift:
        """Return the motion of one wall layer."""
        return self.layers[WALL_LAYERS.index(layer)]


class Motions(tuple[TissueMotion, ...]):
    """Motion in every frame of a clip, and its parts as arrays."""

    @cached_property
    def column_px(self) -> Array:
        """Columns by which each wall layer has moved, shape (frames, 4)."""
        return np.array([[shift.column_px for shift in each.layers] for each in self], float)

    @cached_property
    def confidence(self) -> Array:
        """Of each wall layer, shape (frames, 4)."""
        return np.array([[shift.confidence for shift in each.layers] for each in self], float)

    @cached_property
    def near_px(self) -> Array:
        """Rows and columns by which the tissue near the probe has moved, shape (frames, 2)."""
        return np.array([[each.near.row_px, each.near.column_px] for each in self], float)

    @cached_property
    def near_confidence(self) -> Array:
        """Of the tissue near the probe, shape (frames,)."""
        return np.array([each.near.confidence for each in self], float)

    @cached_property
    def turn_rad(self) -> Array:
        """Shape (frames,)."""
        return np.array([each.turn_rad for each in self], float)

    @cached_property
    def depth_px(self) -> Array:
        """Shape (frames, 4)."""
        return np.array([each.depth_px for each in self], float)

    @cached_property
    def slope(self) -> Array:
        """Shape (frames, 4)."""
        return np.array([each.slope for each in self], float)

    @cached_property
    def stretch(self) -> Array:
        """Shape (frames,)."""
        return np.array([each.stretch for each in self], float)

    @classmethod
    def of(cls, motions: Iterable[TissueMotion]) -> "Motions":
        """Take motions, which may be these already."""
        return motions if isinstance(motions, Motions) else cls(motions)


# A frame in which nothing was followed.
NOWHERE = (float("nan"),) * len(WALL_LAYERS)
UNSEEN = TissueMotion((LOST,) * len(WALL_LAYERS), LOST, float("nan"), NOWHERE, NOWHERE)


class MotionTracker:
    """Follows the tissue of one clip, frame by frame, in constant memory.

    The first measurable frame is the key frame: for the tissue near the probe the first of all,
    for the layers the first in which TrA and fat have edges around the site; a layer without
    edges then stays lost. Layers are followed with the material that was at the site in the key
    frame, not at a fixed place on the screen, because a muscle that shortens moves by a different
    amount at each place. While that material is out of view but its neighbours within ``BAND_MM``
    are not, their shift and stretch stand for it.

    Parameters
    ----------
    spacing
        Pixel size; without it the motion is still in pixels, and windows are chosen by the width
        of the image.
    area
        Where the image lies in the frame.
    site_column_px
        Column of the whole frame; None takes the middle of the TrA in view in the key frame.
    """

    def __init__(
        self, spacing: Spacing | None, area: ImageArea, view: View, site_column_px: float | None
    ) -> None:
        nominal = NOMINAL_WIDTH_MM / area.width
        row_mm, column_mm = (spacing.row_mm, spacing.column_mm) if spacing else (nominal, nominal)
        self._mm = max(WORK_MM, float(np.sqrt(row_mm * column_mm)))
        self._area, self._view, self._site_column_px = area, view, site_column_px
        self._size = (
            max(8, round(area.width * column_mm / self._mm)),
            max(8, round(area.height * row_mm / self._mm)),
        )
        finest, coarsest = sorted((row_mm, column_mm))
        if NEARLY * self._mm < finest and NEARLY * coarsest < self._mm:
            self._size = (area.width, area.height)
        # Working pixels for one frame pixel.
        self._per_column = self._size[0] / area.width
        self._per_row = self._size[1] / area.height
        self._near: Near | None = None
        self._site = 0.0
        self._bands: dict[Structure, Band] = {}
        # Depth of each layer at the site in the key frame, and how far the tissue near the probe
        # had carried it by then.
        self._depth: dict[Structure, float] = {}
        self._at_start: dict[Structure, Array] = {}
        self._depth_px = self._slope = NOWHERE

    def update(self, pixels: NDArray[np.uint8], boundaries: Boundaries) -> TissueMotion:
        """Find the motion in the next frame.

        Parameters
        ----------
        pixels
            uint8, shape (rows, columns), the whole frame.
        boundaries
            Edges in the same frame.
        """
        scene = self._scene(pixels, boundaries)
        if self._near is None:
            self._near = self._start_near(scene)
        confidence = self._near.follow(scene)
        if self._view is View.ABDOMINAL_WALL and not self._bands:
            self._start_bands(scene)
        column, row, turn = self._near.state
        carried = {layer: self._carried(layer) - self._at_start[layer] for layer in self._depth}
        shifts = {
            layer: self._shift(*band.follow_to(scene, float(carried[layer][0])))
            for layer, band in self._bands.items()
        }
        if self._bands:
            across, down = carried[Structure.FAT]
            shifts[Structure.FAT] = self._shift(across, down, confidence)
        return TissueMotion(
            tuple(shifts.get(layer, LOST) for layer in WALL_LAYERS),
            self._shift(column, row, confidence),
            float(turn) if confidence else float("nan"),
            self._depth_px,
            self._slope,
            self._stretch(shifts),
        )

    def _stretch(self, shifts: Mapping[Structure, Shift]) -> float:
        """How much longer the TrA has become around the site."""
        if shifts.get(Structure.TRA, LOST) is LOST:
            return float("nan")
        return float(self._bands[Structure.TRA].state[1])

    def _carried(self, layer: Structure) -> Array:
        """Columns and rows by which the near tissue tells that a layer at the site has moved."""
        assert self._near is not None
        column, row, turn = self._near.state
        across, down = self._site - self._near.middle, self._depth[layer]
        return np.array([column - turn * down, row + turn * across])

    def _scene(self, pixels: NDArray[np.uint8], boundaries: Boundaries) -> Scene:
        """Cut the image area out and bring it and its edges to working pixels."""
        rows, columns = self._area.slices
        image = cv2.resize(pixels[rows, columns], self._size, interpolation=cv2.INTER_AREA)

        def to_rows(edge_px: NDArray[np.float32]) -> Array:
            return (edge_px.astype(float) - self._area.top + 0.5) * self._per_row - 0.5

        return Scene(
            np.asarray(image, np.uint8),
            self._to_column(boundaries.column_px.astype(float)),
            to_rows(boundaries.superficial_px),
            to_rows(boundaries.deep_px),
        )

    def _to_column(self, column_px: Array) -> Array:
        return np.asarray((column_px - self._area.left + 0.5) * self._per_column - 0.5)

    def _shift(self, column: float, row: float, confidence: float) -> Shift:
        """Bring a displacement in working pixels to frame pixels."""
        if not confidence or np.isnan(row):
            return LOST
        return Shift(
            float(column) / self._per_column, float(row) / self._per_row, float(confidence)
        )

    def _start_near(self, scene: Scene) -> Near:
        first, least, most = (depth / self._mm for depth in NEAR_MM)
        _, last, seen = scene.edges(Structure.FAT, scene.column)
        last = np.where(seen, last, least)
        if self._view is View.BLADDER:
            top, _, seen = scene.edges(Structure.BLADDER, scene.column)
            last = np.where(seen, top, last)
        return Near(scene, first, np.clip(last, least, most))

    def _start_bands(self, scene: Scene) -> None:
        """Make this the key frame of the layers if TrA and fat can be seen around the site."""
        seen = scene.edges(Structure.TRA, scene.column)[2]
        if not seen.any():
            return
        if self._site_column_px is None:
            in_view = scene.column[seen]
            self._site = float(in_view[0] + in_view[-1]) / 2
        else:
            self._site = float(self._to_column(np.array(self._site_column_px)))
        half = round(BAND_MM / self._mm)
        around = np.asarray(self._site + np.arange(-half, half + 1), float)
        measurable = {
            layer
            for layer in WALL_LAYERS
            if scene.edges(layer, around)[2].mean() >= VISIBLE_AT_START
        }
        if not {Structure.FAT, Structure.TRA} <= measurable:
            return
        top, bottom, _ = scene.edges(Structure.FAT, np.array([self._site]))
        self._bands = {
            layer: Band(scene, layer, self._site, half) for layer in MUSCLES if layer in measurable
        }
        self._depth = {Structure.FAT: float(top[0] + bottom[0]) / 2}
        self._depth |= {layer: band.depth for layer, band in self._bands.items()}
        self._at_start = {layer: self._carried(layer) for layer in self._depth}
        self._depth_px = tuple(
            self._depth.get(layer, float("nan")) / self._per_row for layer in WALL_LAYERS
        )
        per_column = self._per_column / self._per_row
        half = round(SLOPE_HALF_MM / self._mm)
        beside = np.asarray(self._site + np.arange(-half, half + 1), float)
        self._slope = tuple(
            _slope(scene, layer, beside) * per_column if layer in self._depth else float("nan")
            for layer in WALL_LAYERS
        )


def _slope(scene: Scene, layer: Structure, column: Array) -> float:
    """Rows by which the middle of a layer goes down from one column to the next; NaN if unseen."""
    top, bottom, seen = scene.edges(layer, column)
    if np.count_nonzero(seen) < 2:
        return float("nan")
    return float(np.polyfit(column[seen], (top + bottom)[seen] / 2, 1)[0])
