"""Owns the shape of a statistical result: a value with its interval, and a row of figures.csv."""

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Confidence of every interval; a convention, common practice.
LEVEL = 0.95
# From the standard error of measurement to the smallest detectable change, 1.96 sqrt(2)
# (Weir 2005, J Strength Cond Res 19(1):231-40).
CHANGE_PER_SEM = 1.96 * math.sqrt(2)
# Relative size of differences that arithmetic alone leaves.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval; NaN bounds where no interval can be given."""

    value: float
    low: float = math.nan
    high: float = math.nan

    def scaled(self, factor: float) -> "Estimate":
        """Multiply all three by a factor above zero."""
        return Estimate(self.value * factor, self.low * factor, self.high * factor)

    def has_interval(self) -> bool:
        """Whether both bounds are known."""
        return not (math.isnan(self.low) or math.isnan(self.high))


@dataclass(frozen=True)
class Statistic:
    """One row of ``figures.csv``.

    Parameters
    ----------
    measure, structure
        What was measured.
    comparison
        What is set against what, such as ``auto - manual`` or ``raters``.
    statistic
        Name of the number.
    value, low, high
        The number with its 95 % interval; NaN where there is none.
    unit
        Unit of the value; empty for pure numbers.
    subjects, pairs
        How many people and how many pairs or targets it rests on.
    method
        How value and interval were found.
    """

    measure: str
    structure: str
    comparison: str
    statistic: str
    value: float
    low: float
    high: float
    unit: str
    subjects: int
    pairs: int
    method: str


STATISTIC_COLUMNS = tuple(item.name for item in fields(Statistic))


def t_quantile(freedom: float) -> float:
    """Quantile of Student's t for a 95 % interval.

    Examples
    --------
    >>> round(t_quantile(9), 3)
    2.262
    """
    from scipy import special

    return float(special.stdtrit(freedom, (1 + LEVEL) / 2))


def chi2_quantiles(freedom: float) -> tuple[float, float]:
    """Low and high quantile of chi square for a 95 % interval.

    Examples
    --------
    >>> [round(x, 2) for x in chi2_quantiles(9)]
    [2.7, 19.02]
    """
    from scipy import special

    low, high = special.chdtri(freedom, [(1 + LEVEL) / 2, (1 - LEVEL) / 2])
    return float(low), float(high)
