"""Lines with error in both methods, coefficients of two methods, raters' spread, planning."""

import math

import numpy as np
import pytest
from published import published
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant
from test_agreement_limits import MINI, WRIGHT

from layermotion.agreement.coefficients import (
    concordance,
    error_of_two,
    error_ratio,
    forms_of_two,
)
from layermotion.agreement.icc import intraclass
from layermotion.agreement.jackknife import LOG, jackknife
from layermotion.agreement.limits import limits_of_agreement
from layermotion.agreement.planning import (
    equivalence_power,
    limits_interval_width,
    limits_power,
    subjects_for_limits,
    subjects_for_margin,
)
from layermotion.agreement.planning_icc import subjects_for_icc
from layermotion.agreement.regression import deming, passing_bablok, proportional_bias
from layermotion.agreement.spread import equivalence, rater_spread

VIGNETTE_X = np.arange(1.0, 7.0)
VIGNETTE_Y = np.array([2.3, 1.3, 4.1, 3.5, 6.3, 3.0])


def test_deming_on_the_data_of_the_r_package() -> None:
    line = deming(VIGNETTE_X, VIGNETTE_Y, np.arange(6))
    for estimate, name in ((line.slope, "deming-slope"), (line.intercept, "deming-intercept")):
        low, high = published(name).range
        assert low <= estimate.value <= high


def test_deming_with_equal_errors_is_the_first_principal_axis() -> None:
    centred = np.stack([WRIGHT - WRIGHT.mean(), MINI - MINI.mean()])
    axis = np.linalg.svd(centred)[0][:, 0]
    slope = deming(WRIGHT, MINI, np.arange(17)).slope.value
    assert slope == pytest.approx(axis[1] / axis[0])


def test_deming_turned_round_is_the_inverse_line() -> None:
    there = deming(WRIGHT, MINI, np.arange(17), error_ratio=2.0)
    back = deming(MINI, WRIGHT, np.arange(17), error_ratio=0.5)
    assert back.slope.value == pytest.approx(1 / there.slope.value)


def test_deming_jackknife_leaves_out_whole_subjects() -> None:
    x, y = WRIGHT[:8], MINI[:8]
    subject = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    line = deming(x, y, subject)
    slopes = np.array(
        [deming(x[subject != s], y[subject != s], np.arange(6)).slope.value for s in range(4)]
    )
    error = math.sqrt(((slopes - slopes.mean()) ** 2).sum())
    half = stats.t.ppf(0.975, 2) * error
    assert line.slope.high - line.slope.value == pytest.approx(half)


def test_deming_has_no_interval_where_one_subject_alone_holds_the_line_down() -> None:
    # Without the last subject all x are equal, and the line stands upright.
    line = deming(np.array([1.0, 1, 1, 2]), np.array([1.0, 2, 3, 3]), np.arange(4))
    # By hand, about the means 1.25 and 2.25: sums of squares 0.75 and 2.75, of products 0.75.
    assert line.slope.value == pytest.approx((2 + math.sqrt(4 + 4 * 0.75**2)) / 1.5)
    assert line.intercept.value == pytest.approx(2.25 - 1.25 * line.slope.value)
    assert not line.slope.has_interval() and not line.intercept.has_interval()


def test_deming_interval_holds_the_slope_in_95_percent_of_studies() -> None:
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(400):
        true = rng.normal(10, 3, 40)
        line = deming(true + rng.normal(0, 1, 40), 1.1 * true + rng.normal(0, 1, 40), np.arange(40))
        hits += line.slope.low <= 1.1 <= line.slope.high
    assert hits / 400 == pytest.approx(0.95, abs=0.035)


def test_passing_bablok_on_the_data_of_the_r_package() -> None:
    line = passing_bablok(VIGNETTE_X, np.array([2, 1.2, 4.1, 3.5, 6.3, 3]))
    assert line.slope.value == pytest.approx(published("passing-bablok-slope").value)
    assert line.intercept.value == pytest.approx(published("passing-bablok-intercept").value)


