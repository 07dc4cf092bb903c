"""Owns bias and limits of agreement: exact, approximate, and with repeated measurements."""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from layermotion.agreement.estimate import LEVEL, Array, Estimate
from layermotion.normal import Z95

TAIL = (1 - LEVEL) / 2
# Points of the quadrature below: more change no printed digit (our choice).
NODES = 80


@dataclass(frozen=True)
class Limits:
    """Bias and limits of agreement.

    Parameters
    ----------
    bias
        Mean difference; with repeats each pair counts once and the interval is by subject.
    lower, upper
        Bias minus and plus ``multiplier`` times ``sd``, each with an interval of its own.
    lower_approximate, upper_approximate
        The same limits with the large-sample interval of Bland and Altman.
    outer_low, outer_high
        Bounds that hold 95 % of differences with 97.5 % confidence; NaN with repeats.
    sd, between_sd, within_sd
        Spread of one difference; its part between and within subjects, NaN without repeats.
    multiplier
        1.96 for the limits in use today; the paper of 1986 used 2.
    method
        How the intervals were found.
    """

    bias: Estimate
    lower: Estimate
    upper: Estimate
    lower_approximate: Estimate
    upper_approximate: Estimate
    outer_low: float
    outer_high: float
    sd: float
    between_sd: float
    within_sd: float
    multiplier: float
    method: str


def limits_of_agreement(
    difference: Array, subject: NDArray[np.intp], multiplier: float = Z95
) -> Limits:
    """Bias and limits of agreement, by the plain or the repeated-measures method.

    One pair a subject: intervals of each limit are exact, from the noncentral t distribution,
    and a pair of outer bounds is given beside them (Carkeet 2015, Optom Vis Sci 92(3)). Several
    pairs a subject: the variance of a single difference is put together from its parts between
    and within subjects (Bland & Altman 2007, J Biopharm Stat 17:571-82, true value varies), with
    the intervals of Zou 2013 (Stat Methods Med Res 22(6)); both formulas quoted from memory and
    checked by simulation in test_agreement_limits.py.

    Parameters
    ----------
    difference
        Shape (pairs,), finite.
    subject
        Shape (pairs,), number of the subject of each pair, from 0 without a gap.

    Raises
    ------
    ValueError
        If there are fewer than two subjects, or a number has no pair.
    """
    counts = np.bincount(subject)
    if counts.size < 2 or (counts == 0).any():
        raise ValueError("limits of agreement need two or more subjects, numbered without a gap")
    if (counts > 1).any():
        return _repeated_limits(difference, subject, multiplier)
    return _plain_limits(difference, multiplier)


@cache
def one_sided_factor(count: int, multiplier: float, confidence: float) -> float:
    """Return k so that mean + k SD lies above mu + multiplier sigma with this confidence.

    Exact, from the noncentral t distribution (Carkeet 2015; NIST handbook 7.2.6.3).
    """
    root = math.sqrt(count)
    return float(stats.nct.ppf(confidence, count - 1, multiplier * root) / root)


@cache
def two_sided_factor(count: int, coverage: float, confidence: float) -> float:
    """Return k so that mean +- k SD holds ``coverage`` of a normal population.

    Exact two-sided tolerance factor: the chance, over the sample mean, that the sample SD is
    large enough, set equal to ``confidence``.
    """
    edge = 9 / math.sqrt(count)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    shift = edge * (nodes + 1) / 2  # (nodes,), distance of the sample mean in sigma
    weight = edge / 2 * weights * 2 * stats.norm.pdf(shift, scale=1 / math.sqrt(count))
    # Half-width about a shifted centre that holds the coverage.
    needed = stats.ncx2.ppf(coverage, 1, shift**2)
    freedom = count - 1

    def excess(k: float) -> float:
        return float(weight @ stats.chi2.sf(freedom * needed / k**2, freedom)) - confidence

    return float(optimize.brentq(excess, 1e-3, 1e4, xtol=1e-9))


def _plain_limits(difference: Array, multiplier: float) -> Limits:
    count = difference.size
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(1 - TAIL, count - 1))
    half = t * sd / math.sqrt(count)
    near = one_sided_factor(count, multiplier, TAIL) * sd
    far = one_sided_factor(count, multiplier, 1 - TAIL) * sd
    coverage = float(2 * stats.norm.cdf(multiplier) - 1)
    outer = two_sided_factor(count, coverage, 1 - TAIL) * sd
    # Variance of a limit: s^2 (1/n + m^2 / (2 (n - 1))), Bland & Altman 1999.
    spread = t * sd * math.sqrt(1 / count + multiplier**2 / (2 * (count - 1)))
    low, high = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        bias=Estimate(bias, bias - half, bias + half),
        lower=Estimate(low, bias - far, bias - near),
        upper=Estimate(high, bias + near, bias + far),
        lower_approximate=Estimate(low, low - spread, low + spread),
        upper_approximate=Estimate(high, high - spread, high + spread),
        outer_low=bias - outer,
        outer_high=bias + outer,
        sd=sd,
        between_sd=math.nan,
        within_sd=math.nan,
        multiplier=multiplier,
        method="exact interval, noncentral t",
    )


