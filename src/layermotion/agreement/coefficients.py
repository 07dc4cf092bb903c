"""Owns agreement of two given methods in one number: concordance, ICC, error of exchanging them."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import CHANGE_PER_SEM, Array, Estimate, t_quantile
from layermotion.agreement.icc import Intraclass, MeasurementError, averaged_form
from layermotion.agreement.jackknife import FISHER, LOG, Sums, jackknife

# A correlation has a t test from three degrees of freedom within subjects on.
FEWEST_FREEDOM = 3


def _concordance(sums: Sums) -> Array:
    """Concordance from sums, with variances over n; NaN where both methods are constant."""
    _, _, xx, yy, xy = sums.centred()
    with np.errstate(divide="ignore", invalid="ignore"):
        value: Array = 2 * xy / (xx + yy + sums.count * sums.gap() ** 2)
    return value


def _mean_squares(sums: Sums) -> tuple[Array, Array, Array]:
    """Mean squares between targets, between the two methods, and of the residual."""
    _, _, xx, yy, xy = sums.centred()
    freedom = sums.count - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (xx + yy + 2 * xy) / 2 / freedom
        residual = (xx + yy - 2 * xy) / 2 / freedom
    return between, sums.count * sums.gap() ** 2 / 2, residual


def _one_way(sums: Sums) -> Array:
    between, methods, residual = _mean_squares(sums)
    within = (methods + residual * (sums.count - 1)) / sums.count
    return _divided(between - within, between + within)


def _agreement(sums: Sums) -> Array:
    between, methods, residual = _mean_squares(sums)
    offset = 2 * (methods - residual) / sums.count
    return _divided(between - residual, between + residual + offset)


def _consistency(sums: Sums) -> Array:
    between, _, residual = _mean_squares(sums)
    return _divided(between - residual, between + residual)


def _divided(top: Array, bottom: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        value: Array = top / bottom
    return value


def _exchange_error(sums: Sums) -> Array:
    """Error of one of two methods that differ: root of half the mean square difference."""
    _, _, xx, yy, xy = sums.centred()
    squares = np.maximum(0.0, xx + yy - 2 * xy) / sums.count + sums.gap() ** 2
    root: Array = np.sqrt(squares / 2)
    return root


def _residual_error(sums: Sums) -> Array:
    root: Array = np.sqrt(np.maximum(0.0, _mean_squares(sums)[2]))
    return root


def concordance(x: Array, y: Array, subject: NDArray[np.intp]) -> Estimate:
    """Lin's concordance correlation (Biometrics 1989; 45:255-68), interval by jackknife.

    Parameters
    ----------
    x, y
        Shape (pairs,).
    subject
        Shape (pairs,), numbered from 0 without a gap.
    """
    sums = Sums.by_subject(x, y, subject)
    return jackknife(_concordance(sums.whole()), _concordance(sums.without_each()), FISHER)


def forms_of_two(x: Array, y: Array, subject: NDArray[np.intp]) -> tuple[Intraclass, ...]:
    """Give the six forms of Shrout & Fleiss 1979 for two given methods, intervals by jackknife.

    The methods are fixed: their offset is theirs, and no draw from many. ICC(2,1) so read is
    ICC(A,1) of a two-way mixed model (McGraw & Wong 1996, case 3A), the same number. The one-way
    forms have no interval, since every target was measured by the same two methods.
    """
    sums = Sums.by_subject(x, y, subject)
    whole, rest = sums.whole(), sums.without_each()

    def held(form: Callable[[Sums], Array]) -> Estimate:
        return jackknife(form(whole), form(rest), FISHER)

    single = (
        Intraclass("ICC(1,1)", "ICC(1)", Estimate(float(_one_way(whole)))),
        Intraclass("ICC(2,1)", "ICC(A,1)", held(_agreement)),
        Intraclass("ICC(3,1)", "ICC(C,1)", held(_consistency)),
    )
    return (*single, *(averaged_form(form, 2) for form in single))


def error_of_two(x: Array, y: Array, subject: NDArray[np.intp]) -> MeasurementError:
    """Give the error of exchanging two given methods, intervals by jackknife."""
    sums = Sums.by_subject(x, y, subject)
    whole, rest = sums.whole(), sums.without_each()
    agreement = jackknife(_exchange_error(whole), _exchange_error(rest), LOG)
    consistency = jackknife(_residual_error(whole), _residual_error(rest), LOG)
    mean = (float(x.mean()) + float(y.mean())) / 2
    relative = agreement.scaled(100 / mean) if mean > 0 else Estimate(math.nan)
    return MeasurementError(consistency, agreement, agreement.scaled(CHANGE_PER_SEM), relative)


def error_ratio(x: Array, y: Array, subject: NDArray[np.intp]) -> Estimate:
    """Give the error variance of y over that of x from repeated pairs of subjects.

    The true value may vary between repeats: with the right ratio, what the methods differ by does
    not go together with y + ratio x within subjects. The interval holds all ratios of which that
    cannot be refused at 5 %, by the t test of a correlation, as Pitman and Morgan do for a ratio of
    1 (our derivation; checked by simulation in test_agreement_regression.py). No value where the
    repeats do not bound the ratio.
    """
    counts = np.bincount(subject)
    freedom = x.size - counts.size
    none = Estimate(math.nan)
    if freedom < FEWEST_FREEDOM:
        return none
    dx = x - (np.bincount(subject, x) / counts)[subject]
    dy = y - (np.bincount(subject, y) / counts)[subject]
    gap = dy - dx
    upper, lower = float(gap @ dy), float(gap @ dx)
    t = t_quantile(freedom - 1)
    allowed = t**2 / (t**2 + freedom - 1) * float(gap @ gap)
    squared = lower**2 - allowed * float(dx @ dx)
    linear = upper * lower - allowed * float(dx @ dy)
    rest = upper**2 - allowed * float(dy @ dy)
    if not (squared > 0 and linear**2 > squared * rest and lower < 0 < upper):
        return none
    root = math.sqrt(linear**2 - squared * rest)
    low, high = (-linear - root) / squared, (-linear + root) / squared
    return Estimate(-upper / lower, low, high) if low > 0 else none