def test_passing_bablok_is_theil_sen_where_all_slopes_rise() -> None:
    # Sen's data, as in tests/pbtest.Rout.save of the R package deming: slope 4, intercept 6.
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    line = passing_bablok(x, y)
    assert (line.slope.value, line.intercept.value) == pytest.approx((4, 6))
    assert line.slope.value == pytest.approx(stats.theilslopes(y, x).slope)


def test_passing_bablok_follows_the_definition_of_1983_on_peak_flow() -> None:
    # Written out anew: 136 pairs, one slope of exactly -1 left out, 13 slopes below -1.
    slopes = sorted(
        (MINI[j] - MINI[i]) / (WRIGHT[j] - WRIGHT[i]) for i in range(17) for j in range(i + 1, 17)
    )
    slopes = [slope for slope in slopes if slope != -1]
    below = sum(slope < -1 for slope in slopes)
    assert (len(slopes), below) == (135, 13)
    line = passing_bablok(WRIGHT, MINI)
    assert line.slope.value == slopes[68 + below - 1]
    reach = 1.959964 * math.sqrt(17 * 16 * 39 / 18)
    first = round((135 - reach) / 2)
    assert line.slope.low == slopes[first + below - 1]
    assert line.slope.high == slopes[135 - first + 1 + below - 1]


def test_passing_bablok_turned_round_is_the_inverse_line() -> None:
    there, back = passing_bablok(WRIGHT, MINI), passing_bablok(MINI, WRIGHT)
    assert back.slope.value == pytest.approx(1 / there.slope.value)


def test_passing_bablok_leaves_out_equal_points_and_takes_vertical_pairs() -> None:
    x = np.array([1.0, 1.0, 2.0, 3.0, 4.0])
    y = np.array([1.0, 1.0, 2.1, 2.9, 4.0])
    # 9 slopes remain of 10; the fifth is the median, since none is below -1.
    slopes = sorted([1.1, 1.1, 0.95, 0.95, 1.0, 1.0, 0.8, 0.95, 1.1])
    assert passing_bablok(x, y).slope.value == pytest.approx(slopes[4])
    assert math.isnan(passing_bablok(np.ones(3), np.ones(3)).slope.value)


@pytest.mark.parametrize("factor", [0.1, 10.0, 25.4])
def test_passing_bablok_does_not_depend_on_the_unit(factor: float) -> None:
    # Values with one decimal make slopes of exactly -1, which are that but for rounding.
    rng = np.random.default_rng(8)
    for _ in range(40):
        x = np.round(rng.normal(5, 0.6, 20), 1)
        y = np.round(x + rng.normal(0, 0.5, 20), 1)
        one, other = passing_bablok(x, y), passing_bablok(factor * x, factor * y)
        found = [(line.slope.value, line.slope.low, line.slope.high) for line in (one, other)]
        assert found[1] == pytest.approx(found[0])
        assert other.intercept.value == pytest.approx(factor * one.intercept.value, abs=1e-9)


def test_concordance_of_peak_flow_and_of_equal_values() -> None:
    subject = np.arange(17)
    covariance = np.cov(WRIGHT, MINI, ddof=0)
    gap = WRIGHT.mean() - MINI.mean()
    expected = 2 * covariance[0, 1] / (covariance[0, 0] + covariance[1, 1] + gap**2)
    assert concordance(WRIGHT, MINI, subject).value == pytest.approx(expected)
    same = concordance(WRIGHT, WRIGHT, subject)
    assert same.value == pytest.approx(1) and not same.has_interval()


def test_coefficients_of_two_methods_are_those_of_two_raters() -> None:
    both = np.stack([WRIGHT, MINI], axis=1)
    for own, other in zip(forms_of_two(WRIGHT, MINI, np.arange(17)), intraclass(both), strict=True):
        assert (own.shrout_fleiss, own.mcgraw_wong) == (other.shrout_fleiss, other.mcgraw_wong)
        assert own.estimate.value == pytest.approx(other.estimate.value)
    error = error_of_two(WRIGHT, MINI, np.arange(17))
    assert error.sem_agreement.value == pytest.approx((((WRIGHT - MINI) ** 2).mean() / 2) ** 0.5)
    assert error.sem_consistency.value == pytest.approx((WRIGHT - MINI).std(ddof=1) / math.sqrt(2))


