"""Owns the reliability design: variance components, error of a mean of repeats, how many repeats.

Subjects are measured again: several raters, sessions, placements of the probe, repeats.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import CHANGE_PER_SEM, LEVEL, Array, Estimate, codes_of
from layermotion.agreement.mixed import fit_mixed
from layermotion.agreement.table import Reading
from layermotion.errors import InputError

FEWEST_SUBJECTS = 3
# Numbers of repeats that the plan lists (our choice).
MOST_REPEATS = 8
# A further repeat that lowers the error by less than this is not worth the time (our choice).
LEAST_GAIN = 0.05
COMPONENTS = ("subject", "rater", "subject x rater", "session", "placement", "residual")


@dataclass(frozen=True)
class Component:
    """One source of variance; NaN where the design cannot tell it from the residual."""

    name: str
    variance: float
    percent: float


@dataclass(frozen=True)
class Repeats:
    """What a mean of repeats within one placement is worth.

    ``sem`` and ``mdc95`` hold for any rater, ``sem_same`` for one and the same rater;
    ``coefficient`` is the share of the variance that is between subjects.
    """

    repeats: int
    sem: Estimate
    sem_same: Estimate
    mdc95: Estimate
    coefficient: float


@dataclass(frozen=True)
class Reliability:
    """Result for one measure.

    Parameters
    ----------
    measure, structure, unit
        What was measured.
    subjects, raters, observations
        How many.
    mean
        Of all values.
    components
        In the order of ``COMPONENTS``.
    plan
        One row for each number of repeats from 1.
    enough
        Number of repeats after which one more gains less than ``LEAST_GAIN``.
    cautions
        Sentences a reader must know.
    """

    measure: str
    structure: str
    unit: str
    subjects: int
    raters: int
    observations: int
    mean: float
    components: tuple[Component, ...]
    plan: tuple[Repeats, ...]
    enough: int
    cautions: tuple[str, ...]


def analyse_reliability(readings: Sequence[Reading]) -> Reliability:
    """Split the variance of one measure with a mixed model and plan repeats.

    Subject, session, placement and subject-by-rater are random, fitted by restricted maximum
    likelihood (mixed.py); raters are fitted as fixed, and their variance is that of
    their effects less its error, as in the analysis of variance. Intervals follow Satterthwaite,
    with the expected information of the components.

    Parameters
    ----------
    readings
        Of one measure, structure and unit, each with a subject.

    Raises
    ------
    InputError
        If there are too few subjects, or nothing was measured twice.
    """
    first = readings[0]
    label = f"{first.structure} {first.measure}"
    values = np.array([reading.value for reading in readings])
    subject = codes_of([reading.subject for reading in readings])
    rater = codes_of([reading.rater for reading in readings])
    subjects, raters = int(subject.max()) + 1, int(rater.max()) + 1
    if subjects < FEWEST_SUBJECTS:
        people = "one subject" if subjects == 1 else f"{subjects} subjects"
        raise InputError(
            f"The table has {people} for {label}; reliability needs at least {FEWEST_SUBJECTS}."
        )
    if subjects == len(readings):
        raise InputError(
            f"Every subject has one value of {label}; reliability needs the same subject "
            f"measured again."
        )
    if np.ptp(values) == 0:
        raise InputError(f"All values of {label} are equal; check the table.")
    levels = _levels(readings, subject, rater)
    fit = _fit(values, subject, rater, raters, levels)
    return _result(first, values, subjects, raters, fit, levels)


@dataclass(frozen=True, eq=False)
class _Fit:
    """Variances by name, covariance of their estimates, variance of the rater's estimate."""

    variance: dict[str, float]
    covariance: dict[tuple[str, str], float]
    is_settled: bool


def _levels(
    readings: Sequence[Reading], subject: NDArray[np.intp], rater: NDArray[np.intp]
) -> dict[str, NDArray[np.intp]]:
    """Labels of each random effect below the subject that the design can tell apart."""
    sessions = [f"{r.subject}\0{r.session}" for r in readings]
    placements = [
        f"{r.subject}\0{r.session}\0{r.rater}\0{r.placement}" if r.placement else ""
        for r in readings
    ]
    offered = {
        "subject x rater": codes_of([f"{s}\0{r}" for s, r in zip(subject, rater, strict=True)]),
        "session": codes_of(sessions),
        "placement": codes_of(placements),
    }
    kept: dict[str, NDArray[np.intp]] = {}
    taken = [subject]
    for name, codes in offered.items():
        count = int(codes.max()) + 1
        # Neither the same as what is there already, nor one label for each value.
        repeats_known = any(_is_same(codes, other) for other in taken)
        if not repeats_known and count < codes.size and count > int(subject.max()) + 1:
            kept[name] = codes
            taken.append(codes)
    return kept


