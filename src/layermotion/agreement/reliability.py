"""Owns the reliability design: variance components, error of a mean of repeats, how many repeats.

Subjects are measured again: several raters, sessions, placements of the probe, repeats.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from layermotion.agreement.components import (
    ERROR_PARTS,
    TRUE_PARTS,
    Fit,
    fit_components,
    group_codes,
    parts_of,
)
from layermotion.agreement.estimate import (
    CHANGE_PER_SEM,
    Array,
    Estimate,
    chi2_quantiles,
)
from layermotion.agreement.icc import FEWEST_RATERS
from layermotion.errors import InputError

FEWEST_SUBJECTS = 3
# Parts that are no error for one and the same rater.
OF_RATERS = ("rater", "subject x rater")
# With so many raters or fewer the interval of any rater reaches over twice the value (simulated).
FEW_RATERS = 4
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

    Parameters
    ----------
    sem_any
        For any rater, repeats within one placement; None with too few raters to know.
    sem_same
        For one and the same rater.
    apart_any, apart_same
        The same where the probe is placed anew for each repeat; None where placements are unknown.
    coefficient
        Share of the variance that is no error, of any rater where that is known.
    """

    repeats: int
    sem_any: Estimate | None
    sem_same: Estimate
    apart_any: Estimate | None
    apart_same: Estimate | None
    coefficient: float

    @property
    def sem(self) -> Estimate:
        """Error of any rater, or of the same rater where only that is known."""
        return self.sem_any or self.sem_same

    @property
    def apart(self) -> Estimate | None:
        """The same with the probe placed anew for each repeat."""
        return self.apart_any or self.apart_same

    @property
    def mdc95(self) -> Estimate:
        """Smallest detectable change that goes with ``sem``."""
        return self.sem.scaled(CHANGE_PER_SEM)


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
        Number of repeats after which one more gains less than ``LEAST_GAIN``; None where that is
        more than ``MOST_REPEATS``.
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
    enough: int | None
    cautions: tuple[str, ...]

    @property
    def who(self) -> str:
        """For whom the error of a mean of repeats holds."""
        return "any rater" if self.plan[0].sem_any else "the same rater"

    @property
    def errors(self) -> tuple[Component, ...]:
        """Components that are error."""
        return self.components[len(TRUE_PARTS) :]

    @property
    def stated_errors(self) -> tuple[Component, ...]:
        """Components that are in the error of a mean of repeats, for whom it holds."""
        of_raters = () if self.plan[0].sem_any else OF_RATERS
        return tuple(part for part in self.errors if part.name not in of_raters)

    def error_named(self, name: str) -> Component:
        """Component of ``ERROR_PARTS`` with this name."""
        return self.errors[ERROR_PARTS.index(name)]


def analyse_reliability(readings: pd.DataFrame) -> Reliability:
    """Split the variance of one measure with a mixed model and plan repeats.

    Subject, session, placement and subject-by-rater are random, fitted by restricted maximum
    likelihood (mixed.py); raters are fitted as fixed, and their variance is that of
    their effects less its error, as in the analysis of variance. Sides and tasks of one subject
    differ in truth: a part of their own, and a fixed effect, keep them out of the error. Where no
    placement is stated, each clip is one. Intervals follow Satterthwaite, with the expected
    information of the components; the raters' part is added as in Graybill & Wang 1980 (J Am Stat
    Assoc 75:869-73, quoted from memory), so that they hold with few raters too.

    Parameters
    ----------
    readings
        Of one measure, structure and unit, each with a subject, as ``readings_of`` gives them.

    Raises
    ------
    InputError
        If there are too few subjects, or nothing was measured twice.
    """
    first = readings.iloc[0]
    label = f"{first.structure} {first.measure}"
    values = readings["value"].to_numpy()
    subject, rater = group_codes([readings["subject"]]), group_codes([readings["rater"]])
    subjects, raters = int(subject.max()) + 1, int(rater.max()) + 1
    if subjects < FEWEST_SUBJECTS:
        people = "one subject" if subjects == 1 else f"{subjects} subjects"
        raise InputError(
            f"The table has {people} for {label}; reliability needs at least {FEWEST_SUBJECTS}."
        )
    targets = group_codes([readings["subject"], readings["side"], readings["task"]])
    if int(targets.max()) + 1 == len(readings):
        raise InputError(
            f"Every subject has one value of {label} for a side and task; reliability needs the "
            f"same measured again."
        )
    if np.ptp(values) == 0:
        raise InputError(f"All values of {label} are equal; check the table.")
    means = np.bincount(targets, values) / np.bincount(targets)
    if np.allclose(values, means[targets], rtol=1e-9, atol=0):
        raise InputError(
            f"Repeated values of {label} are equal in every subject; enter each repeat as it was "
            f"measured."
        )
    nested = raters > 1 and int(group_codes([subject, rater]).max()) + 1 == subjects
    if nested:
        # A rater of his own for each subject: nothing tells the raters from the subjects.
        rater = np.zeros_like(rater)
    fit = fit_components(values, parts_of(readings, subject, rater))
    cautions = [*_cautions(subjects, fit, nested), *_session_cautions(readings, fit)]
    return _result(first, values, subjects, fit, tuple(cautions))