def test_jackknife_takes_the_bias_off_on_a_curved_scale() -> None:
    # By hand: logarithms 0 of all, 0.03, 0 and -0.12 without each; 0 - 2 * (-0.03) = 0.06.
    found = jackknife(np.array(1.0), np.exp([0.03, 0.0, -0.12]), LOG)
    assert math.sqrt(found.low * found.high) == pytest.approx(math.exp(0.06))
    assert not jackknife(np.array(1.0), np.array([1.0, 2.0, math.inf]), LOG).has_interval()
    # One subject who makes the whole figure leaves an interval that says nothing: none is given.
    assert not jackknife(np.array(1.0), np.exp([0.0, 0.0, -4.0]), LOG).has_interval()


def test_ratio_of_errors_is_found_though_the_true_value_varies_between_repeats() -> None:
    rng = np.random.default_rng(12)
    hits = given = 0
    for _ in range(300):
        subject = np.repeat(np.arange(40), 3)
        true = rng.normal(5, 1, 40)[subject] + rng.normal(0, 0.3, 120)
        x, y = true + rng.normal(0, 0.2, 120), true + 0.3 + rng.normal(0, 0.3, 120)
        found = error_ratio(x, y, subject)
        given += found.has_interval()
        hits += not found.has_interval() or found.low <= 2.25 <= found.high
    assert given > 230
    assert hits / 300 == pytest.approx(0.95, abs=0.038)
    assert math.isnan(error_ratio(WRIGHT, MINI, np.arange(17)).value)


def test_proportional_bias_is_the_slope_put_in() -> None:
    rng = np.random.default_rng(4)
    mean = rng.uniform(2, 8, 200)
    trend = proportional_bias(0.2 * mean + rng.normal(0, 0.1, 200), mean, np.arange(200))
    assert trend.slope.low < 0.2 < trend.slope.high
    assert trend.intercept.low < 0 < trend.intercept.high
    assert trend.slope_p < 1e-6 and trend.spread_p > 0.05
    assert trend.sd == pytest.approx(0.1, rel=0.15)
    assert trend.at(np.array([5.0]))[0] == pytest.approx(1.0, abs=0.05)
    assert trend.method == "least squares"
    repeated = proportional_bias(0.2 * mean, mean, np.repeat(np.arange(100), 2))
    assert repeated.method == "least squares, jackknife interval by subject"


def test_proportional_bias_agrees_with_a_second_library() -> None:
    difference, mean = MINI - WRIGHT, (MINI + WRIGHT) / 2
    trend = proportional_bias(difference, mean, np.arange(17))
    design = add_constant(mean)
    theirs = OLS(difference, design).fit()
    for own, place in ((trend.intercept, 0), (trend.slope, 1)):
        assert own.value == pytest.approx(theirs.params[place])
        assert (own.low, own.high) == pytest.approx(theirs.conf_int()[place])
    assert trend.slope_p == pytest.approx(theirs.pvalues[1])
    assert trend.sd == pytest.approx(math.sqrt(theirs.mse_resid))
    spread = OLS(np.abs(theirs.resid), design).fit()
    assert trend.spread_p == pytest.approx(spread.pvalues[1])


def test_spread_of_repeated_pairs_is_judged_by_subject() -> None:
    # Each pair copied: by pair the p value falls, by subject it hardly moves.
    rng = np.random.default_rng(4)
    mean, subject = rng.uniform(2, 8, 40), np.arange(40)
    difference = rng.normal(0, 0.05 * mean)
    design, groups = add_constant(np.repeat(mean, 5)), np.repeat(subject, 5)
    size = np.abs(OLS(np.repeat(difference, 5), design).fit().resid)
    robust = {"cov_type": "cluster", "cov_kwds": {"groups": groups}, "use_t": True}
    theirs = OLS(size, design).fit(**robust).pvalues[1]
    copied = proportional_bias(np.repeat(difference, 5), np.repeat(mean, 5), groups)
    assert copied.spread_p == pytest.approx(theirs, rel=0.5)
    by_pair = proportional_bias(np.repeat(difference, 5), np.repeat(mean, 5), np.arange(200))
    assert by_pair.spread_p < copied.spread_p / 50