def _is_same(one: NDArray[np.intp], other: NDArray[np.intp]) -> bool:
    pairs = len(set(zip(one.tolist(), other.tolist(), strict=True)))
    return pairs == int(one.max()) + 1 == int(other.max()) + 1


def _fit(
    values: Array,
    subject: NDArray[np.intp],
    rater: NDArray[np.intp],
    raters: int,
    levels: dict[str, NDArray[np.intp]],
) -> _Fit:
    # Against the first rater: a column of ones, then one for each further rater.
    design = np.column_stack([np.ones(values.size), *(rater == r for r in range(1, raters))])
    fit = fit_mixed(values, design, subject, [subject, *levels.values()])
    names = ["subject", *levels, "residual"]
    variance = dict(zip(names, fit.variance.tolist(), strict=True))
    covariance = {
        (one, other): float(fit.covariance[i, j])
        for i, one in enumerate(names)
        for j, other in enumerate(names)
    }
    if raters > 1:
        # Effects of all raters about their mean, from the effects against the first one.
        about = np.eye(raters) - 1 / raters
        effects = np.concatenate([[0.0], fit.effects[1:]])
        spread = float(((about @ effects) ** 2).sum()) / (raters - 1)
        error = np.zeros((raters, raters))
        error[1:, 1:] = fit.effects_covariance[1:, 1:]
        noise = float(np.trace(about @ error @ about.T)) / (raters - 1)
        variance["rater"] = max(0.0, spread - noise)
        covariance["rater", "rater"] = 2 * spread**2 / (raters - 1)
    return _Fit(variance, covariance, fit.is_settled)


def _error(fit: _Fit, repeats: int, leave_out: Sequence[str]) -> Estimate:
    """Error of a mean of repeats, from every source but the subject, with its interval."""
    shares = {
        name: 1 / repeats if name == "residual" else 1.0
        for name in fit.variance
        if name not in ("subject", *leave_out)
    }
    variance = sum(share * fit.variance[name] for name, share in shares.items())
    spread = sum(
        shares[one] * shares[other] * value
        for (one, other), value in fit.covariance.items()
        if one in shares and other in shares
    )
    if variance <= 0 or spread <= 0:
        return Estimate(math.sqrt(max(0.0, variance)))
    freedom = 2 * variance**2 / spread
    low, high = stats.chi2.ppf([(1 + LEVEL) / 2, (1 - LEVEL) / 2], freedom)
    return Estimate(
        math.sqrt(variance),
        math.sqrt(variance * freedom / float(low)),
        math.sqrt(variance * freedom / float(high)) if high > 0 else math.inf,
    )


def _result(
    first: Reading,
    values: Array,
    subjects: int,
    raters: int,
    fit: _Fit,
    levels: dict[str, NDArray[np.intp]],
) -> Reliability:
    total = sum(fit.variance.values())
    components = tuple(
        Component(
            name,
            fit.variance.get(name, math.nan),
            100 * fit.variance.get(name, math.nan) / total,
        )
        for name in COMPONENTS
    )
    between = fit.variance["subject"]
    plan = []
    for repeats in range(1, MOST_REPEATS + 1):
        sem = _error(fit, repeats, ())
        plan.append(
            Repeats(
                repeats=repeats,
                sem=sem,
                sem_same=_error(fit, repeats, ("rater", "subject x rater")),
                mdc95=sem.scaled(CHANGE_PER_SEM),
                coefficient=between / (between + sem.value**2) if total else math.nan,
            )
        )
    enough = MOST_REPEATS
    for row, following in zip(plan, plan[1:], strict=False):
        if row.sem.value == 0 or following.sem.value > (1 - LEAST_GAIN) * row.sem.value:
            enough = row.repeats
            break
    return Reliability(
        measure=first.measure,
        structure=first.structure,
        unit=first.unit,
        subjects=subjects,
        raters=raters,
        observations=values.size,
        mean=float(values.mean()),
        components=components,
        plan=tuple(plan),
        enough=enough,
        cautions=tuple(_cautions(subjects, raters, fit, levels)),
    )


def _cautions(
    subjects: int, raters: int, fit: _Fit, levels: dict[str, NDArray[np.intp]]
) -> list[str]:
    found = []
    if not fit.is_settled:
        found.append("The fit of the mixed model did not settle; read the components as rough.")
    zero = [name for name, variance in fit.variance.items() if variance == 0]
    if zero:
        found.append(
            f"No variance was found for {', '.join(zero)}; it is too small to see in this study."
        )
    if "session" not in levels:
        found.append(
            "Sessions could not be told apart from the rest, so the error of a change between "
            "visits may be larger than stated."
        )
    if 1 < raters <= 3:
        found.append(f"{raters} raters say little about raters at large; their variance is rough.")
    if subjects < 20:
        found.append(f"Only {subjects} subjects: the components are rough.")
    return found
