"""Owns the sizes of future studies: how many subjects a wanted precision or power needs."""

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from layermotion.agreement.limits import (
    TAIL,
    limits_from_parts,
    one_sided_factor,
    two_sided_factor,
)
from layermotion.normal import Z95

# Larger studies than this are not searched for (our choice).
MOST_SUBJECTS = 100_000
# Points of the quadrature over the sample SD: more change no printed digit (our choice).
NODES = 200


def limits_interval_width(subjects: int) -> float:
    """Width of the exact interval of one limit of agreement, in SDs of the differences."""
    return one_sided_factor(subjects, Z95, 1 - TAIL) - one_sided_factor(subjects, Z95, TAIL)


def repeated_interval_width(subjects: int, repeats: int, within_share: float) -> float:
    """Width of the interval of one limit where each subject gives repeats, in SDs.

    At the expected variances, by the intervals that the repeats will be analysed with.

    Parameters
    ----------
    within_share
        Share of the variance of one difference that differs between repeats of a subject.

    Examples
    --------
    >>> repeated_interval_width(20, 3, 1.0) < repeated_interval_width(20, 3, 0.0)
    True
    """
    means = 1 - within_share * (1 - 1 / repeats)
    parts = ((means, subjects - 1.0), (1 - means, subjects * (repeats - 1.0)))
    error = math.sqrt(means / subjects)
    found = limits_from_parts(0.0, error, subjects - 1.0, 1.0, parts, Z95, "")
    return found.upper.high - found.upper.low


def subjects_for_limits(width_sd: float, repeats: int = 1, within_share: float = 0.0) -> int:
    """Subjects that make the interval of a limit at most this wide, in SDs.

    Exact with one pair a subject; with several as ``repeated_interval_width``.

    Examples
    --------
    >>> limits_interval_width(subjects_for_limits(0.7)) <= 0.7
    True
    """
    if width_sd <= 0:
        raise ValueError("the width must be above zero")
    if repeats > 1:
        return smallest(
            lambda subjects: repeated_interval_width(subjects, repeats, within_share) <= width_sd
        )
    return smallest(lambda subjects: limits_interval_width(subjects) <= width_sd)


def limits_power(subjects: int, bias: float, sd: float, margin: float) -> float:
    """Chance that both limits, with their outer bounds, are found within a margin.

    Differences are taken as normal, one a subject (the question of Lu et al. 2016, Int J
    Biostat 12(2); computed here with exact two-sided tolerance factors).
    """
    return _acceptance(
        subjects,
        bias,
        sd,
        margin,
        two_sided_factor(subjects, 2 * stats.norm.cdf(Z95) - 1, 1 - TAIL),
    )


def equivalence_power(subjects: int, bias: float, sd: float, margin: float) -> float:
    """Chance that two one-sided tests at 5 % find the mean difference within a margin."""
    factor = float(stats.t.ppf(0.95, subjects - 1)) / math.sqrt(subjects)
    return _acceptance(subjects, bias, sd, margin, factor)


def subjects_for_margin(bias: float, sd: float, margin: float, power: float = 0.8) -> int | None:
    """Subjects for ``limits_power``; None where the limits exceed the margin, or nearly."""
    if limits_power(MOST_SUBJECTS, bias, sd, margin) < power:
        return None
    return smallest(lambda subjects: limits_power(subjects, bias, sd, margin) >= power)


def subjects_for_mean(bias: float, sd: float, margin: float, power: float = 0.8) -> int:
    """Subjects for ``equivalence_power``; the bias lies within the margin."""
    if abs(bias) >= margin:
        raise ValueError("the bias must lie within the margin")
    return smallest(lambda subjects: equivalence_power(subjects, bias, sd, margin) >= power)


def _acceptance(subjects: int, bias: float, sd: float, margin: float, factor: float) -> float:
    """Chance that sample mean +- factor times sample SD lies within the margin."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    freedom = subjects - 1
    # Over the probability of the sample SD, so that its density need not be written down.
    spread = sd * np.sqrt(stats.chi2.ppf((nodes + 1) / 2, freedom) / freedom)
    room = (margin - factor * spread) * math.sqrt(subjects) / sd
    shift = bias * math.sqrt(subjects) / sd
    inside = np.where(room > 0, stats.norm.cdf(room - shift) - stats.norm.cdf(-room - shift), 0.0)
    return float(weights @ inside / 2)


def smallest(is_enough: Callable[[int], bool], most: int = MOST_SUBJECTS) -> int:
    """Smallest number of subjects that is enough, from 3; more are always enough too."""
    low, high = 2, 4
    while not is_enough(high):
        low, high = high, high * 2
        if high > 2 * most:
            raise ValueError(f"more than {most} subjects would be needed")
    while high - low > 1:
        middle = (low + high) // 2
        if is_enough(middle):
            high = middle
        else:
            low = middle
    return high