def test_spread_that_grows_with_the_value_is_seen() -> None:
    rng = np.random.default_rng(4)
    mean = rng.uniform(2, 8, 200)
    assert proportional_bias(rng.normal(0, 0.1 * mean), mean, np.arange(200)).spread_p < 0.001


@pytest.mark.parametrize(("tool_sd", "is_no_worse"), [(0.05, True), (2.0, False), (0.5, False)])
def test_tool_is_set_against_the_raters_own_spread(tool_sd: float, is_no_worse: bool) -> None:
    rng = np.random.default_rng(6)
    true = rng.normal(5, 1, 80)
    raters = true[:, None] + rng.normal(0, 0.5, (80, 3))
    auto = true + rng.normal(0, tool_sd, 80)
    spread = rater_spread(auto, raters, np.arange(80))
    assert spread.is_within(1.25) == is_no_worse
    expected = math.sqrt((tool_sd**2 + 0.25) / 0.5)
    assert spread.ratio.value == pytest.approx(expected, rel=0.15)


def test_few_subjects_do_not_make_a_worse_tool_no_worse() -> None:
    # The tool is 1.5 times as far from a rater as another rater: never shown to be within 1.25.
    rng = np.random.default_rng(10)
    shown = 0
    for _ in range(100):
        true = rng.normal(5, 1, 20)
        raters = true[:, None] + rng.normal(0, 0.5, (20, 2))
        auto = true + rng.normal(0, 0.5 * math.sqrt(2 * 1.5**2 - 1), 20)
        shown += rater_spread(auto, raters, np.arange(20)).is_within(1.25)
    assert shown <= 3


def test_distance_between_raters_leaves_out_what_one_did_not_measure() -> None:
    raters = np.array([[1.0, 2.0], [1.0, math.nan], [1.0, 4.0]])
    spread = rater_spread(np.ones(3), raters, np.arange(3))
    assert spread.rater_to_rater.value == pytest.approx(math.sqrt((1 + 9) / 2))
    # To the first rater 0, to the second the same two differences: mean square (0 + 5) / 2.
    assert spread.auto_to_rater.value == pytest.approx(math.sqrt(2.5))


def test_equivalence_agrees_with_two_t_tests() -> None:
    difference = WRIGHT - MINI
    limits = limits_of_agreement(difference, np.arange(17))
    found = equivalence(limits, 25.0)
    expected = max(
        stats.ttest_1samp(difference, -25, alternative="greater").pvalue,
        stats.ttest_1samp(difference, 25, alternative="less").pvalue,
    )
    assert found.p == pytest.approx(expected)
    theirs = stats.ttest_1samp(difference, 0).confidence_interval(0.9)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high))
    assert not found.limits_within
    assert equivalence(limits, 130.0).limits_within


def test_subjects_for_an_icc_are_bonetts() -> None:
    added = published("bonett-subjects-added").value
    assert subjects_for_icc(0.8, 0.2, 2) == added
    assert added - math.ceil(5 * 0.8) == published("bonett-subjects").value


def test_subjects_for_limits_are_the_fewest_that_reach_the_width() -> None:
    subjects = subjects_for_limits(1.0)
    assert limits_interval_width(subjects) <= 1.0 < limits_interval_width(subjects - 1)


def test_power_is_the_share_of_simulated_studies() -> None:
    rng = np.random.default_rng(8)
    inside = equal = 0
    for _ in range(1000):
        difference = rng.normal(0.1, 0.4, 30)
        limits = limits_of_agreement(difference, np.arange(30))
        inside += -1.2 < limits.outer_low and limits.outer_high < 1.2
        equal += equivalence(limits, 0.25).p < 0.05
    assert limits_power(30, 0.1, 0.4, 1.2) == pytest.approx(inside / 1000, abs=0.05)
    assert equivalence_power(30, 0.1, 0.4, 0.25) == pytest.approx(equal / 1000, abs=0.05)


def test_no_number_of_subjects_helps_limits_beyond_the_margin() -> None:
    assert subjects_for_margin(0.1, 0.4, 0.8) is None
    found = subjects_for_margin(0.1, 0.4, 1.2)
    assert found is not None
    assert limits_power(found, 0.1, 0.4, 1.2) >= 0.8 > limits_power(found - 1, 0.1, 0.4, 1.2)
