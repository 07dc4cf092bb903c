"""Owns the reliability design: variance components, error of a mean of repeats, how many repeats.

Subjects are measured again: several raters, sessions, placements of the probe, repeats.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.components import (
    ERROR_PARTS,
    TRUE_PARTS,
    Fit,
    design_of,
    fit_components,
    levels_of,
)
from layermotion.agreement.estimate import CHANGE_PER_SEM, LEVEL, Array, Estimate, codes_of
from layermotion.agreement.readings import Reading
from layermotion.errors import InputError

FEWEST_SUBJECTS = 3
# Numbers of repeats that the plan lists (our choice).
MOST_REPEATS = 8
# A further repeat that lowers the error by less than this is not worth the time (our choice).
LEAST_GAIN = 0.05


@dataclass(frozen=True)
class Component:
    """One source of variance; NaN where the design cannot tell it from the residual."""

    name: str
    variance: float
    percent: float


@dataclass(frozen=True)
class Repeats:
    """What a mean of repeats is worth.

    ``sem`` and ``mdc95`` hold for any rater and repeats within one placement, ``sem_same`` for
    one and the same rater, ``sem_apart`` for any rater who places the probe anew for each repeat;
    ``coefficient`` is the share of the variance that is no error.
    """

    repeats: int
    sem: Estimate
    sem_same: Estimate
    sem_apart: Estimate
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
        In the order of ``TRUE_PARTS`` and ``ERROR_PARTS``.
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

    @property
    def errors(self) -> tuple[Component, ...]:
        """Components that are error."""
        return self.components[len(TRUE_PARTS) :]

    def error_named(self, name: str) -> Component:
        """Component of ``ERROR_PARTS`` with this name."""
        return self.errors[ERROR_PARTS.index(name)]


def analyse_reliability(readings: Sequence[Reading]) -> Reliability:
    """Split the variance of one measure with a mixed model and plan repeats.

    Subject, session, placement and subject-by-rater are random, fitted by restricted maximum
    likelihood (mixed.py); raters are fitted as fixed, and their variance is that of
    their effects less its error, as in the analysis of variance. Sides and tasks of one subject
    differ in truth: a part of their own, and a fixed effect, keep them out of the error. Where no
    placement is stated, each clip is one. Intervals follow Satterthwaite, with the expected
    information of the components.

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
    if len({(r.subject, r.side, r.task) for r in readings}) == len(readings):
        raise InputError(
            f"Every subject has one value of {label} for a side and task; reliability needs the "
            f"same measured again."
        )
    if np.ptp(values) == 0:
        raise InputError(f"All values of {label} are equal; check the table.")
    targets = codes_of([f"{r.subject}\0{r.side}\0{r.task}" for r in readings])
    means = np.bincount(targets, values) / np.bincount(targets)
    if np.allclose(values, means[targets], rtol=1e-9, atol=0):
        raise InputError(
            f"Repeated values of {label} are equal in every subject; enter each repeat as it was "
            f"measured."
        )
    nested = raters > 1 and len(set(zip(subject.tolist(), rater.tolist(), strict=True))) == subjects
    if nested:
        # A rater of his own for each subject: nothing tells the raters from the subjects.
        rater, raters = np.zeros_like(rater), 1
    levels = levels_of(readings, subject, rater)
    fit = fit_components(values, subject, design_of(readings, rater, raters), raters, levels)
    return _result(first, values, subjects, raters, fit, levels, nested)


def _error(
    fit: Fit, repeats: int, leave_out: Sequence[str] = (), averaged: Sequence[str] = ("residual",)
) -> Estimate:
    """Error of a mean of repeats with its interval; ``averaged`` parts differ between repeats."""
    shares = {
        name: 1 / repeats if name in averaged else 1.0
        for name in fit.variance
        if name not in (*TRUE_PARTS, *leave_out)
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
    fit: Fit,
    levels: dict[str, NDArray[np.intp]],
    nested: bool,
) -> Reliability:
    total = sum(fit.variance.values())
    components = tuple(
        Component(
            name,
            fit.variance.get(name, math.nan),
            100 * fit.variance.get(name, math.nan) / total,
        )
        for name in (*TRUE_PARTS, *ERROR_PARTS)
    )
    between = sum(fit.variance.get(name, 0.0) for name in TRUE_PARTS)
    plan = []
    for repeats in range(1, MOST_REPEATS + 1):
        sem = _error(fit, repeats)
        plan.append(
            Repeats(
                repeats=repeats,
                sem=sem,
                sem_same=_error(fit, repeats, leave_out=("rater", "subject x rater")),
                sem_apart=_error(fit, repeats, averaged=("residual", "placement")),
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
        cautions=tuple(_cautions(subjects, raters, fit, levels, nested)),
    )


def _cautions(
    subjects: int, raters: int, fit: Fit, levels: dict[str, NDArray[np.intp]], nested: bool
) -> list[str]:
    found = []
    if nested:
        found.append(
            "No subject was measured by two raters, so what raters differ by is not known; the "
            "figures hold for the same rater."
        )
    if not fit.is_settled:
        found.append("The fit of the mixed model did not settle; read the components as rough.")
    zero = [name for name, variance in fit.variance.items() if variance == 0]
    if zero:
        found.append(
            f"No variance was found for {', '.join(zero)}; it is too small to see in this study."
        )
    if "session" not in levels:
        found.append(
            "The table has no sessions, so the error of a change between visits may be larger "
            "than stated."
        )
    if 1 < raters <= 3:
        found.append(f"{raters} raters say little about raters at large; their variance is rough.")
    if subjects < 20:
        found.append(f"Only {subjects} subjects: the components are rough.")
    return found
