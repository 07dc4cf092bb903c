"""Owns comparisons beyond one pair of methods: raters' own spread, equivalence, resampling."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array, Estimate, percentile_interval

# Draws of the bootstrap: bounds repeat to about 1 % of their width (our choice).
DRAWS = 2000


@dataclass(frozen=True)
class RaterSpread:
    """How far the tool is from a rater, beside how far two raters are from each other.

    Parameters
    ----------
    auto_to_rater, rater_to_rater
        Root mean square difference, mean over raters and over pairs of raters.
    ratio
        The first over the second; 1 means that the tool differs from a rater as much as another
        rater does.
    verdict
        One sentence.
    """

    auto_to_rater: Estimate
    rater_to_rater: Estimate
    ratio: Estimate
    verdict: str


def draw_weights(subjects: int, rng: np.random.Generator, draws: int = DRAWS) -> Array:
    """How often each subject is drawn in each resample, shape (draws, subjects)."""
    chances = np.full(subjects, 1 / subjects)
    return rng.multinomial(subjects, chances, size=draws).astype(np.float64)


def rater_spread(
    auto: Array, manual: Array, subject: NDArray[np.intp], weights: Array
) -> RaterSpread:
    """Compare the tool's distance to raters with the distance between raters.

    The idea of individual agreement (Barnhart, Kosinski & Haber 2007, J Biopharm Stat
    17:697-719): two methods may stand for each other if exchanging them adds nothing to the
    spread that is there already. Intervals draw subjects again.

    Parameters
    ----------
    auto
        Shape (targets,).
    manual
        Shape (targets, raters), at least two raters; NaN where a rater did not measure.
    weights
        Shape (draws, subjects).

    Raises
    ------
    ValueError
        If no target was measured by two raters.
    """
    raters = manual.shape[1]
    to_auto = [auto - manual[:, rater] for rater in range(raters)]
    between = [
        manual[:, one] - manual[:, other]
        for one in range(raters)
        for other in range(one + 1, raters)
    ]
    between = [difference for difference in between if np.isfinite(difference).any()]
    if not between:
        raise ValueError("no target was measured by two raters")
    everyone = np.ones((1, weights.shape[1]))
    values = []
    for differences in (to_auto, between):
        whole = _mean_square(differences, subject, everyone)
        values.append((float(whole[0]), _mean_square(differences, subject, weights)))
    (tool, tool_draws), (people, people_draws) = values
    ratio = math.sqrt(tool / people) if people > 0 else math.nan
    subjects = weights.shape[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_draws = np.sqrt(tool_draws / people_draws)
    found = Estimate(ratio, *percentile_interval(ratio_draws, subjects))
    return RaterSpread(
        Estimate(math.sqrt(tool), *percentile_interval(np.sqrt(tool_draws), subjects)),
        Estimate(math.sqrt(people), *percentile_interval(np.sqrt(people_draws), subjects)),
        found,
        _verdict(found),
    )


def _verdict(ratio: Estimate) -> str:
    if not ratio.has_interval():
        return "The raters agree exactly, so the tool cannot be set against their spread."
    if ratio.high <= 1:
        return "The tool is within the raters' own spread: closer to a rater than raters are."
    if ratio.low > 1:
        return "The tool is outside the raters' own spread: further from a rater than raters are."
    return "The tool cannot be told apart from another rater; the interval holds 1."


def _mean_square(differences: list[Array], subject: NDArray[np.intp], weights: Array) -> Array:
    """Mean over differences of their mean squares, shape (draws,)."""
    found = []
    for difference in differences:
        known = np.isfinite(difference)
        size = weights.shape[1]
        squares = np.bincount(subject[known], difference[known] ** 2, minlength=size)
        counts = np.bincount(subject[known], minlength=size)
        with np.errstate(divide="ignore", invalid="ignore"):
            found.append((weights @ squares) / (weights @ counts))
    return np.mean(found, axis=0)  # type: ignore[no-any-return]


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests of the mean difference against a margin.

    Parameters
    ----------
    margin
        Largest difference that does not matter, above zero.
    p
        Larger of the two p values; below 0.05 the mean difference lies within the margin.
    low, high
        90 % interval of the mean difference.
    limits_within
        Whether both limits of agreement, with their outer bounds, lie within the margin.
    """

    margin: float
    p: float
    low: float
    high: float
    limits_within: bool


def equivalence(
    difference: Array, subject: NDArray[np.intp], margin: float, lowest: float, highest: float
) -> Equivalence:
    """Test the mean difference against a margin (Schuirmann 1987, J Pharmacokinet Biopharm 15).

    Means of subjects are tested, so that several pairs of one subject count once.

    Parameters
    ----------
    lowest, highest
        Outer bounds of the limits of agreement.
    """
    from statsmodels.stats.weightstats import DescrStatsW

    means = DescrStatsW(np.bincount(subject, difference) / np.bincount(subject))
    if means.std == 0:
        inside = abs(float(means.mean)) < margin
        p, low, high = (0.0 if inside else 1.0), float(means.mean), float(means.mean)
    else:
        p = float(means.ttost_mean(-margin, margin)[0])
        low, high = map(float, means.tconfint_mean(alpha=0.1))
    return Equivalence(margin, p, low, high, -margin < lowest and highest < margin)