def error_of_mean(
    fit: Fit, repeats: int, averaged: Sequence[str] = ("residual",), *, any_rater: bool = False
) -> Estimate:
    """Error of a mean of repeats with its interval; ``averaged`` parts differ between repeats."""
    left_out = (*TRUE_PARTS, "rater", *(() if any_rater else OF_RATERS))
    shares = {
        name: 1 / repeats if name in averaged else 1.0
        for name in fit.variance
        if name not in left_out
    }
    rest = sum(share * fit.variance[name] for name, share in shares.items())
    spread = sum(
        shares[one] * shares[other] * value
        for (one, other), value in fit.covariance.items()
        if one in shares and other in shares
    )
    if rest <= 0 or spread <= 0:
        return Estimate(math.sqrt(max(0.0, rest)))
    # Each part with its degrees of freedom: the raters' mean square, and the rest without the
    # noise that this mean square holds already.
    parts = [(rest, 2 * rest**2 / spread)]
    value = rest
    if any_rater:
        value += fit.variance["rater"]
        parts = [
            (fit.rater_square, float(fit.raters - 1)),
            (max(0.0, rest - fit.rater_noise), 2 * rest**2 / spread),
        ]
    whole = sum(part for part, _ in parts)
    up = down = 0.0
    for part, freedom in parts:
        low, high = chi2_quantiles(freedom)
        down += (part * (1 - freedom / high)) ** 2
        up += (part * (freedom / low - 1)) ** 2 if low > 0 else math.inf
    return Estimate(
        math.sqrt(value),
        math.sqrt(max(0.0, whole - math.sqrt(down))),
        math.sqrt(whole + math.sqrt(up)),
    )


def _result(
    first: pd.Series, values: Array, subjects: int, fit: Fit, cautions: tuple[str, ...]
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
    knows_any = fit.raters >= FEWEST_RATERS
    has_placements = "placement" in fit.variance
    anew = ("residual", "placement")
    rows = []
    # One row more than is listed, to see whether the last one is enough.
    for repeats in range(1, MOST_REPEATS + 2):
        same = error_of_mean(fit, repeats)
        any_rater = error_of_mean(fit, repeats, any_rater=True) if knows_any else None
        error = (any_rater or same).value ** 2
        rows.append(
            Repeats(
                repeats=repeats,
                sem_any=any_rater,
                sem_same=same,
                apart_any=error_of_mean(fit, repeats, anew, any_rater=True)
                if knows_any and has_placements
                else None,
                apart_same=error_of_mean(fit, repeats, anew) if has_placements else None,
                coefficient=between / (between + error) if total else math.nan,
            )
        )
    enough = next(
        (
            row.repeats
            for row, following in pairwise(rows)
            if row.sem.value == 0 or following.sem.value > (1 - LEAST_GAIN) * row.sem.value
        ),
        None,
    )
    return Reliability(
        measure=first.measure,
        structure=first.structure,
        unit=first.unit,
        subjects=subjects,
        raters=fit.raters,
        observations=values.size,
        mean=float(values.mean()),
        components=components,
        plan=tuple(rows[:MOST_REPEATS]),
        enough=enough,
        cautions=cautions,
    )


def _cautions(subjects: int, fit: Fit, nested: bool) -> list[str]:
    found, raters = [], fit.raters
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
            f"No variance was found for {' or '.join(zero)}; it is too small to see in this study."
        )
    if 1 < raters < FEWEST_RATERS:
        found.append(
            "Two raters say too little about raters at large: the error of any rater could be ten "
            "times what they show. The figures hold for the same rater at both visits; for any "
            f"rater, let {FEWEST_RATERS} or more measure."
        )
    elif 1 < raters <= FEW_RATERS:
        found.append(
            f"Only {raters} raters stand for all: the error of any rater may be several times the "
            f"value given, as its interval says."
        )
    if subjects < 20:
        found.append(f"Only {subjects} subjects: the components are rough.")
    return found


def _session_cautions(readings: pd.DataFrame, fit: Fit) -> list[str]:
    """Say where the error between visits is not known, or holds the raters' part."""
    by_subject = readings.groupby("subject")["session"].nunique()
    by_session = readings.groupby("session")["rater"].nunique()
    larger = "so the error of a change between visits may be larger than stated."
    if (by_subject < 2).all():
        return [f"No subject was measured in two sessions, {larger}"]
    if "session" not in fit.variance:
        return [f"Sessions cannot be told from repeats or from sides and tasks here, {larger}"]
    if fit.raters > 1 and (by_session == 1).all():
        return [
            "Each session had one rater, so what sessions differ by cannot be told from what "
            "raters differ by; the error of a session holds both."
        ]
    return []
