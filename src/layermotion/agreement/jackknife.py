"""Owns intervals that come from leaving out one subject at a time, and the sums they need."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import Array, Estimate, t_quantile

# Fewer subjects leave no degree of freedom for an interval; follows from n - 2.
FEWEST_SUBJECTS = 3
# On a curved scale an interval that reaches farther to either side says nothing: a factor of ten
# of an error, 0.98 of a coefficient of zero (our choice). One wild value can make it so.
FARTHEST = math.log(10)


@dataclass(frozen=True)
class Scale:
    """Scale on which a figure is nearly normal, and whether its bias is taken off there."""

    to: Callable[[Array], Array]
    back: Callable[[float], float]
    is_corrected: bool


PLAIN = Scale(lambda x: x, float, is_corrected=False)
LOG = Scale(np.log, math.exp, is_corrected=True)
FISHER = Scale(np.arctanh, math.tanh, is_corrected=True)


def jackknife(whole: Array, left_out: Array, scale: Scale = PLAIN) -> Estimate:
    """Give a figure with the interval that leaving out each subject gives.

    The standard error is that of the jackknife, on a scale on which the figure is nearly normal,
    with Student's t of n - 2 as in Linnet 1990 (Stat Med 9:1463-73). On a curved scale the
    interval stands about the value that the jackknife corrects for bias (Miller 1974, Biometrika
    61:1-15, quoted from memory). ``scripts/study.py coverage`` counts how often it holds the truth.

    Parameters
    ----------
    whole
        Value of all subjects, shape () or (1,).
    left_out
        Values without each subject, shape (subjects,). The interval is NaN if any is not finite:
        a line without some subject may stand upright, or have no direction. It is NaN too where
        it reaches farther than ``FARTHEST``.

    Examples
    --------
    >>> found = jackknife(np.array(2.0), np.array([1.5, 2.0, 2.5]))
    >>> round(found.high - found.value, 3)
    8.985
    """
    value = float(np.asarray(whole).reshape(()))
    error, centre = jackknife_error(value, left_out, scale)
    if math.isnan(error):
        return Estimate(value)
    half = t_quantile(left_out.size - 2) * error
    if scale is not PLAIN and half > FARTHEST:
        return Estimate(value)
    return Estimate(value, scale.back(centre - half), scale.back(centre + half))


def jackknife_error(value: float, left_out: Array, scale: Scale = PLAIN) -> tuple[float, float]:
    """Give the standard error on the scale, and where its interval is centred; NaN without one."""
    count = left_out.size
    with np.errstate(invalid="ignore", divide="ignore"):
        own, samples = float(scale.to(np.array(value))), scale.to(left_out)
    if count < FEWEST_SUBJECTS or not (math.isfinite(own) and np.isfinite(samples).all()):
        return math.nan, math.nan
    spread = float(((samples - samples.mean()) ** 2).sum())
    centre = count * own - (count - 1) * float(samples.mean()) if scale.is_corrected else own
    # Wider than the usual error by sqrt(n / (n - 1)): with that one, intervals held the truth in 92
    # to 95 % of simulated studies of ten subjects (our choice).
    return math.sqrt(spread), centre


def jackknife_p(value: float, left_out: Array) -> float:
    """Give the two-sided p value of a figure that may be zero; NaN without an error."""
    error, _ = jackknife_error(value, left_out)
    if math.isnan(error) or error == 0:
        return math.nan
    return float(2 * stats.t.sf(abs(value) / error, left_out.size - 2))


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums from which lines and coefficients of two methods follow.

    Parameters
    ----------
    parts
        Shape (6, ...): counts, then sums of x, y, x x, y y and x y, with x and y counted from
        their origins, so that no digits are lost; one column a subject, or none for all.
    x_origin, y_origin
        Means of all x and y.
    """

    parts: Array
    x_origin: float
    y_origin: float

    @staticmethod
    def by_subject(x: Array, y: Array, subject: NDArray[np.intp]) -> "Sums":
        """Add up each subject's pairs; ``subject`` numbers them from 0 without a gap."""
        x_origin, y_origin = float(x.mean()), float(y.mean())
        dx, dy = x - x_origin, y - y_origin
        columns = (np.ones(x.size), dx, dy, dx * dx, dy * dy, dx * dy)
        added = np.stack([np.bincount(subject, column) for column in columns])
        return Sums(added.astype(np.float64), x_origin, y_origin)

    def whole(self) -> "Sums":
        """Add up all subjects."""
        return Sums(self.parts.sum(axis=1), self.x_origin, self.y_origin)

    def without_each(self) -> "Sums":
        """Add up all subjects but one, for each subject."""
        rest = self.parts.sum(axis=1, keepdims=True) - self.parts
        return Sums(rest, self.x_origin, self.y_origin)

    @property
    def count(self) -> Array:
        """Number of pairs."""
        counts: Array = self.parts[0]
        return counts

    def centred(self) -> tuple[Array, Array, Array, Array, Array]:
        """Means of x and y from their origins, then sums of squares and products about them."""
        count, x, y, xx, yy, xy = self.parts
        with np.errstate(divide="ignore", invalid="ignore"):
            mean_x, mean_y = x / count, y / count
        return mean_x, mean_y, xx - x * mean_x, yy - y * mean_y, xy - x * mean_y

    def gap(self) -> Array:
        """Mean of y less mean of x."""
        mean_x, mean_y, *_ = self.centred()
        return self.y_origin + mean_y - self.x_origin - mean_x