def _repeated_limits(difference: Array, subject: NDArray[np.intp], multiplier: float) -> Limits:
    counts = np.bincount(subject)
    means = np.bincount(subject, difference) / counts  # (subjects,)
    subjects, pairs = counts.size, difference.size
    within_freedom = pairs - subjects
    centre = float(difference.mean())
    between_ms = float((counts * (means - centre) ** 2).sum()) / (subjects - 1)
    within = float(((difference - means[subject]) ** 2).sum()) / within_freedom
    # Mean number of pairs a subject, corrected for uneven numbers.
    even = (pairs - float((counts**2).sum()) / pairs) / (subjects - 1)
    between = (between_ms - within) / even
    # Not cut at zero here: only so is the sum without bias where subjects hardly differ.
    sd = math.sqrt(between + within)
    t = _t_of_clusters(counts)
    # Sandwich by subject: what one subject adds to the error of the mean of all pairs.
    sums = counts * (means - centre)
    error = math.sqrt(float((sums**2).sum()) * subjects / (subjects - 1)) / pairs
    low, high = centre - multiplier * sd, centre + multiplier * sd
    far, near = _recovered_bounds(means, counts, within, within_freedom, sd, multiplier, error)
    spread = t * math.sqrt(error**2 + (multiplier * _sd_error(means, counts, within, sd)) ** 2)
    return Limits(
        bias=Estimate(centre, centre - t * error, centre + t * error),
        lower=Estimate(low, low - far, low + near),
        upper=Estimate(high, high - near, high + far),
        lower_approximate=Estimate(low, low - spread, low + spread),
        upper_approximate=Estimate(high, high - spread, high + spread),
        outer_low=math.nan,
        outer_high=math.nan,
        sd=sd,
        between_sd=math.sqrt(max(0.0, between)),
        within_sd=math.sqrt(within),
        multiplier=multiplier,
        method="variance between and within subjects, recovered intervals",
    )


def _t_of_clusters(counts: NDArray[np.intp]) -> float:
    """Quantile of t for a mean over subjects with these numbers of pairs.

    Subjects with many pairs weigh more, so fewer of them carry the mean: the effective number
    (sum n)^2 / sum n^2 (Kish) takes the place of the number of subjects.
    """
    effective = float(counts.sum()) ** 2 / float((counts**2).sum())
    return float(stats.t.ppf(1 - TAIL, effective - 1))


def _recovered_bounds(
    means: Array,
    counts: NDArray[np.intp],
    within: float,
    freedom: int,
    sd: float,
    multiplier: float,
    error: float,
) -> tuple[float, float]:
    """Distance from a limit to the bound away from, and towards, the bias (Zou 2013)."""
    subjects = counts.size
    spread = float(means.var(ddof=1))
    share = 1 - float((1 / counts).mean())
    parts = ((spread, subjects - 1), (share * within, freedom))
    up = down = 0.0
    for part, own in parts:
        up += (part * (own / float(stats.chi2.ppf(TAIL, own)) - 1)) ** 2
        down += (part * (1 - own / float(stats.chi2.ppf(1 - TAIL, own)))) ** 2
    largest = math.sqrt(sd**2 + math.sqrt(up))
    smallest = math.sqrt(max(0.0, sd**2 - math.sqrt(down)))
    mean_part = (_t_of_clusters(counts) * error) ** 2
    return (
        math.sqrt(mean_part + (multiplier * (largest - sd)) ** 2),
        math.sqrt(mean_part + (multiplier * (sd - smallest)) ** 2),
    )


def _sd_error(means: Array, counts: NDArray[np.intp], within: float, sd: float) -> float:
    """Large-sample standard error of the SD of one difference, by the delta method."""
    subjects, pairs = counts.size, int(counts.sum())
    share = 1 - float((1 / counts).mean())
    variance = 2 * float(means.var(ddof=1)) ** 2 / (subjects - 1)
    variance += 2 * (share * within) ** 2 / (pairs - subjects)
    return math.sqrt(variance) / (2 * sd) if sd > 0 else 0.0
