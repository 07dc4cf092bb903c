"""Owns straight lines between two methods that both err, and Lin's concordance."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import LEVEL, Array, Estimate
from layermotion.normal import Z95

# All slopes between pairs of points are held at once: 12,000 points need 0.6 GB (our choice).
MOST_BABLOK_POINTS = 12_000


@dataclass(frozen=True)
class Line:
    """A fitted line y = intercept + slope x."""

    slope: Estimate
    intercept: Estimate
    method: str


@dataclass(frozen=True, eq=False)
class Sums:
    """Sums for each subject or draw, from which lines and concordance follow.

    Parameters
    ----------
    parts
        Shape (6, subjects or draws): counts, then sums of x, y, x x, y y and x y, with x and y
        counted from their origins, so that no digits are lost.
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

    def weighted(self, weights: Array) -> "Sums":
        """Add up over subjects with weights of shape (draws, subjects)."""
        return Sums(self.parts @ weights.T, self.x_origin, self.y_origin)

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
        mean_x, mean_y = x / count, y / count
        return mean_x, mean_y, xx - x * mean_x, yy - y * mean_y, xy - x * mean_y


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
    subjects = sums.count.size
    whole = deming_line(sums.weighted(np.ones((1, subjects))), error_ratio)
    left_out = deming_line(sums.without_each(), error_ratio)
    bounds = []
    for value, samples in zip(whole, left_out, strict=True):
        half = float(stats.t.ppf((1 + LEVEL) / 2, subjects - 2)) * _jackknife_error(samples)
        bounds.append(Estimate(float(value[0]), float(value[0]) - half, float(value[0]) + half))
    slope, intercept = bounds
    return Line(
        slope, intercept, f"Deming, error ratio {error_ratio:g}, jackknife interval by subject"
    )


def _jackknife_error(samples: Array) -> float:
    """Give the standard error from values without each subject; NaN if any value is not finite.

    A line without some subject may stand upright, or have no direction.
    """
    if not np.isfinite(samples).all():
        return math.nan
    spread = float(((samples - samples.mean()) ** 2).sum())
    return math.sqrt((samples.size - 1) / samples.size * spread)


def passing_bablok(x: Array, y: Array) -> Line:
    """Fit the line of Passing & Bablok 1983 (J Clin Chem Clin Biochem 21:709-20).

    The slope is the median of the slopes between all pairs of points, moved up by the number of
    slopes below -1; pairs of equal points and slopes of exactly -1 are left out; a pair with
    equal x counts as infinite with the sign of its difference in y. The interval takes the
    slopes at M1 = round((N - C) / 2) and N - M1 + 1, moved alike.

    Parameters
    ----------
    x, y
        Shape (points,), at most ``MOST_BABLOK_POINTS``.

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
    return Line(
        Estimate(value, low, high),
        Estimate(*intercepts),
        "Passing-Bablok 1983; the interval takes pairs as independent",
    )


def _pair_slopes(x: Array, y: Array) -> Array:
    """Slopes between all pairs of points that count, in no order."""
    points = x.size
    slopes = np.empty(points * (points - 1) // 2)
    filled = 0
    with np.errstate(divide="ignore", invalid="ignore"):
        for place in range(points - 1):
            rest = points - 1 - place
            slopes[filled : filled + rest] = (y[place + 1 :] - y[place]) / (
                x[place + 1 :] - x[place]
            )
            filled += rest
    kept: Array = slopes[~np.isnan(slopes) & (slopes != -1)]
    return kept


def concordance(x: Array, y: Array) -> Estimate:
    """Lin's concordance correlation, with the interval of its z transform.

    Lin 1989 (Biometrics 45:255-68), variance as corrected in 2000 (Biometrics 56:324-5), both
    quoted from memory and checked by simulation in test_agreement_regression.py.
    """
    sums = Sums.by_subject(x, y, np.zeros(x.size, dtype=np.intp))
    value = float(concordance_from(sums)[0])
    count = x.size
    spread_x, spread_y = float(x.std()), float(y.std())
    if count < 3 or spread_x == 0 or spread_y == 0 or abs(value) >= 1:
        return Estimate(value)
    r = float(np.corrcoef(x, y)[0, 1])
    shift = (float(x.mean()) - float(y.mean())) ** 2 / (spread_x * spread_y)
    variance = (
        (1 - r**2) * value**2 / ((1 - value**2) * r**2)
        + 2 * value**3 * (1 - value) * shift / (r * (1 - value**2) ** 2)
        - value**4 * shift**2 / (2 * r**2 * (1 - value**2) ** 2)
    ) / (count - 2)
    if not variance >= 0:
        return Estimate(value)
    half = Z95 * math.sqrt(variance)
    centre = math.atanh(value)
    return Estimate(value, math.tanh(centre - half), math.tanh(centre + half))


def concordance_from(sums: Sums) -> Array:
    """Concordance from sums, with variances over n; NaN where both methods are constant."""
    mean_x, mean_y, xx, yy, xy = sums.centred()
    gap = sums.x_origin + mean_x - sums.y_origin - mean_y
    with np.errstate(divide="ignore", invalid="ignore"):
        value: Array = 2 * xy / (xx + yy + sums.count * gap**2)
    return value


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

    Ordinary least squares, of the difference and then of the size of its residuals; errors by
    subject (sandwich) where a subject has several pairs. Bland & Altman 1999, section 3.2.
    """
    import statsmodels.api as sm

    design = sm.add_constant(mean, has_constant="add")
    is_repeated = np.bincount(subject).max() > 1
    how = {"cov_type": "cluster", "cov_kwds": {"groups": subject}, "use_t": True}
    fit = sm.OLS(difference, design).fit(**(how if is_repeated else {}))
    spread = sm.OLS(np.abs(fit.resid), design).fit(**(how if is_repeated else {}))
    intercept, slope = (
        Estimate(float(value), float(low), float(high))
        for value, (low, high) in zip(fit.params, fit.conf_int(1 - LEVEL), strict=True)
    )
    return Trend(
        intercept,
        slope,
        float(fit.pvalues[1]),
        math.sqrt(float(fit.mse_resid)),
        float(spread.pvalues[1]),
        "least squares, errors by subject" if is_repeated else "least squares",
    )
