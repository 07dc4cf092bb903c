"""Owns the count of how often the bench's 95 % intervals hold what was put in."""

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.coefficients import concordance, error_of_two, forms_of_two
from layermotion.agreement.components import fit_components, parts_of
from layermotion.agreement.estimate import Estimate
from layermotion.agreement.icc import FEWEST_RATERS, intraclass, measurement_error
from layermotion.agreement.limits import limits_of_agreement, limits_of_any_shape
from layermotion.agreement.readings import readings_of
from layermotion.agreement.regression import deming, passing_bablok, proportional_bias
from layermotion.agreement.reliability import error_of_mean
from layermotion.agreement.spread import rater_spread
from layermotion.normal import Z95

SUBJECTS, REPEATS, RATERS = (10, 20, 50), (1, 3), (1, 2, 3, 4)
# What an interval called 95 % must hold (our choice).
LEAST, MOST = 0.93, 0.97
# Spreads in mm, of the order of the TrA (our choice): of subjects, of the true value between
# repeats, of raters' offsets, of a rater in a subject, of a reading, of sessions; bias of the tool.
SUBJECT_SD, REPEAT_SD, OFFSET_SD, OWN_SD, READING_SD, SESSION_SD = 0.8, 0.3, 0.15, 0.1, 0.2, 0.15
BIAS_MM = 0.2

Array = NDArray[np.float64]
# An interval with the value that it should hold.
Held = tuple[str, Estimate, float]
# One study of so many subjects, repeats and raters.
Simulate = Callable[[np.random.Generator, int, int, int], Iterator[Held]]


@dataclass(frozen=True)
class Design:
    """Studies of one kind; each design draws from a seed of its own."""

    part: str
    subjects: int
    repeats: int
    raters: int

    def __str__(self) -> str:
        return f"{self.subjects} subjects, {self.repeats} repeats, {self.raters} raters"


@dataclass(frozen=True)
class Count:
    """Of one interval: how many studies gave it, and in how many of these it held the truth."""

    held: int
    given: int


def designs_of(parts: Sequence[str], subjects: Sequence[int]) -> Iterator[Design]:
    """Every design of these parts."""
    for part in parts:
        # The shapes are of differences, which know no raters.
        raters = (1,) if part == "shapes" else RATERS
        for n, repeats, people in product(subjects, REPEATS, raters):
            yield Design(part, n, repeats, people)


def count_design(design: Design, studies: int) -> dict[str, Count]:
    """Simulate studies of a design; count for each interval."""
    rng = np.random.default_rng([design.subjects, design.repeats, design.raters])
    simulate = {"agreement": _agreement, "reliability": _reliability(design), "shapes": _shapes}
    hits: dict[str, list[bool]] = defaultdict(list)
    for _ in range(studies):
        for name, found, true in simulate[design.part](
            rng, design.subjects, design.repeats, design.raters
        ):
            own = hits[name]
            if found.has_interval():
                own.append(found.low <= true <= found.high)
    return {name: Count(sum(held), len(held)) for name, held in hits.items()}


