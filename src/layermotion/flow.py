"""Owns following one piece of tissue through frames: optical flow, robust fit, drift control.

A tracker cuts its tissue out of each frame where its state says the tissue lies, so that in the
cut-out tissue hardly moves; what motion remains corrects the state. The remaining motion is found
by optical flow (Lucas and Kanade 1981) at a grid of points, checked there and back (Kalal,
Mikolajczyk and Matas 2010), and fitted without outliers. A frame is compared with the key frame
as long as the two resemble each other, so errors do not add up; else with the latest reference,
which is renewed from the previous frame only when it too is lost.
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure, label_of

Array = NDArray[np.float64]
Points = NDArray[np.float32]
Mask = NDArray[np.bool_]
Image = NDArray[np.uint8]

# All lengths here are pixels of the working image, about 0.12 mm; all limits are our choice,
# see test_motion.py for what they reach.
# Columns of the window that is compared, and the most rows it may have in a band.
WINDOW = (31, 15)
# Share of a layer's thickness left out at either edge, where its bright borders shine in.
INSET = 0.1
# Rows that a band may have, whatever the layer's thickness.
BAND_ROWS = (8, 40)
BAND_POINT_COLUMNS = 16
# Columns and rows of points near the probe to choose from, how many are followed at most, about,
# and the window there.
NEAR_POINTS = (28, 8)
MOST_POINTS = 56
NEAR_WINDOW = (21, 21)
# Grey levels (standard deviation within the window) below which there is nothing to follow.
TEXTURE_GREY = 2.0
# The same for the finest texture, within 5 pixels, of a place that the beams reach; video coding
# leaves less beside them.
LEAST_SPECKLE_GREY = 1.0
# Points whose way there and back differs by more are dropped.
RETURN_PX = 0.7
# Fit residuals above the larger of these are outliers: pixels, robust standard deviations.
OUTLIER_PX, OUTLIER_SD = 0.25, 2.5
# Frames in a row in which the reference may have to be renewed (our choice).
MOST_RENEWALS = 5
# Residual above which a point never agrees.
WORST_PX = 1.5
# Fewest points that must agree, and the correlation that the two cuts must reach once they are
# laid over each other; noise reaches about 0.1.
FEWEST_POINTS = 6
CORRELATED = 0.35
# A comparison settles how much a layer stretched no better than this (its usual change between
# frames), for points that are 1 px uncertain.
STRETCH = 0.02
# Columns to either side in which a band is sought before its motion is refined: 5 mm, more than a
# TrA that slides 20 mm in a third of a second moves between two frames at 30 frames/s.
REACH = 42
# A muscle keeps its volume, so where it thickens it shortens (Baskin and Paolini 1967, Am J Physiol
# 213:1025-30, from memory); thickness ratios beyond these are errors of the edges (our choice).
THICKENING = (0.5, 2.5)
# What lies farther from where it is expected than this, in columns, must resemble the reference
# by more than this correlation (our choice: a chance likeness of speckle reaches 0.4).
NEARBY, ALIKE = 8, 0.6
# Contrast (grey levels, standard deviation) that a band is brought to, and the most gain.
CONTRAST_GREY, MOST_GAIN = 40.0, 8.0


@dataclass(frozen=True, eq=False)
class Scene:
    """One frame at working size, with its edges in working pixels.

    Parameters
    ----------
    image
        Shape (R, C).
    column
        Shape (E,), columns at which edges are given.
    top, bottom
        Shape (5, E), edges of each structure in label order; NaN where absent.
    """

    image: Image
    column: Array
    top: Array
    bottom: Array

    def edges(self, structure: Structure, column: Array) -> tuple[Array, Array, Mask]:
        """Upper and lower edge at some columns, and where both are known there."""
        top, bottom = self.top[label_of(structure) - 1], self.bottom[label_of(structure) - 1]
        known = np.isfinite(top) & np.isfinite(bottom)
        if not known.any():
            return np.zeros_like(column), np.ones_like(column), np.zeros(column.shape, bool)
        seen = np.interp(column, self.column, known.astype(float), left=0, right=0) > 0.5
        at = self.column[known]
        return np.interp(column, at, top[known]), np.interp(column, at, bottom[known]), seen


@dataclass(frozen=True, eq=False)
class Patch:
    """Tissue cut out of a frame.

    Parameters
    ----------
    pixels
        Shape (R, N).
    known
        Shape (1, N) or (R, N), where tissue is in view.
    visible
        Shape (P,), which points have their whole window in view.
    """

    pixels: Image
    known: Mask
    visible: Mask


class Tracker:
    """Follows one piece of tissue; ``state`` holds the three numbers that place it."""

    # Weight of the expectation that a part of the state is as guessed, 1 / its unit.
    _prior = np.full(3, 1e-3)
    # Coarser levels of the optical flow: what is already near needs none.
    _levels = 1
    # Whether tissue that was lost is also sought where it began, as a muscle comes back to rest.
    _returns = False

    def __init__(self, scene: Scene, points: Points, window: tuple[int, int]) -> None:
        self.state = np.zeros(3)
        self._velocity, self._renewals = np.zeros(3), 0
        self._points, self._window = points, window
        start = self._cut(scene, self.state)
        fit = np.flatnonzero(start.visible & _textured(start.pixels, points, window))
        self._points = points[fit[:: max(1, fit.size // MOST_POINTS)]]
        self._key = self._reference = self._cut(scene, self.state)
        self._previous = scene

    def _cut(self, scene: Scene, state: Array) -> Patch:
        raise NotImplementedError

    def _equations(self, state: Array) -> Array:
        """Shape (P, 2, 3): how each part of a correction moves each point, columns then rows."""
        raise NotImplementedError

    def _corrected(self, state: Array, fit: Array) -> Array:
        raise NotImplementedError

    def follow(self, scene: Scene) -> float:
        """Find the tissue in the next frame.

        Returns
        -------
        float
            Confidence: likeness of the tissue to the reference; 0 where the tissue is lost and the
            state is that of the last frame in which it was found.
        """
        found = self._search(scene, self._expected(scene, self.state + self._velocity))
        if found is None and self._returns:
            home = np.zeros(3)
            found = self._compare(scene, self._key, self._cut(scene, home), home)
        if found is None:
            self._velocity = np.zeros(3)
            return 0.0
        state, agreed = found
        self._velocity, self.state, self._previous = state - self.state, state, scene
        return agreed

    def _expected(self, scene: Scene, state: Array) -> Array:
        """Give the state the part that the edges tell."""
        return state

    def _search(self, scene: Scene, guess: Array) -> tuple[Array, float] | None:
        compare = self._comparer(scene, guess)
        for reference in (self._key, self._reference):
            found = compare(reference)
            if found is not None:
                self._renewals = 0
                return found
        # A reference that never lasts follows noise, or what stands still before the tissue.
        self._renewals += 1
        if self._renewals > MOST_RENEWALS:
            return None
        self._reference = self._cut(self._previous, self.state)
        return compare(self._reference)

    def _comparer(
        self, scene: Scene, guess: Array
    ) -> Callable[[Patch], tuple[Array, float] | None]:
        """Give what compares a reference with a frame around a guessed state."""
        patch = self._cut(scene, guess)
        return lambda reference: self._compare(scene, reference, patch, guess)

    def _compare(
        self, scene: Scene, reference: Patch, patch: Patch, guess: Array
    ) -> tuple[Array, float] | None:
        usable = np.flatnonzero(reference.visible & patch.visible)
        if usable.size < FEWEST_POINTS:
            return None
        flow, trusted = _flow(
            reference.pixels, patch.pixels, self._points[usable], self._window, self._levels
        )
        if trusted.sum() < FEWEST_POINTS:
            return None
        equations = self._equations(guess)[usable[trusted]]
        fit, inside = _robust_fit(equations, flow[trusted], self._prior)
        if inside.sum() < FEWEST_POINTS:
            return None
        state = self._corrected(guess, fit)
        confidence = _correlation(reference, self._cut(scene, state))
        return (state, confidence) if confidence >= CORRELATED else None


class Band(Tracker):
    """One wall layer around a site, straightened between its edges.

    The state is the column shift of the material that was at the site, its stretch along the
    layer, and its row shift beside that of the edges.
    """

    _prior = np.array([1e-3, 1 / STRETCH, 1e-3])
    _levels = 0
    _returns = True
    _gain = 1.0

    def __init__(self, scene: Scene, layer: Structure, site: float, half: int) -> None:
        self._layer, self._site = layer, site
        self._offset = np.arange(-half, half + 1, dtype=float)
        top, bottom, _ = scene.edges(layer, np.array([site]))
        self.depth = float(top[0] + bottom[0]) / 2
        self._thickness = self._mean_thickness(scene, np.zeros(3))
        self._rows = int(np.clip((bottom - top)[0] * (1 - 2 * INSET), *BAND_ROWS))
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
        share = np.linspace(INSET, 1 - INSET, self._rows)[:, None]
        map_y = (top + share * (bottom - top) + state[2]).astype(np.float32)  # (R, N)
        map_x = np.ascontiguousarray(np.broadcast_to(column.astype(np.float32), map_y.shape))
        # Linear, because OpenCV's cubic rounds positions to 1/32 pixel, which biases a slide.
        pixels = cv2.remap(
            scene.image, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        # Beyond the beams the screen is black.
        seen &= np.count_nonzero(pixels, axis=0) > self._rows / 2
        # Layering along the band tells nothing of a slide; what varies along it does.
        known = seen.astype(np.float32)[None]
        width = (2 * WINDOW[0], 1)
        low = cv2.blur(pixels * known, width) / np.maximum(cv2.blur(known, width), 1e-3)
        flat = np.where(seen, (pixels - low) * self._gain + 128, 128)
        return self._patch(np.clip(flat, 0, 255).astype(np.uint8), seen[None])

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

    def follow_to(self, scene: Scene) -> tuple[float, float, float]:
        """Columns and rows by which the material at the site has moved, and the confidence."""
        confidence = self.follow(scene)
        top, bottom, _ = scene.edges(self._layer, np.array([self._site + self.state[0]]))
        row = float(top[0] + bottom[0]) / 2 + self.state[2] - self.depth
        return float(self.state[0]), row, confidence


class Near(Tracker):
    """Tissue near the probe as one rigid piece, over the whole width.

    The state is the shift in columns and in rows beside the middle of the probe's face, which lies
    in the middle of the image's first row, and the turn about it, in radians, clockwise.
    """

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
        out[:, 0, 2] = -self._points[:, 1]
        out[:, 1, 2] = self._points[:, 0] - self.middle
        return out

    def _corrected(self, state: Array, fit: Array) -> Array:
        return state + fit


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


def _textured(pixels: Image, points: Points, window: tuple[int, int]) -> Mask:
    """Tell which points have texture that varies along the columns in their window, shape (P,)."""
    values = pixels.astype(np.float32)
    values -= cv2.blur(values, (2 * window[0], 1))
    variance = cv2.blur(values * values, window)
    column, row = np.rint(points).astype(int).T
    return np.asarray(variance[row, column] > TEXTURE_GREY**2)


def _flow(
    first: Image, second: Image, points: Points, window: tuple[int, int], levels: int
) -> tuple[Array, Mask]:
    """Displacement of each point, shape (P, 2), and whether its way back leads home, (P,)."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 10, 0.01)

    def track(one: Image, other: Image, start: Points) -> tuple[Points, Mask]:
        end, found, _ = cv2.calcOpticalFlowPyrLK(  # type: ignore[call-overload]
            one, other, start, None, winSize=window, maxLevel=levels, criteria=stop
        )
        return end, found[:, 0] > 0

    there, found = track(first, second, points)
    back, returned = track(second, first, there)
    miss = np.abs(back - points).max(axis=1)
    return (there - points).astype(float), found & returned & (miss < RETURN_PX)


