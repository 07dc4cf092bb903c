"""Owns the pieces of tissue that are followed: one wall layer around a site, and the near tissue.

How a piece is followed from frame to frame is in flow.py.
"""

from collections.abc import Callable

import cv2
import numpy as np

from layermotion.labels import Structure
from layermotion.tissue.flow import ALIKE, Array, Image, Mask, Patch, Points, Scene, Tracker

# All lengths here are pixels of the working image, about 0.12 mm; all limits are our choice,
# see test_motion.py for what they reach.
# Columns of the window that is compared in a band, and the most rows it may have.
WINDOW = (31, 15)
# Share of a layer's thickness left out at either edge, where its bright borders shine in.
INSET = 0.1
# Rows that a band may have, whatever the layer's thickness, and columns of points in it.
BAND_ROWS = (8, 40)
BAND_POINT_COLUMNS = 24
# A comparison settles how much a layer stretched no better than this (its usual change between
# frames), for points that are 1 px uncertain.
STRETCH = 0.02
# A muscle keeps its volume, so where it thickens it shortens (Baskin and Paolini 1967, Am J Physiol
# 213:1025-30, from memory); thickness ratios beyond these are errors of the edges.
THICKENING = (0.5, 2.5)
# Stretch beyond which a muscle is not as in the key frame, so that what looks like it in its first
# place is an artefact that stands still there.
HOME_STRETCH = 0.12
# Columns to either side in which a band is sought before its motion is refined: 5 mm, more than a
# TrA that slides 20 mm in a third of a second moves between two frames at 30 frames/s.
REACH = 42
# What lies farther from where it is expected than this, in columns, must be ``ALIKE``.
NEARBY = 8
# Contrast (grey levels, standard deviation) that a band is brought to, and the most gain.
CONTRAST_GREY, MOST_GAIN = 40.0, 8.0
# Columns and rows of points near the probe to choose from, and the window there.
NEAR_POINTS = (28, 8)
NEAR_WINDOW = (21, 21)
# Times that the references of a muscle and of the tissue near the probe may be renewed. Layers of
# synthetic clips are followed to 0.02 mm (median) by the key frame, and 0.1 % to 2.5 % of places
# are wrong by more than 0.5 mm; by a reference renewed once a tenth of them, renewed more often
# mostly a third to nine tenths: what is then followed often stands still before the tissue.
# Beneath a probe that slips new tissue comes into view (our choice).
BAND_RENEWALS, SLIP_RENEWALS = 1, 12
# The probe is expected to have turned by no more than about this since the key frame, radians, for
# points that are 1 px uncertain: it decides in narrow pictures alone.
TURN = 0.05
# Grey levels (standard deviation within 5 pixels) that speckle leaves where the beams reach; video
# coding leaves less beside them.
LEAST_SPECKLE_GREY = 1.0


