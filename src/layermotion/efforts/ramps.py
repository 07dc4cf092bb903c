"""Owns where a ramp lies: the way of a signal from a hold down to rest, fitted as a smooth ramp."""

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]

# A ramp is sought within this time of its middle, to either side, and the signal is looked at so
# long to either side, s (our choice: an effort of a patient begins and ends within 2 s).
LONGEST_HALF_S, LOOKED_AT_S = 1.2, 1.8
# Half lengths tried on either side of the middle, between half a frame and the longest.
HALVES = 24
# Standard deviations of what the straight lines before and after a ramp may do, in heights of the
# ramp: their level beside what was found for rest and hold, and their slope a second. Breathing
# does as much (our choice).
LEVEL_SPREAD, SLOPE_SPREAD_PER_S = 0.15, 0.15
# Frames that share one error: neighbours show the same speckle and lie on the same edge (our
# choice, as for a mean over a window).
SHARING_FRAMES = 5.0
# Share of a ramp's time by which its true shape may move its ends, as a standard deviation (our
# choice: a ramp of least jerk moves them by 0.1, a straight one by 0.15 to 0.19).
SHAPE_SPREAD = 0.1


def place_ramp(
    height: Signal, time_s: Signal, middle_s: float, noise: float
) -> tuple[float, float, float]:
    """Find when a signal that is held leaves its level and when it arrives at rest.

    The signal is fitted by half a cosine between two straight lines, one for the hold and one for
    rest, so that neither breathing nor a hold that fades moves the ends; each pair of ends is
    weighed by how well it fits, and the mean of all is taken.

    Parameters
    ----------
    height, time_s
        Shape (N,), 1 at the hold and 0 at rest, in the order from the hold to rest; the times
        increase.
    middle_s
        Where about half the height is passed.
    noise
        Standard deviation of ``height`` between frames.

    Returns
    -------
    tuple
        Time at the top, time at the foot, and the standard deviation of the error of either. Where
        no frame shows the ramp, or a single one, both are its middle, and the error is the longest
        half.
    """
    near = np.abs(time_s - middle_s) <= LOOKED_AT_S
    if not near.any() or time_s.size < 2:
        return middle_s, middle_s, LONGEST_HALF_S
    height, tau = height[near], time_s[near] - middle_s
    step = float(np.median(np.diff(time_s)))
    halves = np.geomspace(step / 2, LONGEST_HALF_S, HALVES)
    top, foot = (grid.ravel() for grid in np.meshgrid(-halves, halves, indexing="ij"))  # (G,)
    share = np.clip((tau - top[:, None]) / (foot - top)[:, None], 0, 1)
    held = 0.5 + 0.5 * np.cos(np.pi * share)  # (G, N), 1 at the hold
    before = np.minimum(tau - top[:, None], 0)
    after = np.maximum(tau - foot[:, None], 0)
    basis = np.stack([held, 1 - held, before, after], axis=-1)  # (G, N, 4)
    # What the lines are expected to be counts as four more observations.
    expected = np.array([1.0, 0.0, 0.0, 0.0])
    doubt = np.array([LEVEL_SPREAD, LEVEL_SPREAD, SLOPE_SPREAD_PER_S, SLOPE_SPREAD_PER_S])

    def misfit(noise: float) -> Signal:
        prior = SHARING_FRAMES * (noise / doubt) ** 2
        normal = np.einsum("gni,gnj->gij", basis, basis) + np.diag(prior)
        right = np.einsum("gni,n->gi", basis, height) + prior * expected
        lines = np.linalg.solve(normal, right[..., None])[..., 0]  # (G, 4)
        rest = height - np.einsum("gni,gi->gn", basis, lines)
        return np.asarray((rest**2).sum(axis=1) + (prior * (lines - expected) ** 2).sum(axis=1))

    noise = max(noise, 1e-3)
    noise = max(noise, float(np.sqrt(misfit(noise).min() / height.size)))
    squares = misfit(noise)
    weight = np.exp(-(squares - squares.min()) / (2 * noise**2 * SHARING_FRAMES))
    # The tried ends lie closer together the nearer they are to the middle.
    weight *= top * -foot
    weight /= weight.sum()
    ends = [float(weight @ part) for part in (top, foot)]
    fits = [np.sqrt(weight @ (top - ends[0]) ** 2), np.sqrt(weight @ (foot - ends[1]) ** 2)]
    shape = SHAPE_SPREAD * (ends[1] - ends[0])
    spread = float(np.hypot.reduce([max(fits), shape, step / np.sqrt(12)]))
    return middle_s + ends[0], middle_s + ends[1], spread
