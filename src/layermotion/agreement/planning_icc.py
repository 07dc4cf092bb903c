"""Owns the sizes of future reliability studies: width of an ICC's interval, or a test of it."""

import math

import numpy as np
from scipy import stats

from layermotion.agreement.icc import chances, interval_of
from layermotion.agreement.planning import smallest
from layermotion.normal import Z95

# Simulated studies over which a width is averaged, two to this power: more change it by less than
# 3 % (our choice).
STUDIES_POWER = 6
# Larger studies are not searched for where raters differ: beyond them more subjects change the
# width by less than a hundredth (our choice).
MOST_CROSSED = 2000
# Most raters that a remedy proposes (our choice).
MOST_RATERS = 20
# Significance of the one-sided test; common practice.
ALPHA = 0.05


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


def crossed_width(subjects: int, icc: float, raters: int, offset_share: float) -> float:
    """Mean width of the interval of ICC(2,1) that such studies give.

    Studies are drawn by their mean squares, and each gets the interval that it will be analysed
    with; the draws are always the same.

    Parameters
    ----------
    icc
        Expected coefficient of one measurement by any rater.
    offset_share
        Share of the error variance that is constant offsets of raters, from 0 to 1.
    """
    error = 1 - icc
    residual, offset = error * (1 - offset_share), error * offset_share
    freedoms = (subjects - 1, 0, raters - 1, (subjects - 1) * (raters - 1), 0)
    expected = (raters * icc + residual, subjects * offset + residual, residual)
    between, _, judges, rest, _ = chances(freedoms)
    studied = chances(freedoms, STUDIES_POWER)
    # Sums of squares of the studies, each shape (studies,).
    squares = [size * studied[place] for size, place in zip(expected, (0, 2, 3), strict=True)]
    widths = []
    for b, j, e in zip(*squares, strict=True):
        found = interval_of(subjects, raters, b / between, j / judges, e / rest)
        widths.append(found[1] - found[0])
    return float(np.mean(widths))


def subjects_for_crossed(icc: float, width: float, raters: int, offset_share: float) -> int | None:
    """Subjects for ``crossed_width``; None where raters are too few for any number of subjects."""

    def is_enough(subjects: int) -> bool:
        return crossed_width(subjects, icc, raters, offset_share) <= width

    if not is_enough(MOST_CROSSED):
        return None
    return smallest(is_enough, MOST_CROSSED)


def raters_for_crossed(icc: float, width: float, offset_share: float) -> int | None:
    """Fewest raters with whom some number of subjects gives the width; None beyond 20."""

    def is_enough(raters: int) -> bool:
        return crossed_width(MOST_CROSSED, icc, raters, offset_share) <= width

    return smallest(is_enough, MOST_RATERS) if is_enough(MOST_RATERS) else None


def exceeding_power(subjects: int, least: float, icc: float, measurements: int) -> float:
    """Chance to show at 5 %, one-sided, that the coefficient exceeds ``least``.

    Exact, from the F ratio of a one-way analysis of variance (Donner & Eliasziw 1987, Stat Med
    6:441-8); Walter, Eliasziw & Donner 1998 (Stat Med 17:101-10) approximate the same.
    """
    first, second = subjects - 1, subjects * (measurements - 1)

    def ratio(coefficient: float) -> float:
        return 1 + measurements * coefficient / (1 - coefficient)

    needed = float(stats.f.ppf(1 - ALPHA, first, second)) * ratio(least) / ratio(icc)
    return float(stats.f.sf(needed, first, second))


def subjects_to_exceed(least: float, icc: float, measurements: int, power: float) -> int:
    """Subjects for ``exceeding_power``.

    Examples
    --------
    >>> subjects_to_exceed(0.6, 0.8, 2, 0.8)
    39
    """
    if not 0 <= least < icc < 1:
        raise ValueError("least must be from 0 to below icc, and icc below 1")
    return smallest(lambda subjects: exceeding_power(subjects, least, icc, measurements) >= power)
