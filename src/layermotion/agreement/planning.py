"""Owns the sizes of future studies: how many subjects a wanted precision or power needs."""

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from layermotion.agreement.limits import TAIL, one_sided_factor, two_sided_factor
from layermotion.normal import Z95

# Larger studies than this are not searched for (our choice).
MOST_SUBJECTS = 100_000
# Points of the quadrature over the sample SD: more change no printed digit (our choice).
NODES = 200


def subjects_for_icc(icc: float, width: float, raters: int) -> int:
    """Subjects that give a 95 % interval of an expected coefficient this wide.

    Bonett 2002 (Stat Med 21:1331-5), with his addition of 5 icc for two raters and an icc of
    0.7 or more.

    Examples
    --------
    >>> subjects_for_icc(0.8, 0.2, 2)
    55
    """
    if not (0 <= icc < 1 and 0 < width < 1 and raters >= 2):
        raise ValueError("icc must be from 0 to below 1, width between 0 and 1, raters 2 or more")
    return math.ceil((_icc_spread(icc, raters) / width) ** 2 + 1 + _icc_addition(icc, raters))


def icc_interval_width(subjects: int, icc: float, raters: int) -> float:
    """Width of the 95 % interval of an expected coefficient; inverse of ``subjects_for_icc``.

    Examples
    --------
    >>> icc_interval_width(55, 0.8, 2) <= 0.2 < icc_interval_width(54, 0.8, 2)
    True
    """
    left = subjects - 1 - _icc_addition(icc, raters)
    return _icc_spread(icc, raters) / math.sqrt(left) if left > 0 else math.inf


def _icc_addition(icc: float, raters: int) -> float:
    return 5 * icc if raters == 2 and icc >= 0.7 else 0.0


def _icc_spread(icc: float, raters: int) -> float:
    """Width of the interval, times the root of the degrees of freedom."""
    variance = 8 * (1 - icc) ** 2 * (1 + (raters - 1) * icc) ** 2 / (raters * (raters - 1))
    return Z95 * math.sqrt(variance)


def limits_interval_width(subjects: int) -> float:
    """Width of the exact interval of one limit of agreement, in SDs of the differences."""
    return one_sided_factor(subjects, Z95, 1 - TAIL) - one_sided_factor(subjects, Z95, TAIL)


def subjects_for_limits(width_sd: float) -> int:
    """Subjects that make the exact interval of a limit at most this wide, in SDs.

    Examples
    --------
    >>> limits_interval_width(subjects_for_limits(0.7)) <= 0.7
    True
    """
    if width_sd <= 0:
        raise ValueError("the width must be above zero")
    return _smallest(lambda subjects: limits_interval_width(subjects) <= width_sd)


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
    return _smallest(lambda subjects: limits_power(subjects, bias, sd, margin) >= power)


def subjects_for_mean(bias: float, sd: float, margin: float, power: float = 0.8) -> int:
    """Subjects for ``equivalence_power``; the bias lies within the margin."""
    if abs(bias) >= margin:
        raise ValueError("the bias must lie within the margin")
    return _smallest(lambda subjects: equivalence_power(subjects, bias, sd, margin) >= power)


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


def _smallest(is_enough: Callable[[int], bool]) -> int:
    """Smallest number of subjects that is enough, from 3; more are always enough too."""
    low, high = 2, 4
    while not is_enough(high):
        low, high = high, high * 2
        if high > 2 * MOST_SUBJECTS:
            raise ValueError(f"more than {MOST_SUBJECTS} subjects would be needed")
    while high - low > 1:
        middle = (low + high) // 2
        if is_enough(middle):
            high = middle
        else:
            low = middle
    return high
