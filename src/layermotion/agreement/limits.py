"""Owns bias and limits of agreement: exact, with repeats, and whatever the distribution."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from layermotion.agreement.estimate import LEVEL, Array, Estimate, t_quantile
from layermotion.agreement.icc import chances, middle, normal_chance
from layermotion.agreement.jackknife import FARTHEST, LOG, PLAIN, jackknife_error
from layermotion.normal import Z95

TAIL = (1 - LEVEL) / 2
# Points of the quadrature below: more change no printed digit (our choice).
NODES = 80
# One part of a variance: its size and its degrees of freedom.
Part = tuple[float, float]


@dataclass(frozen=True)
class Limits:
    """Bias and limits of agreement.

    Parameters
    ----------
    bias
        Mean difference; with repeats each pair counts once and the interval is by subject.
    bias_error, bias_freedom
        Standard error of the bias and its degrees of freedom.
    lower, upper
        Bias minus and plus ``multiplier`` times ``sd``, each with an interval of its own.
    outer_low, outer_high
        Bounds that hold 95 % of differences with 97.5 % confidence; NaN with repeats.
    sd, between_sd, within_sd
        Spread of one difference; its part between and within subjects, NaN without repeats.
    parts
        What the variance of one difference is put together from.
    multiplier
        1.96 for the limits in use today; the paper of 1986 used 2.
    method
        How the intervals were found.
    """

    bias: Estimate
    bias_error: float
    bias_freedom: float
    lower: Estimate
    upper: Estimate
    outer_low: float
    outer_high: float
    sd: float
    between_sd: float
    within_sd: float
    parts: tuple[Part, ...]
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
    generalized intervals; the formula is quoted from memory, and both are checked by simulation
    in test_agreement_limits.py.

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


def limits_of_one_reading(mean: Limits, within: float, freedom: int, share: float) -> Limits:
    """Widen limits that hold for a mean of readings to those of one reading.

    Bland & Altman 1999 (Stat Methods Med Res 8:135-60), section 5.1, quoted from memory: (1 - 1/m)
    of the variance within a rater's readings of one target is added; intervals are found as
    those of repeats.

    Parameters
    ----------
    within, freedom
        Variance between readings of one target, and its degrees of freedom.
    share
        Mean of 1 - 1/m over the targets, with m readings each.
    """
    parts = (*mean.parts, (share * within, freedom))
    sd = math.sqrt(mean.sd**2 + share * within)
    method = "variance between readings of one target added, generalized intervals"
    return limits_from_parts(mean.bias.value, mean.bias_error, mean.bias_freedom, sd, parts,
                   mean.multiplier, method)  # fmt: skip


def limits_of_any_shape(
    difference: Array, subject: NDArray[np.intp], multiplier: float = Z95
) -> tuple[Estimate, Estimate]:
    """Limits with intervals that do not take the differences to be normal.

    Errors of bias and of the logarithm of the SD, and how the two go together, come from leaving
    out each subject, and are recovered into an interval of each limit (the way of Zou 2013; our
    choice). That a limit holds 95 % of differences is still true of normal ones only.
    """
    counts = np.bincount(subject)
    sums = np.bincount(subject, difference)
    within = np.bincount(subject, (difference - (sums / counts)[subject]) ** 2)
    columns = np.stack([np.ones(counts.size), counts, sums, sums**2 / counts, counts**2, within])
    bias, sd = (float(x) for x in _spread_from(columns.sum(axis=1)))
    biases, sds = _spread_from(columns.sum(axis=1, keepdims=True) - columns)
    error, _ = jackknife_error(bias, biases, PLAIN)
    log_error, centre = jackknife_error(sd, sds, LOG)
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    if math.isnan(error) or math.isnan(log_error) or error == 0 or log_error == 0:
        return Estimate(lower), Estimate(upper)
    t = t_quantile(counts.size - 1)
    if t * log_error > FARTHEST:
        return Estimate(lower), Estimate(upper)
    together = float(np.corrcoef(biases, np.log(sds))[0, 1])
    more = multiplier * max(0.0, math.exp(centre + t * log_error) - sd)
    less = multiplier * max(0.0, sd - math.exp(centre - t * log_error))

    def reach(size: float, sign: float) -> float:
        whole = (t * error) ** 2 + size**2 + sign * 2 * together * t * error * size
        return math.sqrt(max(0.0, whole))

    return (
        Estimate(lower, lower - reach(more, -1), lower + reach(less, -1)),
        Estimate(upper, upper - reach(less, 1), upper + reach(more, 1)),
    )


def _spread_from(columns: Array) -> tuple[Array, Array]:
    """Mean and SD of one difference from sums over subjects, shape (6, ...)."""
    people, pairs, total, squared, counted, within_ss = columns
    with np.errstate(divide="ignore", invalid="ignore"):
        centre = total / pairs
        between_ms = (squared - total * centre) / (people - 1)
        within = np.where(pairs > people, within_ss / (pairs - people), 0.0)
        even = (pairs - counted / pairs) / (people - 1)
        sd = np.sqrt((between_ms - within) / even + within)
    return centre, sd


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
    half = t_quantile(count - 1) * sd / math.sqrt(count)
    near = one_sided_factor(count, multiplier, TAIL) * sd
    far = one_sided_factor(count, multiplier, 1 - TAIL) * sd
    coverage = float(2 * stats.norm.cdf(multiplier) - 1)
    outer = two_sided_factor(count, coverage, 1 - TAIL) * sd
    return Limits(
        bias=Estimate(bias, bias - half, bias + half),
        bias_error=sd / math.sqrt(count),
        bias_freedom=count - 1,
        lower=Estimate(bias - multiplier * sd, bias - far, bias - near),
        upper=Estimate(bias + multiplier * sd, bias + near, bias + far),
        outer_low=bias - outer,
        outer_high=bias + outer,
        sd=sd,
        between_sd=math.nan,
        within_sd=math.nan,
        parts=((sd**2, count - 1),),
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
    # Sandwich by subject: what one subject adds to the error of the mean of all pairs.
    sums = counts * (means - centre)
    error = math.sqrt(float((sums**2).sum()) * subjects / (subjects - 1)) / pairs
    # Subjects with many pairs weigh more, so fewer carry the mean: the effective number
    # (sum n)^2 / sum n^2 (Kish) takes the place of the number of subjects.
    freedom = float(counts.sum()) ** 2 / float((counts**2).sum()) - 1
    share = 1 - float((1 / counts).mean())
    parts = (
        (float(means.var(ddof=1)), freedom),
        (share * within, float(within_freedom)),
    )
    method = "variance between and within subjects, generalized intervals"
    spreads = math.sqrt(max(0.0, between)), math.sqrt(within)
    return limits_from_parts(centre, error, freedom, sd, parts, multiplier, method, *spreads)


def limits_from_parts(
    bias: float,
    error: float,
    freedom: float,
    sd: float,
    parts: Sequence[Part],
    multiplier: float,
    method: str,
    between_sd: float = math.nan,
    within_sd: float = math.nan,
) -> Limits:
    """Put limits together, with generalized confidence intervals of each.

    The way of Weerahandi 1993 (J Am Stat Assoc 88:899-905, quoted from memory): a variance is its
    estimate times its degrees of freedom over a chi square, a bias goes with the first of them.
    With that one alone this is the exact interval; intervals recovered from those of the parts
    held the limits of ten subjects in 97 to 98 % of simulated studies.
    """
    half = t_quantile(freedom) * error
    drawn = [
        part * own / chance
        for (part, own), chance in zip(parts, chances(tuple(own for _, own in parts)), strict=True)
    ]
    first = parts[0][0]
    share = np.sqrt(drawn[0] / first) if first > 0 else 1.0
    biases = bias + error * share * normal_chance(len(parts))
    total = sum(part for part, _ in parts)
    reach = multiplier * sd * np.sqrt(sum(drawn) / total if total > 0 else 1.0)
    low, high = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        bias=Estimate(bias, bias - half, bias + half),
        bias_error=error,
        bias_freedom=freedom,
        lower=Estimate(low, *middle(biases - reach)),
        upper=Estimate(high, *middle(biases + reach)),
        outer_low=math.nan,
        outer_high=math.nan,
        sd=sd,
        between_sd=between_sd,
        within_sd=within_sd,
        parts=tuple(parts),
        multiplier=multiplier,
        method=method,
    )
