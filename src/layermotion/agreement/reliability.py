"""Owns the reliability design: variance components, error of a mean of repeats, how many repeats.

Subjects are measured again: several raters, sessions, placements of the probe, repeats.
"""

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import LEVEL, Array, Estimate, codes_of
from layermotion.agreement.icc import CHANGE_PER_SEM
from layermotion.agreement.table import Reading
from layermotion.errors import InputError

FEWEST_SUBJECTS = 3
# Numbers of repeats that the plan lists (our choice).
MOST_REPEATS = 8
# A further repeat that lowers the error by less than this is not worth the time (our choice).
LEAST_GAIN = 0.05
# A component below this share of the whole variance counts as not found (our choice).
LEAST_SHARE = 1e-4
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
    likelihood (statsmodels MixedLM); raters are fitted as fixed, and their variance is that of
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
    is_converged: bool


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
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM
    from statsmodels.tools.sm_exceptions import ConvergenceWarning

    # In units of the SD, so that the optimiser's tolerances fit any measure.
    scale = float(values.std(ddof=1))
    columns = {"value": (values - values.mean()) / scale, "subject": subject, "rater": rater}
    renamed = {name: f"level{place}" for place, name in enumerate(levels)}
    columns |= {renamed[name]: codes for name, codes in levels.items()}
    frame = pd.DataFrame(columns)
    model = MixedLM.from_formula(
        "value ~ C(rater)" if raters > 1 else "value ~ 1",
        groups="subject",
        re_formula="1",
        vc_formula={new: f"0 + C({new})" for new in renamed.values()} or None,
        data=frame,
    )
    with warnings.catch_warnings():
        # A component at zero makes statsmodels warn; it is stated in the cautions instead.
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        warnings.simplefilter("ignore", UserWarning)
        fit = model.fit(reml=True, method=["lbfgs", "powell"], maxiter=500)
    found = {"subject": float(fit.cov_re.iloc[0, 0])}
    names = {new: name for name, new in renamed.items()}
    for new, variance in zip(model.exog_vc.names, np.atleast_1d(fit.vcomp), strict=True):
        found[names[new]] = float(variance)
    found["residual"] = float(fit.scale)
    total = sum(found.values())
    found = {k: (v if v > LEAST_SHARE * total else 0.0) for k, v in found.items()}
    design = np.asarray(model.exog, dtype=np.float64)
    labels = {"subject": subject, **levels}
    covariance, fixed = _information(found, labels, subject, design)
    if raters > 1:
        # Effects of all raters about their mean, from the effects against the first one.
        effects = np.concatenate([[0.0], np.asarray(fit.fe_params)[1:]])
        about = np.eye(raters) - 1 / raters
        spread = float(((about @ effects) ** 2).sum()) / (raters - 1)
        error = np.zeros((raters, raters))
        error[1:, 1:] = fixed[1:, 1:]
        noise = float(np.trace(about @ error @ about.T)) / (raters - 1)
        found["rater"] = max(0.0, spread - noise)
        covariance["rater", "rater"] = 2 * spread**2 / (raters - 1)
    square = scale**2
    return _Fit(
        {name: variance * square for name, variance in found.items()},
        {pair: value * square**2 for pair, value in covariance.items()},
        bool(fit.converged),
    )


def _information(
    variance: dict[str, float],
    labels: dict[str, NDArray[np.intp]],
    subject: NDArray[np.intp],
    design: Array,
) -> tuple[dict[tuple[str, str], float], Array]:
    """Covariance of variance components (inverse REML information) and of fixed effects."""
    names = [name for name, found in variance.items() if found > 0]
    count, fixed = len(names), design.shape[1]
    plain = np.zeros((count, count))
    cross = np.zeros((count, count, fixed, fixed))
    single = np.zeros((count, fixed, fixed))
    bread = np.zeros((fixed, fixed))
    for person in range(int(subject.max()) + 1):
        rows = np.flatnonzero(subject == person)
        parts = []
        for name in names:
            own = labels[name][rows] if name in labels else np.arange(rows.size)
            parts.append((own[:, None] == own[None, :]).astype(np.float64))
        whole = sum(variance[name] * part for name, part in zip(names, parts, strict=True))
        inverse = np.linalg.inv(whole)
        x = design[rows]
        bread += x.T @ inverse @ x
        moved = [inverse @ part for part in parts]  # V^-1 V_i
        for i in range(count):
            single[i] += x.T @ moved[i] @ inverse @ x
            for j in range(count):
                plain[i, j] += float((moved[i] * moved[j].T).sum())
                cross[i, j] += x.T @ moved[i] @ moved[j] @ inverse @ x
    fixed_covariance = np.linalg.inv(bread).astype(np.float64)
    adjusted = [fixed_covariance @ one for one in single]
    information = np.empty((count, count))
    for i in range(count):
        for j in range(count):
            information[i, j] = 0.5 * (
                plain[i, j]
                - 2 * float(np.trace(fixed_covariance @ cross[i, j]))
                + float(np.trace(adjusted[i] @ adjusted[j]))
            )
    inverse = np.linalg.pinv(information)
    covariance = {
        (names[i], names[j]): float(inverse[i, j]) for i in range(count) for j in range(count)
    }
    return covariance, fixed_covariance


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
    if not fit.is_converged:
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
