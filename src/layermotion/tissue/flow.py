"""Owns following one piece of tissue through frames: optical flow, robust fit, drift control.

A tracker cuts its tissue out of each frame where its state says the tissue lies, so that in the
cut-out tissue hardly moves; what motion remains corrects the state. The remaining motion is found
by optical flow (Lucas and Kanade 1981) at a grid of points, checked there and back (Kalal,
Mikolajczyk and Matas 2010), and fitted without outliers. A frame is compared with the key frame
as long as the two resemble each other, so errors do not add up; else with the latest reference,
which is renewed from the previous frame when it too is lost, but not again before the key frame
has been recognised: then errors would add up. Which pieces there are is in tissue.py.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure, label_of
from layermotion.normal import SPREAD_OVER_MEDIAN

Array = NDArray[np.float64]
Points = NDArray[np.float32]
Mask = NDArray[np.bool_]
Image = NDArray[np.uint8]

# All lengths here are pixels of the working image, about 0.12 mm; all limits are our choice,
# see test_motion.py for what they reach.
# Points that are followed at most, about.
MOST_POINTS = 36
# Grey levels (standard deviation within the window) below which there is nothing to follow; of
# speckle in a bright or dark picture eight bits and video coding leave 1 to 2.
TEXTURE_GREY = 1.0
# Points whose way there and back differs by more are dropped.
RETURN_PX = 0.7
# Fit residuals above the larger of these are outliers: pixels, robust standard deviations.
OUTLIER_PX, OUTLIER_SD = 0.25, 2.5
# Residual above which a point never agrees.
WORST_PX = 1.5
# Rounds of reweighting in which the fit settles before outliers are told.
REWEIGHTED = 4
# Share of the points in view that must agree (where fewer do, the fit is often led by what stands
# still before the tissue), and the correlation that the two cuts must reach once they are laid over
# each other; noise reaches about 0.1.
AGREEING = 0.5
CORRELATED = 0.35
# What was lost, and what is sought far from where it is expected, must resemble the reference by
# more than this correlation: a chance likeness of speckle reaches 0.4.
ALIKE = 0.6


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
        known, at, top, bottom = self._known[label_of(structure) - 1]
        if not at.size:
            return np.zeros_like(column), np.ones_like(column), np.zeros(column.shape, bool)
        seen = np.interp(column, self.column, known, left=0, right=0) > 0.5
        return np.interp(column, at, top), np.interp(column, at, bottom), seen

    @cached_property
    def _known(self) -> list[tuple[Array, Array, Array, Array]]:
        """Of each structure: columns with both edges, 1 or 0; these columns; and both edges there.

        Each is asked for several times in a frame.
        """
        known = np.isfinite(self.top) & np.isfinite(self.bottom)
        return [
            (seen.astype(float), self.column[seen], top[seen], bottom[seen])
            for seen, top, bottom in zip(known, self.top, self.bottom, strict=True)
        ]


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


class Tracker(ABC):
    """Follows one piece of tissue; ``state`` holds the three numbers that place it."""

    # Weight of the expectation that a part of the state is as guessed, 1 / its unit.
    _prior = np.full(3, 1e-3)
    # Share of the last change that each part of the state is expected to make again.
    _inertia = np.ones(3)
    # Fewest points that must agree.
    _fewest = 6
    # Times that the reference may be renewed before the key frame is recognised again.
    _most_renewals: int
    # Coarser levels of the optical flow: what is already near needs none.
    _levels = 1

    def __init__(self, scene: Scene, points: Points, window: tuple[int, int]) -> None:
        self.state = np.zeros(3)
        self._velocity, self._renewals, self._is_lost = np.zeros(3), 0, False
        self._points, self._window = points, window
        start = self._cut(scene, self.state)
        fit = np.flatnonzero(start.visible & _textured(start.pixels, points, window))
        self._points = points[fit[:: max(1, fit.size // MOST_POINTS)]]
        self._key = self._reference = self._cut(scene, self.state)
        self._previous = scene

    @abstractmethod
    def _cut(self, scene: Scene, state: Array) -> Patch:
        """Cut the tissue out of a frame where a state says it lies."""

    @abstractmethod
    def _equations(self, state: Array) -> Array:
        """Shape (P, 2, 3): how each part of a correction moves each point, columns then rows."""

    @abstractmethod
    def _corrected(self, state: Array, fit: Array) -> Array:
        """Apply a fitted correction to a state."""

    def _usual(self, guess: Array) -> Array:
        """Correction of a guess to what is expected where the points tell little, shape (3,)."""
        return np.zeros(3)

    def follow(self, scene: Scene, home: Array | None = None) -> float:
        """Find the tissue in the next frame.

        Parameters
        ----------
        home
            State of the tissue were it as in the key frame, as a muscle is that comes back to rest:
            what was lost is also sought there. None where it is not as then, or may not be.

        Returns
        -------
        float
            Confidence: likeness of the tissue to the reference; 0 where the tissue is lost and the
            state is that of the last frame in which it was found.
        """
        found = self._search(scene, self._expected(scene, self.state + self._velocity))
        if found is None and home is not None:
            found = self._compare(scene, self._key, self._cut(scene, home), home)
            self._renewals = 0 if found else self._renewals
        self._is_lost = found is None or (self._is_lost and found[1] < ALIKE)
        if found is None or self._is_lost:
            self._velocity = np.zeros(3)
            return 0.0
        state, agreed = found
        self._velocity = self._inertia * (state - self.state)
        self.state, self._previous = state, scene
        return agreed

    def _expected(self, scene: Scene, state: Array) -> Array:
        """Give the state the part that the edges tell."""
        return state

    def _search(self, scene: Scene, guess: Array) -> tuple[Array, float] | None:
        compare = self._comparer(scene, guess)
        found = compare(self._key)
        if found is not None:
            self._renewals = 0
            return found
        found = compare(self._reference)
        if found is not None or self._renewals == self._most_renewals:
            return found
        self._renewals += 1
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
        if usable.size < self._fewest:
            return None
        flow, trusted = _flow(
            reference.pixels, patch.pixels, self._points[usable], self._window, self._levels
        )
        if trusted.sum() < self._fewest:
            return None
        equations = self._equations(guess)[usable[trusted]]
        towards = self._usual(guess)
        fit, inside = _robust_fit(equations, flow[trusted], self._prior, towards)
        if inside.sum() < max(self._fewest, AGREEING * usable.size):
            return None
        state = self._corrected(guess, fit)
        confidence = _correlation(reference, self._cut(scene, state))
        return (state, confidence) if confidence >= CORRELATED else None


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
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 8, 0.02)

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
    scale = float(np.sqrt(np.dot(one, one) * np.dot(other, other)))
    return max(0.0, float(np.dot(one, other)) / scale) if scale else 0.0


def _middle(values: Array) -> Array:
    """Upper median along the first axis, in a tenth of the time that NumPy's takes."""
    return np.asarray(np.sort(values, axis=0)[len(values) // 2])


def _robust_fit(equations: Array, flow: Array, prior: Array, towards: Array) -> tuple[Array, Mask]:
    """Least squares without outliers.

    Parameters
    ----------
    equations, flow
        Shapes (P, 2, 3) and (P, 2).
    prior
        Shape (3,), weight of the expectation that each part of the solution is as ``towards``.
    towards
        Shape (3,).

    Returns
    -------
    tuple
        Solution, shape (3,), and which points agree with it, shape (P,).
    """
    rows, way = equations.reshape(-1, 3), flow.ravel()
    squared = prior**2
    start = np.diag(squared), squared * towards

    def fit(weight: Array) -> tuple[Array, Array]:
        """Solution with a weight for each point, and how far each point lies from it."""
        weighed = rows.T * np.repeat(weight, 2)
        right = (start[1] + weighed @ way)[:, None]
        solution = np.asarray(cv2.solve(start[0] + weighed @ rows, right)[1][:, 0], float)
        away = np.abs(way - rows @ solution)
        return solution, np.maximum(away[::2], away[1::2])

    # About the least sum of absolute residuals, by reweighting.
    weight = np.ones(len(flow))
    for _ in range(REWEIGHTED):
        solution, residual = fit(weight)
        weight = OUTLIER_PX / np.maximum(residual, OUTLIER_PX)
    together = np.abs(flow - _middle(flow)).max(axis=1)
    if _middle(together) <= _middle(residual):
        residual = together
    for _ in range(2):
        limit = max(OUTLIER_PX, OUTLIER_SD * SPREAD_OVER_MEDIAN * float(_middle(residual)))
        inside = residual <= min(limit, WORST_PX)
        solution, residual = fit(inside.astype(float))
    return solution, inside
