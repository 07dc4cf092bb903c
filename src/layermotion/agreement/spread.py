"""Owns what goes beyond one pair of methods: raters' own spread, and tests against a margin."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from layermotion.agreement.estimate import Array, Estimate
from layermotion.agreement.jackknife import LOG, jackknife
from layermotion.agreement.limits import Limits


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
    """

    auto_to_rater: Estimate
    rater_to_rater: Estimate
    ratio: Estimate

    def is_within(self, margin: float) -> bool:
        """Whether the ratio is shown to lie below a margin: its 95 % interval does."""
        return self.ratio.has_interval() and self.ratio.high < margin


def rater_spread(auto: Array, manual: Array, subject: NDArray[np.intp]) -> RaterSpread:
    """Compare the tool's distance to raters with the distance between raters.

    The idea of individual agreement (Barnhart, Kosinski & Haber 2007, J Biopharm Stat
    17:697-719): two methods may stand for each other if exchanging them adds nothing to the
    spread that is there already. Intervals leave out each subject, and hold for these raters.

    Parameters
    ----------
    auto
        Shape (targets,).
    manual
        Shape (targets, raters), at least two raters; NaN where a rater did not measure.

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
    tool, tool_rest = _distances(to_auto, subject)
    people, people_rest = _distances(between, subject)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio, ratio_rest = tool / people, tool_rest / people_rest
    if people == 0:
        ratio = np.array(math.nan)
    return RaterSpread(
        jackknife(tool, tool_rest, LOG),
        jackknife(people, people_rest, LOG),
        jackknife(ratio, ratio_rest, LOG),
    )


def _distances(differences: Sequence[Array], subject: NDArray[np.intp]) -> tuple[Array, Array]:
    """Root of the mean over differences of their mean squares; likewise without each subject."""
    size = int(subject.max()) + 1
    whole, rest = [], []
    for difference in differences:
        known = np.isfinite(difference)
        squares = np.bincount(subject[known], difference[known] ** 2, minlength=size)
        counts = np.bincount(subject[known], minlength=size)
        with np.errstate(divide="ignore", invalid="ignore"):
            whole.append(squares.sum() / counts.sum())
            rest.append((squares.sum() - squares) / (counts.sum() - counts))
    return np.sqrt(np.mean(whole)), np.sqrt(np.mean(rest, axis=0))


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


def equivalence(limits: Limits, margin: float) -> Equivalence:
    """Test the bias against a margin (Schuirmann 1987, J Pharmacokinet Biopharm 15).

    Bias and error are those of the limits of agreement, so each pair weighs the same in both.
    """
    bias, error, freedom = limits.bias.value, limits.bias_error, limits.bias_freedom
    if error == 0:
        p, half = (0.0 if abs(bias) < margin else 1.0), 0.0
    else:
        p = float(stats.t.sf((margin - abs(bias)) / error, freedom))
        half = float(stats.t.ppf(0.95, freedom)) * error
    bounds = limits.outer_low, limits.outer_high
    if math.isnan(limits.outer_low):
        bounds = limits.lower.low, limits.upper.high
    is_within = -margin < bounds[0] and bounds[1] < margin
    return Equivalence(margin, p, bias - half, bias + half, is_within)
