"""Mean of repeats: how often its interval holds the truth, and that it is not wider than needed."""

import math

import numpy as np
import pytest

from layermotion.measures.repeats import expected_spread, half_of_mean
from layermotion.normal import Z95

EXPECTED = 15.0
TRIALS = 1200


def covered(count: int, spread: float, error: float, *, is_shared: bool) -> float:
    """Share of simulated visits whose interval holds the true mean of all efforts."""
    rng = np.random.default_rng([count, round(10 * spread), round(10 * error)])
    hits = 0
    for _ in range(TRIALS):
        errors = rng.normal(0, error, 1 if is_shared else count)
        values = rng.normal(0, spread, count) + errors
        half = half_of_mean(values.tolist(), [Z95 * error] * count, EXPECTED)
        hits += abs(values.mean()) <= half
    return hits / TRIALS


@pytest.mark.parametrize("count", [2, 3, 5])
@pytest.mark.parametrize("spread", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("error", [0.1, 0.5])
def test_interval_of_the_mean_holds_the_truth(count: int, spread: float, error: float) -> None:
    # Of 1200 visits 90 % are missed by chance only below 88.3 %, 98 % only above 98.8 %.
    share = covered(count, spread * EXPECTED, error * EXPECTED, is_shared=True)
    assert 0.883 < share < 0.988, share


def test_errors_that_repeats_do_not_share_are_covered_more_often() -> None:
    assert covered(2, 0.3 * EXPECTED, 0.5 * EXPECTED, is_shared=False) > 0.95


def test_two_repeats_that_differ_are_not_without_bounds() -> None:
    # Student's t alone gives 12.706 half differences: 12.706 * 20 = 254 points.
    half = half_of_mean([40.0, 80.0], [9.0, 9.0], EXPECTED)
    assert 20 < half < 40
    # Repeats that agree leave little more than the error of one.
    assert half_of_mean([60.0, 60.2], [9.0, 9.0], EXPECTED) == pytest.approx(9.1, abs=0.1)


def test_the_more_repeats_the_narrower() -> None:
    halves = [
        half_of_mean([50.0, 70.0] * count, [2.0, 2.0] * count, EXPECTED) for count in (1, 2, 4)
    ]
    assert halves == sorted(halves, reverse=True)
    assert halves[-1] < halves[0] / 2


def test_scale_of_the_unit_does_not_matter() -> None:
    for structure in ("tra", "eo"):
        percent, ratio = (
            expected_spread(*measure, structure)
            for measure in (("thickness_change", "%"), ("contraction_ratio", "ratio"))
        )
        whole = half_of_mean([40.0, 60.0], [9.0, 9.0], percent)
        assert whole == pytest.approx(100 * half_of_mean([1.4, 1.6], [0.09, 0.09], ratio))


def test_muscles_meant_to_stay_quiet_are_expected_to_vary_less() -> None:
    of_eo = expected_spread("thickness_change", "%", "eo")
    assert expected_spread("thickness_rest", "mm", "eo") == 0.4
    half = half_of_mean([-2.0, 0.0], [2.5, 2.5], of_eo)
    # Enough to tell that EO stayed within 10 %.
    assert 2.5 < half < 6


def test_measure_without_a_known_spread_takes_students_t() -> None:
    assert expected_spread("another", "mm", "tra") is None
    half = half_of_mean([1.0, 2.0, 3.0], [0.5, 0.5, 0.5], None)
    assert half == pytest.approx(math.hypot(0.5, 4.303 / math.sqrt(3)))
