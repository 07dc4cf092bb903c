"""Owns straight lines between two methods that both err."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import ROUNDING, Array, Estimate, t_quantile
from layermotion.agreement.jackknife import Sums, jackknife, jackknife_p
from layermotion.normal import Z95

# All slopes between pairs of points are held at once: 5,000 points need 0.1 GB (our choice).
MOST_BABLOK_POINTS = 5_000


@dataclass(frozen=True)
class Line:
    """A fitted line y = intercept + slope x."""

    slope: Estimate
    intercept: Estimate
    method: str


def deming_line(sums: Sums, error_ratio: float) -> tuple[Array, Array]:
    """Slope and intercept of Deming's line from sums; NaN where x and y do not go together."""
    mean_x, mean_y, xx, yy, xy = sums.centred()
    gap = yy - error_ratio * xx
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (gap + np.sqrt(gap**2 + 4 * error_ratio * xy**2)) / (2 * xy)
        intercept = sums.y_origin + mean_y - slope * (sums.x_origin + mean_x)
    return slope, intercept


def deming(x: Array, y: Array, subject: NDArray[np.intp], error_ratio: float = 1.0) -> Line:
    """Fit Deming's line, with intervals from leaving out one subject at a time.

    Closed form for a known ratio of error variances (Cornbleet & Gochman 1979, Clin Chem
    25:432-8); jackknife as in Linnet 1990 (Stat Med 9:1463-73), by subject where a subject has
    several pairs.

    Parameters
    ----------
    x, y
        Shape (pairs,).
    subject
        Shape (pairs,), numbered from 0 without a gap.
    error_ratio
        Variance of the error of y over that of x; above zero.

    Examples
    --------
    >>> x, y = np.arange(1.0, 7.0), np.array([2.3, 1.3, 4.1, 3.5, 6.3, 3.0])
    >>> round(deming(x, y, np.arange(6)).slope.value, 6)
    0.855185
    """
    sums = Sums.by_subject(x, y, subject)
    whole = deming_line(sums.whole(), error_ratio)
    left_out = deming_line(sums.without_each(), error_ratio)
    slope, intercept = map(jackknife, whole, left_out)
    return Line(
        slope, intercept, f"Deming, error ratio {error_ratio:g}, jackknife interval by subject"
    )


