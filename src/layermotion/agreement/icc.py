"""Owns intraclass correlation in its six forms, and the error of measurement that goes with it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import CHANGE_PER_SEM, LEVEL, Array, Estimate


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
    """Error of one measurement by one rater.

    Parameters
    ----------
    sem_consistency
        Root of the residual mean square: raters' constant offsets left out.
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


def intraclass(table: Array) -> tuple[Intraclass, ...]:
    """Give all six forms of Shrout & Fleiss 1979 with the intervals of McGraw & Wong 1996.

    Parameters
    ----------
    table
        Shape (targets, raters), complete.

    Examples
    --------
    >>> table = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8],
    ...                   [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)
    >>> [round(form.estimate.value, 2) for form in intraclass(table)]
    [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    """
    squares = mean_squares(table)
    one, two, three = _one_way(squares), _agreement(squares), _consistency(squares)
    k = squares.raters
    return (
        Intraclass("ICC(1,1)", "ICC(1)", one),
        Intraclass("ICC(2,1)", "ICC(A,1)", two),
        Intraclass("ICC(3,1)", "ICC(C,1)", three),
        Intraclass("ICC(1,k)", "ICC(k)", _averaged(one, k)),
        Intraclass("ICC(2,k)", "ICC(A,k)", _averaged(two, k)),
        Intraclass("ICC(3,k)", "ICC(C,k)", _averaged(three, k)),
    )


def measurement_error(table: Array) -> MeasurementError:
    """Give SEM, smallest detectable change and coefficient of variation of one measurement.

    SEM is the root of the error mean square (Weir 2005). The interval of ``sem_consistency`` is
    exact (chi square); that of ``sem_agreement`` follows Satterthwaite.
    """
    squares = mean_squares(table)
    n, k = squares.targets, squares.raters
    freedom = (n - 1) * (k - 1)
    consistency = _root_interval(squares.residual, freedom)
    # Variance of one measurement by any rater: (J - E) / n + E, never less than E.
    offset = max(0.0, squares.judges - squares.residual) / n
    variance = offset + squares.residual
    spread = (squares.judges / n) ** 2 / (k - 1)
    spread += (squares.residual * (n - 1) / n) ** 2 / freedom
    if offset == 0.0 or spread == 0.0:
        agreement = Estimate(math.sqrt(variance), consistency.low, consistency.high)
    else:
        agreement = _root_interval(variance, variance**2 / spread)
    mean = squares.mean
    relative = agreement.scaled(100 / mean) if mean > 0 else Estimate(math.nan)
    return MeasurementError(consistency, agreement, agreement.scaled(CHANGE_PER_SEM), relative)


def bootstrap_intraclass(
    table: Array, subject: NDArray[np.intp], weights: Array
) -> dict[str, Array]:
    """Values of ICC(1,1), ICC(2,1) and ICC(3,1) when subjects are drawn again.

    Parameters
    ----------
    table
        Shape (targets, raters), complete.
    weights
        Shape (draws, subjects): how often each subject is drawn.
    """
    targets, k = table.shape
    centred = table - table.mean()
    rows = centred.mean(axis=1)
    columns = [np.ones(targets), rows, rows**2, (centred**2).sum(axis=1), *centred.T]
    sums = weights @ np.stack(
        [np.bincount(subject, column, minlength=weights.shape[1]) for column in columns], axis=1
    )  # (draws, columns)
    n, total, squared, cells = sums[:, :4].T
    mean = total / n
    with np.errstate(divide="ignore", invalid="ignore"):
        between_ss = k * (squared - n * mean**2)
        within_ss = cells - n * k * mean**2 - between_ss
        judges_ss = n * ((sums[:, 4:] / n[:, None] - mean[:, None]) ** 2).sum(axis=1)
        b = between_ss / (n - 1)
        w = within_ss / (n * (k - 1))
        j = judges_ss / (k - 1)
        e = (within_ss - judges_ss) / ((n - 1) * (k - 1))
        return {
            "ICC(1,1)": (b - w) / (b + (k - 1) * w),
            "ICC(2,1)": (b - e) / (b + (k - 1) * e + k * (j - e) / n),
            "ICC(3,1)": (b - e) / (b + (k - 1) * e),
        }


def _quantile(first: float, second: float) -> float:
    return float(stats.f.ppf((1 + LEVEL) / 2, first, second))


def _root_interval(variance: float, freedom: float) -> Estimate:
    low, high = stats.chi2.ppf([(1 + LEVEL) / 2, (1 - LEVEL) / 2], freedom)
    return Estimate(
        math.sqrt(variance),
        math.sqrt(freedom * variance / float(low)),
        math.sqrt(freedom * variance / float(high)),
    )


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom else math.nan


def _one_way(squares: MeanSquares) -> Estimate:
    return _from_f(squares, squares.within, squares.targets * (squares.raters - 1))


def _consistency(squares: MeanSquares) -> Estimate:
    freedom = (squares.targets - 1) * (squares.raters - 1)
    return _from_f(squares, squares.residual, freedom)


def _from_f(squares: MeanSquares, error: float, freedom: int) -> Estimate:
    """Coefficient (B - error) / (B + (k - 1) error), with the interval of its F ratio."""
    k, own = squares.raters, squares.targets - 1

    def coefficient(ratio: float) -> float:
        return _ratio(ratio - 1, ratio + k - 1)

    if error == 0:
        return Estimate(1.0) if squares.between > 0 else Estimate(math.nan)
    ratio = squares.between / error
    return Estimate(
        coefficient(ratio),
        coefficient(ratio / _quantile(own, freedom)),
        coefficient(ratio * _quantile(freedom, own)),
    )


def _agreement(squares: MeanSquares) -> Estimate:
    n, k = squares.targets, squares.raters
    b, j, e = squares.between, squares.judges, squares.residual
    value = _ratio(b - e, b + (k - 1) * e + k * (j - e) / n)
    if math.isnan(value) or value >= 1 or e == 0:
        return Estimate(value)
    # Degrees of freedom of the denominator, McGraw & Wong 1996, Psychol Methods 1:30-46.
    own = k * value / (n * (1 - value))
    other = 1 + k * value * (n - 1) / (n * (1 - value))
    spread = (own * j) ** 2 / (k - 1) + (other * e) ** 2 / ((n - 1) * (k - 1))
    if spread == 0 or own * j + other * e == 0:
        return Estimate(value)
    freedom = (own * j + other * e) ** 2 / spread
    first, second = _quantile(n - 1, freedom), _quantile(freedom, n - 1)
    rest = k * j + (k * n - k - n) * e
    low = n * (b - first * e) / (first * rest + n * b)
    high = n * (second * b - e) / (rest + n * second * b)
    return Estimate(value, low, high)


def _averaged(single: Estimate, k: int) -> Estimate:
    """Coefficient of the mean of ``k`` raters, by the formula of Spearman and Brown."""

    def average(coefficient: float) -> float:
        return _ratio(k * coefficient, 1 + (k - 1) * coefficient)

    return Estimate(average(single.value), average(single.low), average(single.high))
