"""Mean of repeats: how often its interval holds the truth, and when repeats have no mean."""

import math

import numpy as np
import pytest
from scipy import stats

from layermotion.measures.measure import Measure, Status
from layermotion.measures.repeats import (
    T975,
    USUAL_RATIO,
    Agreement,
    Certainty,
    expected_spread,
    half_of_difference,
    t975,
    with_means,
)
from layermotion.normal import Z95

TRIALS = 2000


def test_quantiles_are_those_of_a_general_library() -> None:
    for freedom, quantile in enumerate(T975, start=1):
        assert quantile == pytest.approx(stats.t.ppf(0.975, freedom), abs=6e-4)
    assert t975(31) == pytest.approx(stats.t.ppf(0.975, 31), rel=0.05)
    for freedom, ratio in enumerate(USUAL_RATIO, start=1):
        assert ratio == pytest.approx(stats.chi2.ppf(0.95, freedom) / freedom, abs=6e-3)


def covered(count: int, spread: float, error: float) -> float:
    """Share of simulated visits whose interval holds the truth; measuring error is shared."""
    rng = np.random.default_rng([count, round(10 * spread), round(10 * error)])
    hits = 0
    for _ in range(TRIALS):
        values = rng.normal(0, spread, count) + rng.normal(0, error)
        hits += abs(values.mean()) <= Certainty.of(values.tolist(), Z95 * error).half
    return hits / TRIALS


@pytest.mark.parametrize("count", [2, 3, 5])
@pytest.mark.parametrize("spread", [0.5, 1.0, 4.0])
@pytest.mark.parametrize("error", [0.1, 0.3])
def test_interval_of_the_mean_holds_the_truth(count: int, spread: float, error: float) -> None:
    # Of 2000 visits 95 % are missed by chance only below 93.5 %.
    share = covered(count, spread, error)
    assert 0.935 < share < 0.99, share


def test_differences_without_a_change_hold_zero() -> None:
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(TRIALS):
        one, two = rng.normal(0, 2, 3), rng.normal(0, 2, 2)
        half = half_of_difference(Certainty.of(one.tolist(), 0), Certainty.of(two.tolist(), 0))
        hits += abs(one.mean() - two.mean()) <= half
    assert 0.935 < hits / TRIALS < 0.965


def test_an_interval_of_two_repeats_holds_both() -> None:
    certainty = Certainty.of([8.2, 42.5], 1.0)
    assert certainty.half > (42.5 - 8.2) / 2


def test_one_repeat_has_measuring_error_alone() -> None:
    assert Certainty.of([5.0], 0.4).half == 0.4
    assert half_of_difference(Certainty(1, 0, 3.0), Certainty(1, 0, 4.0)) == 5.0


def test_student_by_hand() -> None:
    half = Certainty.of([10.0, 12.0, 14.0], 1.0).half
    assert half == pytest.approx(math.hypot(1.0, 4.303 * 2 / math.sqrt(3)))


def test_muscles_meant_to_stay_quiet_are_expected_to_vary_less() -> None:
    assert expected_spread("thickness_change", "%", "eo") == 5.0
    assert expected_spread("thickness_rest", "mm", "eo") == 0.4
    assert expected_spread("another", "mm", "tra") is None


@pytest.mark.parametrize(
    ("values", "agreement"),
    [
        ((8.0, 10.0, 12.0), Agreement.USUAL),
        ((2.0, 10.0, 12.0), Agreement.WIDE),
        ((8.2, 42.5), Agreement.NOT_ONE),
        ((8.2,), Agreement.USUAL),
    ],
)
def test_repeats_are_held_against_what_is_usual(
    values: tuple[float, ...], agreement: Agreement
) -> None:
    usual = expected_spread("base_displacement", "mm", "bladder")
    assert Certainty.of(values, 0.5).agreement(usual) is agreement
    assert Certainty.of(values, 0.5).agreement(None) is Agreement.USUAL


def measure(value: float, repeat: str) -> Measure:
    return Measure(
        "base_displacement", "bladder", "cough", repeat, value, "mm", value - 1, value + 1,
        Status.DRAFT, "", "0-9;10-19", "Own.",
    )  # fmt: skip


def test_repeats_that_cannot_be_of_one_thing_have_no_mean() -> None:
    *_, mean = with_means([measure(8.2, "1"), measure(42.5, "2")])
    assert (mean.repeat, mean.value, mean.low, mean.high) == ("mean", None, None, None)
    assert mean.status is Status.NEEDS_MANUAL
    assert mean.reason.startswith("The repeats (8.2 and 42.5 mm) differ too much to be of one")
    *_, given = with_means([measure(8.2, "1"), measure(9.5, "2")])
    assert given.value == pytest.approx(8.85) and given.reason == ""
    assert given.low is not None and given.high is not None
    assert given.low < 8.2 and given.high > 9.5