class Band(Tracker):
    """One wall layer around a site, straightened between its edges.

    The state is the column shift of the material that was at the site, its stretch along the
    layer, and its row shift beside that of the edges.
    """

    _prior = np.array([1e-3, 1 / STRETCH, 1e-3])
    # The edges tell the row, so beside them nothing keeps moving.
    _inertia = np.array([1.0, 1.0, 0.0])
    _levels = 0
    # Neighbouring points share most of their windows.
    _fewest = 9
    _most_renewals = BAND_RENEWALS
    _gain = 1.0
    _carried = 0.0

    def __init__(self, scene: Scene, layer: Structure, site: float, half: int) -> None:
        self._layer, self._site = layer, site
        self._offset = np.arange(-half, half + 1, dtype=float)
        top, bottom, _ = scene.edges(layer, np.array([site]))
        self.depth = float(top[0] + bottom[0]) / 2
        self._thickness = self._mean_thickness(scene, np.zeros(3))
        self._rows = int(np.clip((bottom - top)[0] * (1 - 2 * INSET), *BAND_ROWS))
        self._share = np.linspace(INSET, 1 - INSET, self._rows)[:, None]
        inner = np.linspace(0, self._rows - 1, 2 + int(np.clip(self._rows // 8, 1, 2)))[1:-1]
        along = np.linspace(2, 2 * half - 2, BAND_POINT_COLUMNS)
        window = (WINDOW[0], min(WINDOW[1], self._rows | 1))
        super().__init__(scene, _grid(along, inner), window)
        contrast = max(1.0, float(self._key.pixels.std()))
        self._gain = float(np.clip(CONTRAST_GREY / contrast, 1, MOST_GAIN))
        self._key = self._reference = self._cut(scene, self.state)

    def _cut(self, scene: Scene, state: Array) -> Patch:
        return self._cut_at(scene, state, self._offset)

    def _mean_thickness(self, scene: Scene, state: Array) -> float:
        column = self._site + state[0] + self._offset * (1 + state[1])
        top, bottom, seen = scene.edges(self._layer, column)
        return float((bottom - top)[seen].mean()) if seen.any() else float("nan")

    def _expected(self, scene: Scene, state: Array) -> Array:
        ratio = self._mean_thickness(scene, state) / self._thickness
        stretch = state[1] if np.isnan(ratio) else 1 / np.clip(ratio, *THICKENING) - 1
        return np.array([state[0], stretch, state[2]])

    def _cut_at(self, scene: Scene, state: Array, offset: Array) -> Patch:
        """Cut the columns at some offsets from the site, shape (N,), straight."""
        column = self._site + state[0] + offset * (1 + state[1])  # (N,)
        top, bottom, seen = scene.edges(self._layer, column)
        map_y = (top + self._share * (bottom - top) + state[2]).astype(np.float32)  # (R, N)
        map_x = np.ascontiguousarray(np.broadcast_to(column.astype(np.float32), map_y.shape))
        # Linear, because OpenCV's cubic rounds positions to 1/32 pixel, which biases a slide.
        pixels = cv2.remap(
            scene.image, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        # Beyond the beams the screen is black.
        seen &= (pixels > 0).sum(axis=0) > self._rows / 2
        # Layering along the band tells nothing of a slide; what varies along it does.
        known = seen.astype(np.float32)[None]
        width = (2 * WINDOW[0], 1)
        flat = pixels - cv2.blur(pixels * known, width) / np.maximum(cv2.blur(known, width), 1e-3)
        # A shadow from above stands still while tissue slides: it is the same down a column.
        flat -= flat.mean(axis=0)
        flat *= self._gain * known
        flat += 128
        return self._patch(np.clip(flat, 0, 255, out=flat).astype(np.uint8), seen[None])

    def _patch(self, pixels: Image, known: Mask) -> Patch:
        """Say which points have their whole window in view; none in a cut of another width."""
        if known.size != self._offset.size:
            return Patch(pixels, known, np.zeros(len(self._points), bool))
        inner = cv2.erode(known.astype(np.uint8), np.ones((1, WINDOW[0]), np.uint8))[0] > 0
        return Patch(pixels, known, inner[np.rint(self._points[:, 0]).astype(int)])

    def _comparer(
        self, scene: Scene, guess: Array
    ) -> Callable[[Patch], tuple[Array, float] | None]:
        half = self._offset.size // 2 + REACH
        wide = self._cut_at(scene, guess, np.arange(-half, half + 1, dtype=float))
        return lambda reference: self._compare_within(scene, reference, wide, guess)

    def _compare_within(
        self, scene: Scene, reference: Patch, wide: Patch, guess: Array
    ) -> tuple[Array, float] | None:
        """Compare with the part of a wide cut that resembles a reference most."""
        likeness = cv2.matchTemplate(wide.pixels, reference.pixels, cv2.TM_CCOEFF_NORMED)[0]
        near = slice(REACH - NEARBY, REACH + NEARBY + 1)
        first = int(np.argmax(likeness))
        if likeness[first] < ALIKE:
            first = near.start + int(np.argmax(likeness[near]))
        part = slice(first, first + self._offset.size)
        patch = self._patch(np.ascontiguousarray(wide.pixels[:, part]), wide.known[:, part])
        moved = guess + np.array([(first - REACH) * (1 + guess[1]), 0, 0])
        return self._compare(scene, reference, patch, moved)

    def _equations(self, state: Array) -> Array:
        out = np.zeros((len(self._points), 2, 3))
        out[:, 0, 0] = out[:, 1, 2] = 1
        out[:, 0, 1] = self._points[:, 0] - self._offset.size // 2
        return out

    def _corrected(self, state: Array, fit: Array) -> Array:
        stretch = 1 + state[1]
        return np.array(
            [state[0] + stretch * fit[0], stretch * (1 + fit[1]) - 1, state[2] + fit[2]]
        )

    def follow_to(self, scene: Scene, carried: float) -> tuple[float, float, float]:
        """Columns and rows by which the material at the site has moved, and the confidence.

        Parameters
        ----------
        carried
            Columns by which the tissue near the probe tells that this depth has moved.
        """
        if self._is_lost:
            self.state = self.state + np.array([carried - self._carried, 0, 0])
        home = self._expected(scene, np.array([carried, 0, 0]))
        confidence = self.follow(scene, home if abs(home[1]) < HOME_STRETCH else None)
        self._carried = carried
        top, bottom, _ = scene.edges(self._layer, np.array([self._site + self.state[0]]))
        row = float(top[0] + bottom[0]) / 2 + self.state[2] - self.depth
        return float(self.state[0]), row, confidence


class Near(Tracker):
    """Tissue near the probe as one rigid piece, over the whole width.

    The state is the shift in columns and in rows beside the middle of the probe's face, which lies
    in the middle of the image's first row, and the turn about it, in radians, clockwise.
    """

    _prior = np.array([1e-3, 1e-3, 1 / TURN])
    _most_renewals = SLIP_RENEWALS

    def __init__(self, scene: Scene, first: float, last: Array) -> None:
        rows, columns = scene.image.shape
        self.middle = (columns - 1) / 2
        self._rows = int(min(rows, last.max() + NEAR_WINDOW[1]))
        self._beams = _beams(scene.image)
        self._whole = cv2.erode(self._beams, np.ones(NEAR_WINDOW[::-1], np.uint8)) > 0
        margin = NEAR_WINDOW[0] // 2
        points = _grid(
            np.linspace(margin, columns - 1 - margin, NEAR_POINTS[0]),
            np.linspace(first, last.max(), NEAR_POINTS[1]),
        )
        deepest = np.interp(points[:, 0], scene.column, last)
        points[:, 1] = first + (points[:, 1] - first) * (deepest - first) / (last.max() - first)
        super().__init__(scene, points, NEAR_WINDOW)
        self._depth = float(self._points[:, 1].mean()) if len(self._points) else 0.0

    def _cut(self, scene: Scene, state: Array) -> Patch:
        column, row, turn = state
        cosine, sine = np.cos(turn), np.sin(turn)
        middle = self.middle
        inverse = np.array(
            [
                [cosine, -sine, middle + column - cosine * middle],
                [sine, cosine, row - sine * middle],
            ]
        )
        size = (scene.image.shape[1], self._rows)
        pixels, known = (
            cv2.warpAffine(image, inverse, size, flags=how | cv2.WARP_INVERSE_MAP)
            for image, how in (
                (scene.image, cv2.INTER_LINEAR),
                (self._beams, cv2.INTER_NEAREST),
            )
        )
        now = np.rint(self._points @ inverse[:, :2].T + inverse[:, 2]).astype(int)
        limit = np.array(scene.image.shape[::-1]) - 1
        inside = ((now >= 0) & (now <= limit)).all(axis=1)
        now = np.clip(now, 0, limit)
        return Patch(
            np.asarray(pixels, np.uint8), known > 0, inside & self._whole[now[:, 1], now[:, 0]]
        )

    def _equations(self, state: Array) -> Array:
        out = np.zeros((len(self._points), 2, 3))
        out[:, 0, 0] = out[:, 1, 1] = 1
        # Tissue also shears, and clutter that stands still looks like that, so what moves across by
        # more the deeper it lies tells no turn; see ``_corrected`` for its share in a turn.
        out[:, 1, 2] = self._points[:, 0] - self.middle
        return out

    def _usual(self, guess: Array) -> Array:
        return np.array([0, 0, -guess[2]])

    def _corrected(self, state: Array, fit: Array) -> Array:
        return np.asarray(state + fit + np.array([fit[2] * self._depth, 0, 0]))


def _grid(column: Array, row: Array) -> Points:
    """All pairs (column, row), shape (P, 2)."""
    return np.stack(np.meshgrid(column, row), axis=-1).reshape(-1, 2).astype(np.float32)


def _beams(image: Image) -> Image:
    """Where the beams reach, 1 or 0: what lies beyond them, or is fully white, has no speckle."""
    values = image.astype(np.float32)
    mean = cv2.blur(values, (5, 5))
    varied = cv2.blur(values * values, (5, 5)) - mean * mean > LEAST_SPECKLE_GREY**2
    return np.asarray(
        cv2.morphologyEx(varied.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9))), np.uint8
    )
