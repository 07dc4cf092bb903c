"""Bias and limits of agreement: published values, exact bounds, and coverage by simulation."""

import math

import numpy as np
import pytest
from published import published
from scipy import stats

from layermotion.agreement.limits import (
    limits_of_agreement,
    limits_of_any_shape,
    one_sided_factor,
    two_sided_factor,
)

# First readings of peak flow, l/min: Bland & Altman 1986.
WRIGHT = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0]
)
MINI = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0]
)


def assert_published(value: float, name: str) -> None:
    low, high = published(name).range
    assert low <= value <= high


def test_peak_flow_gives_published_bias_and_limits() -> None:
    limits = limits_of_agreement(WRIGHT - MINI, np.arange(17))
    assert_published(limits.bias.value, "peak-flow-bias")
    assert_published(limits.sd, "peak-flow-sd")
    assert_published(limits.lower.value, "peak-flow-lower-limit")
    assert_published(limits.upper.value, "peak-flow-upper-limit")


def test_peak_flow_with_two_sd_as_in_the_paper() -> None:
    limits = limits_of_agreement(WRIGHT - MINI, np.arange(17), multiplier=2)
    assert_published(limits.lower.value, "peak-flow-lower-limit-2-sd")
    assert_published(limits.upper.value, "peak-flow-upper-limit-2-sd")
    assert limits.multiplier == 2


def test_interval_of_the_bias_is_that_of_a_t_test() -> None:
    limits = limits_of_agreement(WRIGHT - MINI, np.arange(17))
    low, high = stats.ttest_rel(WRIGHT, MINI).confidence_interval()
    assert (limits.bias.low, limits.bias.high) == pytest.approx((low, high))


@pytest.mark.parametrize("shape", ["skewed", "heavy tails"])
@pytest.mark.parametrize("repeats", [1, 3])
def test_interval_for_any_distribution_holds_without_a_normal_one(shape: str, repeats: int) -> None:
    rng = np.random.default_rng(9)
    subject = np.repeat(np.arange(20), repeats)
    hits = np.zeros(2)
    for _ in range(250):
        if shape == "skewed":
            difference = (rng.gamma(4, size=subject.size) - 4) / 2
        else:
            difference = rng.standard_t(5, size=subject.size) / math.sqrt(5 / 3)
        for place, limit in enumerate(limits_of_any_shape(difference, subject)):
            hits[place] += limit.low <= (2 * place - 1) * 1.959964 <= limit.high
    # Three standard errors of a share of 250 about the 90 to 97 % of scripts/study.py coverage.
    assert (hits / 250 > 0.90 - 0.057).all() and (hits / 250 < 0.97 + 0.032).all()


def test_tolerance_factors_are_the_published_ones() -> None:
    assert_published(one_sided_factor(40, float(stats.norm.ppf(0.9)), 0.99), "tolerance-one-sided")
    assert_published(two_sided_factor(10, 0.95, 0.95), "tolerance-two-sided-10")
    assert_published(two_sided_factor(30, 0.95, 0.95), "tolerance-two-sided-30")


def test_exact_interval_holds_the_limit_in_95_percent_of_small_studies() -> None:
    rng = np.random.default_rng(1)
    true = 0.3 + 1.959964 * 2
    hits = 0
    for _ in range(600):
        limits = limits_of_agreement(rng.normal(0.3, 2, 8), np.arange(8))
        hits += limits.upper.low <= true <= limits.upper.high
    # Three standard errors of a share of 600.
    assert hits / 600 == pytest.approx(0.95, abs=3 * math.sqrt(0.05 * 0.95 / 600))


@pytest.mark.parametrize(
    ("between", "within", "counts"),
    [
        (1.0, 0.6, [1, 2, 3, 4] * 5),
        # Subjects who hardly differ: a part cut at zero would make the limits too wide.
        (0.0, 1.0, [2] * 30),
        # A few subjects with most of the pairs.
        (1.0, 0.5, [1, 1, 1, 8] * 5),
    ],
)
def test_repeated_limits_hold_limit_and_bias_in_about_95_percent_of_studies(
    between: float, within: float, counts: list[int]
) -> None:
    rng = np.random.default_rng(2)
    true = 1.959964 * math.hypot(between, within)
    subject = np.repeat(np.arange(len(counts)), counts)
    hits = bias = 0
    for _ in range(600):
        difference = rng.normal(0, between, len(counts))[subject]
        limits = limits_of_agreement(difference + rng.normal(0, within, subject.size), subject)
        hits += limits.upper.low <= true <= limits.upper.high
        bias += limits.bias.low <= 0 <= limits.bias.high
    # The formulas are approximate.
    assert hits / 600 == pytest.approx(0.95, abs=0.03)
    assert bias / 600 == pytest.approx(0.95, abs=0.03)


def test_outer_bounds_hold_95_percent_of_differences_with_their_confidence() -> None:
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(600):
        limits = limits_of_agreement(rng.normal(0, 1, 12), np.arange(12))
        held += stats.norm.cdf(limits.outer_high) - stats.norm.cdf(limits.outer_low) >= 0.95
    assert held / 600 == pytest.approx(0.975, abs=3 * math.sqrt(0.025 * 0.975 / 600))


def test_repeated_limits_come_from_the_analysis_of_variance() -> None:
    # Two subjects, two pairs each: mean squares 0.5 within and 4 between subjects.
    limits = limits_of_agreement(np.array([0.0, 1.0, 3.0, 2.0]), np.array([0, 0, 1, 1]))
    assert limits.within_sd**2 == pytest.approx(0.5)
    assert limits.between_sd**2 == pytest.approx((4.0 - 0.5) / 2)
    assert limits.sd**2 == pytest.approx(0.5 + 1.75)
    assert limits.bias.value == pytest.approx(1.5)


def test_adding_a_constant_to_one_method_moves_the_bias_only() -> None:
    first = limits_of_agreement(WRIGHT - MINI, np.arange(17))
    moved = limits_of_agreement(WRIGHT + 5 - MINI, np.arange(17))
    assert moved.bias.value == pytest.approx(first.bias.value + 5)
    assert moved.sd == pytest.approx(first.sd)


def test_one_subject_is_refused() -> None:
    with pytest.raises(ValueError, match="two or more subjects"):
        limits_of_agreement(np.array([0.1, 0.2]), np.array([0, 0]))