def passing_bablok(x: Array, y: Array) -> Line:
    """Fit the line of Passing & Bablok 1983 (J Clin Chem Clin Biochem 21:709-20).

    The slope is the median of the slopes between all pairs of points, moved up by the number of
    slopes below -1; pairs of equal points and slopes of -1 are left out; a pair with equal x
    counts as infinite with the sign of its difference in y. The interval takes the slopes at
    M1 = round((N - C) / 2) and N - M1 + 1, moved alike. What is equal is so but for rounding, so
    that the unit of the values changes nothing.

    Parameters
    ----------
    x, y
        Shape (points,), at most ``MOST_BABLOK_POINTS``, one point a subject.

    Examples
    --------
    >>> line = passing_bablok(np.arange(1.0, 7.0), np.array([2, 1.2, 4.1, 3.5, 6.3, 3]))
    >>> round(line.slope.value, 6), round(line.intercept.value, 6)
    (1.05, 0.125)
    """
    slopes = _pair_slopes(x, y)
    count = slopes.size
    if count == 0:
        return Line(Estimate(math.nan), Estimate(math.nan), "Passing-Bablok: no slope is left")
    below = int((slopes < -1).sum())
    points = x.size
    reach = Z95 * math.sqrt(points * (points - 1) * (2 * points + 5) / 18)
    first = round((count - reach) / 2)
    ranks = [(count - 1) // 2 + below, count // 2 + below, first - 1 + below, count - first + below]
    inside = sorted({rank for rank in ranks if 0 <= rank < count})
    slopes.partition(inside)

    def at(rank: int) -> float:
        return float(slopes[rank]) if 0 <= rank < count else math.copysign(math.inf, rank)

    value = (at(ranks[0]) + at(ranks[1])) / 2
    low, high = at(ranks[2]), at(ranks[3])
    intercepts = [
        float(np.median(y - slope * x)) if math.isfinite(slope) else math.nan
        for slope in (value, high, low)
    ]
    return Line(Estimate(value, low, high), Estimate(*intercepts), "Passing-Bablok 1983")


def _pair_slopes(x: Array, y: Array) -> Array:
    """Slopes between all pairs of points that count, in no order."""
    points = x.size
    slopes = np.empty(points * (points - 1) // 2)
    nearest_x, nearest_y = ROUNDING * np.abs(x).max(), ROUNDING * np.abs(y).max()
    filled = 0
    with np.errstate(divide="ignore", invalid="ignore"):
        for place in range(points - 1):
            right, up = x[place + 1 :] - x[place], y[place + 1 :] - y[place]
            right[np.abs(right) <= nearest_x] = 0.0
            up[np.abs(up) <= nearest_y] = 0.0
            own = up / right
            counts = ~np.isnan(own) & (np.abs(right + up) > nearest_x + nearest_y)
            found = own[counts]
            slopes[filled : filled + found.size] = found
            filled += found.size
    return slopes[:filled]


@dataclass(frozen=True)
class Trend:
    """How the difference, and its spread, change with the size of the value.

    Parameters
    ----------
    intercept, slope, slope_p
        Of the difference on the mean of both methods.
    sd
        Spread of the differences about that line.
    spread_p
        p value of the spread changing with the mean.
    method
        How the line was fitted.
    """

    intercept: Estimate
    slope: Estimate
    slope_p: float
    sd: float
    spread_p: float
    method: str

    def at(self, mean: Array) -> Array:
        """Bias at these means."""
        return self.intercept.value + self.slope.value * mean


def proportional_bias(difference: Array, mean: Array, subject: NDArray[np.intp]) -> Trend:
    """Fit the difference on the mean of the two methods, and the spread about that line likewise.

    Ordinary least squares, of the difference and then of the size of its residuals (Bland &
    Altman 1999, section 3.2). Where a subject has several pairs, intervals and p values come from
    leaving out each subject.
    """
    if np.ptp(mean) == 0:
        none = Estimate(math.nan)
        return Trend(none, none, math.nan, float(difference.std(ddof=1)), math.nan, "no line")
    line = stats.linregress(mean, difference)
    left = difference - line.intercept - line.slope * mean
    sd = math.sqrt(float((left**2).sum()) / (mean.size - 2))
    if np.bincount(subject).max() > 1:
        slope, intercept, slope_p = _line_by_subject(mean, difference, subject)
        _, _, spread_p = _line_by_subject(mean, np.abs(left), subject)
        method = "least squares, jackknife interval by subject"
        return Trend(intercept, slope, slope_p, sd, spread_p, method)
    t = t_quantile(mean.size - 2)
    slope, intercept = (
        Estimate(value, value - t * error, value + t * error)
        for value, error in (
            (float(line.slope), float(line.stderr)),
            (float(line.intercept), float(line.intercept_stderr)),
        )
    )
    spread_p = float(stats.linregress(mean, np.abs(left)).pvalue)
    return Trend(intercept, slope, float(line.pvalue), sd, spread_p, "least squares")


def _line_by_subject(
    x: Array, y: Array, subject: NDArray[np.intp]
) -> tuple[Estimate, Estimate, float]:
    """Slope and intercept of y on x, and the p value of the slope, leaving out each subject."""
    sums = Sums.by_subject(x, y, subject)
    rest = _least_squares(sums.without_each())
    slope, intercept = map(jackknife, _least_squares(sums.whole()), rest)
    return slope, intercept, jackknife_p(slope.value, rest[0])


def _least_squares(sums: Sums) -> tuple[Array, Array]:
    """Slope and intercept of y on x."""
    mean_x, mean_y, xx, _, xy = sums.centred()
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = xy / xx
    return slope, sums.y_origin + mean_y - slope * (sums.x_origin + mean_x)