def _correlation(first: Patch, second: Patch) -> float:
    """Correlation of two cuts where both are in view, 0 to 1; 0 without texture."""
    both = first.known & second.known
    if not both.any():
        return 0.0
    both = np.broadcast_to(both, first.pixels.shape)
    one, other = (patch.pixels[both].astype(np.float32) for patch in (first, second))
    one, other = one - one.mean(), other - other.mean()
    scale = float(np.sqrt((one * one).sum() * (other * other).sum()))
    return max(0.0, float((one * other).sum()) / scale) if scale else 0.0


def _robust_fit(equations: Array, flow: Array, prior: Array) -> tuple[Array, Mask]:
    """Least squares without outliers.

    Parameters
    ----------
    equations, flow
        Shapes (P, 2, 3) and (P, 2).
    prior
        Shape (3,), weight of the expectation that each part of the solution is 0.

    Returns
    -------
    tuple
        Solution, shape (3,), and which points agree with it, shape (P,).
    """
    solution = np.zeros(3)
    inside = np.ones(len(flow), bool)
    residual = np.abs(flow - np.median(flow, axis=0)).max(axis=1)
    for _ in range(2):
        limit = max(OUTLIER_PX, OUTLIER_SD * 1.4826 * float(np.median(residual)))
        inside = residual <= min(limit, WORST_PX)
        rows = np.concatenate([equations[inside].reshape(-1, 3), np.diag(prior)])
        right = np.concatenate([flow[inside].ravel(), np.zeros(3)])
        solution = np.linalg.solve(rows.T @ rows, rows.T @ right)
        residual = np.abs(flow - equations @ solution).max(axis=1)
    return solution, inside