def _agreement(rng: np.random.Generator, n: int, repeats: int, raters: int) -> Iterator[Held]:
    """One study of a tool that errs as much as the mean of the raters, so that lines have slope 1.

    Offsets of raters are theirs where the tool is set against these raters, and are drawn from
    many where the raters stand for others.
    """
    subject = np.repeat(np.arange(n), repeats)
    pairs = subject.size
    true = rng.normal(0, SUBJECT_SD, n)[subject] + rng.normal(0, REPEAT_SD, pairs) + 5
    offsets = rng.normal(0, OFFSET_SD, raters)
    own = rng.normal(0, OWN_SD, (n, raters))[subject]
    manual = true[:, None] + offsets + own + rng.normal(0, READING_SD, (pairs, raters))
    root = math.sqrt(raters)
    tool_own = rng.normal(0, OWN_SD / root, n)[subject]
    auto = true + BIAS_MM + tool_own + rng.normal(0, READING_SD / root, pairs)
    mean = manual.mean(axis=1)
    between, error = SUBJECT_SD**2 + REPEAT_SD**2, OWN_SD**2 + READING_SD**2
    gap, sd = BIAS_MM - float(offsets.mean()), math.sqrt(2 * error / raters)
    limits = limits_of_agreement(auto - mean, subject)
    lower, upper = limits_of_any_shape(auto - mean, subject)
    forms, exchange = forms_of_two(mean, auto, subject), error_of_two(mean, auto, subject)
    rest = between + error / raters
    yield "bias", limits.bias, gap
    yield "lower limit", limits.lower, gap - Z95 * sd
    yield "upper limit", limits.upper, gap + Z95 * sd
    yield "lower limit, any distribution", lower, gap - Z95 * sd
    yield "upper limit, any distribution", upper, gap + Z95 * sd
    yield "ICC(2,1), tool and mean", forms[1].estimate, between / (rest + gap**2 / 2)
    yield "ICC(3,1), tool and mean", forms[2].estimate, between / rest
    sem = math.sqrt((gap**2 + sd**2) / 2)
    yield "SEM, tool and mean", exchange.sem_agreement, sem
    yield "concordance", concordance(mean, auto, subject), 2 * between / (2 * rest + gap**2)
    trend = proportional_bias(auto - mean, (auto + mean) / 2, subject)
    yield "slope of difference on mean", trend.slope, 0.0
    yield "Deming slope", deming(mean, auto, subject).slope, 1.0
    counts = np.bincount(subject)
    means = (np.bincount(subject, values) / counts for values in (mean, auto))
    yield "Passing-Bablok slope", passing_bablok(*means).slope, 1.0
    if raters > 1:
        spread = rater_spread(auto, manual, subject)
        tool = float(((BIAS_MM - offsets) ** 2).mean()) + error * (1 + 1 / raters)
        gaps = [(a - b) ** 2 for i, a in enumerate(offsets) for b in offsets[:i]]
        people = float(np.mean(gaps)) + 2 * error
        yield "SEM, tool and one rater", spread.auto_to_rater.scaled(0.5**0.5), (tool / 2) ** 0.5
        yield "ratio of distances", spread.ratio, math.sqrt(tool / people)
        forms, any_rater = intraclass(manual, subject), measurement_error(manual, subject)
        yield "ICC(2,1), raters", forms[1].estimate, between / (between + OFFSET_SD**2 + error)
        yield "ICC(3,1), raters", forms[2].estimate, between / (between + error)
        yield "SEM, raters, consistency", any_rater.sem_consistency, math.sqrt(error)
        yield "SEM, raters, agreement", any_rater.sem_agreement, math.sqrt(OFFSET_SD**2 + error)


def _reliability(design: Design) -> Simulate:
    """Studies of two sessions, every rater in each; laid out once, since all are alike."""
    shape = (design.subjects, 2, design.raters, design.repeats)
    subject, session, rater, repeat = (axis.ravel() for axis in np.indices(shape))
    labels = zip(subject, session, repeat, rater, strict=True)
    parts = parts_of(readings_of(make_reading(*label, 0.0) for label in labels), subject, rater)

    def simulate(rng: np.random.Generator, n: int, repeats: int, raters: int) -> Iterator[Held]:
        days = rng.normal(0, SUBJECT_SD, (n, 1)) + rng.normal(0, SESSION_SD, (n, 2))
        own = rng.normal(0, OFFSET_SD, raters) + rng.normal(0, OWN_SD, (n, raters))
        errors = rng.normal(0, READING_SD, shape)
        values = 5 + days[:, :, None, None] + own[:, None, :, None] + errors
        fit = fit_components(values.ravel(), parts)
        same = SESSION_SD**2 + READING_SD**2
        yield "SEM, same rater", error_of_mean(fit, 1), math.sqrt(same)
        if raters >= FEWEST_RATERS:
            true = math.sqrt(same + OFFSET_SD**2 + OWN_SD**2)
            yield "SEM, any rater", error_of_mean(fit, 1, any_rater=True), true

    return simulate


def _shapes(rng: np.random.Generator, n: int, repeats: int, _: int) -> Iterator[Held]:
    """Limits of differences that are skewed or have heavy tails, mean 0 and SD 1."""
    subject = np.repeat(np.arange(n), repeats)
    for shape, difference in (
        ("skewed", (rng.gamma(4, size=subject.size) - 4) / 2),
        ("heavy tails", rng.standard_t(5, size=subject.size) / math.sqrt(5 / 3)),
    ):
        limits = limits_of_agreement(difference, subject)
        for kind, found in (
            ("for normal ones", (limits.lower, limits.upper)),
            ("any distribution", limits_of_any_shape(difference, subject)),
        ):
            yield f"lower limit, {kind}, {shape}", found[0], -Z95
            yield f"upper limit, {kind}, {shape}", found[1], Z95


def make_reading(
    person: int, session: int, repeat: int, rater: int, value: float
) -> dict[str, object]:
    """One reading of the TrA at rest."""
    what = {"measure": "thickness_rest", "structure": "tra", "task": "rest", "unit": "mm"}
    who = {"subject": person, "session": session, "repeat": repeat, "rater": rater}
    return {**what, **who, "value": value}
