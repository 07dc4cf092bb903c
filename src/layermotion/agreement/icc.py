"""Owns intraclass correlation and error of measurement of raters who stand for others."""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.stats import qmc

from layermotion.agreement.estimate import CHANGE_PER_SEM, LEVEL, Array, Estimate

# Draws of a Sobol sequence, two to this power: bounds repeat to a third digit (our choice).
DRAWS_POWER = 12
# Two raters leave an error of any rater unknown by a factor of ten and more: its 95 % interval
# reaches 6 to 18 times too far (scripts/study.py coverage). Three are the fewest for a number.
FEWEST_RATERS = 3


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of a full table of targets by raters.

    ``targets`` (n) and ``raters`` (k) count rows and columns; ``between``, ``within``,
    ``judges`` and ``residual`` are mean squares, named as in Shrout and Fleiss 1979.
    """

    targets: int
    raters: int
    between: float
    within: float
    judges: float
    residual: float
    mean: float


@dataclass(frozen=True)
class Intraclass:
    """One form of the coefficient.

    Parameters
    ----------
    shrout_fleiss, mcgraw_wong
        Its two usual names, such as ``ICC(2,1)`` and ``ICC(A,1)``.
    estimate
        Value with its 95 % interval.
    """

    shrout_fleiss: str
    mcgraw_wong: str
    estimate: Estimate


@dataclass(frozen=True)
class MeasurementError:
    """Error of one measurement by one method or rater.

    Parameters
    ----------
    sem_consistency
        Constant offsets left out.
    sem_agreement
        With those offsets.
    mdc95
        Smallest detectable change at 95 %, from ``sem_agreement``.
    cv_percent
        ``sem_agreement`` as a share of the mean; NaN where the mean is not above zero.
    """

    sem_consistency: Estimate
    sem_agreement: Estimate
    mdc95: Estimate
    cv_percent: Estimate


def mean_squares(table: Array) -> MeanSquares:
    """Analyse a full table of shape (targets, raters), both at least 2."""
    targets, raters = table.shape
    mean = float(table.mean())
    between = raters * float(((table.mean(axis=1) - mean) ** 2).sum())
    judges = targets * float(((table.mean(axis=0) - mean) ** 2).sum())
    total = float(((table - mean) ** 2).sum())
    within = total - between
    return MeanSquares(
        targets=targets,
        raters=raters,
        between=between / (targets - 1),
        within=within / (targets * (raters - 1)),
        judges=judges / (raters - 1),
        residual=max(0.0, within - judges) / ((targets - 1) * (raters - 1)),
        mean=mean,
    )


def intraclass(table: Array, subject: NDArray[np.intp] | None = None) -> tuple[Intraclass, ...]:
    """Give the six forms of Shrout & Fleiss 1979 for raters who stand for others.

    Intervals are generalized confidence intervals (Weerahandi 1993, J Am Stat Assoc 88:899-905,
    quoted from memory): those of ICC(3,1) are the usual ones of the F ratio, and those of
    ICC(2,1) hold with few raters too, where the interval of McGraw & Wong 1996 held the truth in
    73 to 95 % of simulated studies (compared for crossed raters by Ionan et al. 2014, BMC Med Res
    Methodol 14:121). The one-way forms have none: all subjects were rated by the same raters.

    Parameters
    ----------
    table
        Shape (targets, raters), complete.
    subject
        Whose target each row is; None where each is of another.

    Examples
    --------
    >>> table = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8],
    ...                   [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)
    >>> [round(form.estimate.value, 2) for form in intraclass(table)]
    [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    """
    own = mean_squares(table)
    n, k = own.targets, own.raters
    b, j, e = _drawn_squares(table, subject)

    def held(value: float, samples: Array) -> Estimate:
        is_flat = own.residual == 0 or own.between == 0
        if math.isnan(value) or not np.isfinite(samples).all() or is_flat:
            return Estimate(value)
        return Estimate(value, *middle(samples))

    single = (
        Intraclass(
            "ICC(1,1)",
            "ICC(1)",
            Estimate(_ratio(own.between - own.within, own.between + (k - 1) * own.within)),
        ),
        Intraclass(
            "ICC(2,1)",
            "ICC(A,1)",
            held(
                _ratio(
                    own.between - own.residual,
                    own.between + (k - 1) * own.residual + k * (own.judges - own.residual) / n,
                ),
                _shares(b - e, b + (k - 1) * e + k * (j - e) / n),
            ),
        ),
        Intraclass(
            "ICC(3,1)",
            "ICC(C,1)",
            held(
                _ratio(own.between - own.residual, own.between + (k - 1) * own.residual),
                _shares(b - e, b + (k - 1) * e),
            ),
        ),
    )
    return (*single, *(averaged_form(form, k) for form in single))


def interval_of(
    targets: int, raters: int, between: Array, judges: Array, residual: Array
) -> tuple[float, float]:
    """Interval of ICC(2,1) from draws of the expected mean squares."""
    offset = raters * (judges - residual) / targets
    return middle(_shares(between - residual, between + (raters - 1) * residual + offset))


def averaged_form(form: Intraclass, k: int) -> Intraclass:
    """Coefficient of the mean of ``k`` raters, by the formula of Spearman and Brown."""

    def average(coefficient: float) -> float:
        # Near -1 / (k - 1), the least that is possible, the mean's coefficient has no bound.
        if (k - 1) * coefficient < -0.95:
            return -math.inf
        return _ratio(k * coefficient, 1 + (k - 1) * coefficient)

    own = form.estimate
    name = form.mcgraw_wong.replace(",1)", ",k)").replace("(1)", "(k)")
    return Intraclass(
        form.shrout_fleiss.replace(",1)", ",k)"),
        name,
        Estimate(average(own.value), average(own.low), average(own.high)),
    )


def measurement_error(table: Array, subject: NDArray[np.intp] | None = None) -> MeasurementError:
    """Give SEM, smallest detectable change and coefficient of variation of any one rater.

    SEM is the root of the error mean square (Weir 2005), with generalized confidence intervals as
    those of ``intraclass``. With fewer than ``FEWEST_RATERS`` raters only ``sem_consistency`` has a
    value.
    """
    own = mean_squares(table)
    n = own.targets
    _, j, e = _drawn_squares(table, subject)
    consistency = Estimate(math.sqrt(own.residual), *_root_middle(e, own.residual))
    if own.raters < FEWEST_RATERS:
        none = Estimate(math.nan)
        return MeasurementError(consistency, none, none, none)
    # Variance of one measurement by any rater: J / n + E (n - 1) / n.
    variance = own.judges / n + own.residual * (n - 1) / n
    agreement = Estimate(math.sqrt(variance), *_root_middle(j / n + e * (n - 1) / n, variance))
    relative = agreement.scaled(100 / own.mean) if own.mean > 0 else Estimate(math.nan)
    return MeasurementError(consistency, agreement, agreement.scaled(CHANGE_PER_SEM), relative)


def _drawn_squares(table: Array, subject: NDArray[np.intp] | None) -> tuple[Array, Array, Array]:
    """Draws of the expected mean squares between targets, of raters and of the residual.

    Sums of squares between and within subjects have chances of their own, so that several targets
    of one subject do not count as targets of several. Each shape (draws,).
    """
    targets, raters = table.shape
    own = np.arange(targets) if subject is None else np.unique(subject, return_inverse=True)[1]
    counts = np.bincount(own)
    people = counts.size
    mean, rows, columns = table.mean(), table.mean(axis=1), table.mean(axis=0)
    persons = np.bincount(own, rows) / counts  # (people,)
    left = table - rows[:, None] - columns + mean
    left_means = np.stack([np.bincount(own, column) / counts for column in left.T], axis=1)
    left_between = float((counts[:, None] * left_means**2).sum())
    freedoms = (
        people - 1,
        targets - people,
        raters - 1,
        (people - 1) * (raters - 1),
        (targets - people) * (raters - 1),
    )
    squares = (
        raters * float((counts * (persons - mean) ** 2).sum()),
        raters * float(((rows - persons[own]) ** 2).sum()),
        targets * float(((columns - mean) ** 2).sum()),
        left_between,
        max(0.0, float((left**2).sum()) - left_between),
    )
    drawn = chances(freedoms)
    b_people, b_targets, judges, e_people, e_targets = (
        own_squares / chance for own_squares, chance in zip(squares, drawn, strict=True)
    )
    shares = (people - 1) / (targets - 1), (targets - people) / (targets - 1)
    between = shares[0] * b_people + shares[1] * b_targets
    residual = shares[0] * e_people + shares[1] * e_targets
    return between, judges, residual


@cache
def chances(freedoms: tuple[float, ...], power: int = DRAWS_POWER) -> tuple[Array, ...]:
    """Draws of chi square for each number of degrees of freedom; ones where it is none."""
    points = _points(len(freedoms), power)
    return tuple(
        special.chdtri(freedom, 1 - column) if freedom else np.ones(len(points))
        for column, freedom in zip(points.T, freedoms, strict=True)
    )


@cache
def normal_chance(others: int) -> Array:
    """Draws of a normal chance beside so many of ``chances``."""
    drawn: Array = special.ndtri(_points(others + 1, DRAWS_POWER)[:, others])
    return drawn


def _points(size: int, power: int) -> Array:
    points: Array = qmc.Sobol(size, scramble=False).random_base2(power)
    # From the lower corner of each cell of the sequence to its middle.
    return points + 0.5 / len(points)


def middle(samples: Array) -> tuple[float, float]:
    """Give the ends of the middle 95 % of draws."""
    low, high = np.quantile(samples, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)


def _root_middle(samples: Array, variance: float) -> tuple[float, float]:
    return middle(np.sqrt(samples)) if variance > 0 else (math.nan, math.nan)


def _shares(top: Array, bottom: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        value: Array = top / bottom
    return value


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom else math.nan
