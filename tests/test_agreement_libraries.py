"""Figures of the bench beside those of two general libraries, each a row of published.toml."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pingouin
import pytest
from published import published
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.weightstats import DescrStatsW, ttost_paired
from statsmodels.tools import add_constant
from test_agreement_icc import TABLE, with_pingouin
from test_agreement_limits import MINI, WRIGHT

from layermotion.agreement.estimate import Statistic
from layermotion.agreement.limits import limits_of_agreement
from layermotion.agreement.pairs import paired_set
from layermotion.agreement.readings import readings_of
from layermotion.agreement.reliability import analyse_reliability
from layermotion.agreement.study import StudyOptions, compare

DIFFERENCE, MEAN = MINI - WRIGHT, (MINI + WRIGHT) / 2
# Peak flow in l/min stands in for mm.
MARGIN = 20.0


@cache
def figures() -> dict[str, Statistic]:
    """Every figure of the mini meter (as the tool) against the large one."""
    both = [
        readings_of(
            {"clip": str(i), "measure": "peak", "structure": "tra", "value": value, "unit": "mm"}
            for i, value in enumerate(values)
        )
        for values in (WRIGHT, MINI)
    ]
    numbers = np.arange(WRIGHT.size)
    manual = both[0].assign(place=numbers, person=numbers + 1)
    found = compare(paired_set(manual, both[1]), StudyOptions({"mm": MARGIN}))
    wanted = ("auto - manual", "auto and manual")
    return {row.statistic: row for row in found.statistics if row.comparison in wanted}


def test_error_of_a_bias_with_repeats_is_the_robust_one() -> None:
    subject = np.arange(17) // 2
    own = limits_of_agreement(DIFFERENCE, subject).bias_error
    fit = OLS(DIFFERENCE, np.ones(17)).fit(cov_type="cluster", cov_kwds={"groups": subject})
    assert_both(own, fit.bse[0], "library-bias-error-with-repeats")


def test_parts_of_a_variance_are_those_of_a_mixed_model() -> None:
    rows = [
        {"subject": i, "rater": j, "measure": "m", "structure": "tra", "unit": "mm", "value": x}
        for i, values in enumerate(TABLE)
        for j, x in enumerate(values)
    ]
    parts = {part.name: part.variance for part in analyse_reliability(readings_of(rows)).components}
    frame = pd.DataFrame(rows)
    theirs = MixedLM.from_formula("value ~ C(rater)", groups="subject", data=frame).fit(reml=True)
    assert_both(parts["subject"], theirs.cov_re.iloc[0, 0], "library-variance-of-subjects")
    assert_both(parts["residual"], theirs.scale, "library-variance-of-the-residual")


def assert_both(own: float, theirs: float, name: str) -> None:
    """Our figure and the library's of today lie where the library's once was read."""
    low, high = published(name).range
    assert low <= own <= high and low <= theirs <= high, (own, theirs)


LINE = OLS(DIFFERENCE, add_constant(MEAN)).fit()
FORMS = with_pingouin(np.column_stack([WRIGHT, MINI]))["ICC"].tolist()
BIAS, NINETY = "bias", "bias, 90 % interval of the two tests"
INTERCEPT, SLOPE = "intercept of difference on mean", "slope of difference on mean"
CHECKS: dict[str, tuple[str, Callable[[Statistic], float], float]] = {
    "bias-low": (BIAS, lambda row: row.low, DescrStatsW(DIFFERENCE).tconfint_mean()[0]),
    "bias-high": (BIAS, lambda row: row.high, DescrStatsW(DIFFERENCE).tconfint_mean()[1]),
    "bias-90-low": (NINETY, lambda row: row.low, DescrStatsW(DIFFERENCE).tconfint_mean(0.1)[0]),
    "bias-90-high": (NINETY, lambda row: row.high, DescrStatsW(DIFFERENCE).tconfint_mean(0.1)[1]),
    "p-of-equivalence": (
        "p of equivalence",
        lambda row: row.value,
        ttost_paired(MINI, WRIGHT, -MARGIN, MARGIN)[0],
    ),
    "p-of-normal-differences": (
        "p of normal differences",
        lambda row: row.value,
        pingouin.normality(DIFFERENCE)["pval"].iloc[0],
    ),
    "intercept": (INTERCEPT, lambda row: row.value, LINE.params[0]),
    "intercept-low": (INTERCEPT, lambda row: row.low, LINE.conf_int()[0, 0]),
    "slope": (SLOPE, lambda row: row.value, LINE.params[1]),
    "slope-high": (SLOPE, lambda row: row.high, LINE.conf_int()[1, 1]),
    "p-of-slope": (f"p of {SLOPE}", lambda row: row.value, LINE.pvalues[1]),
    "sd-about-line": ("SD about that line", lambda row: row.value, LINE.mse_resid**0.5),
    "p-of-spread": (
        "p of spread changing with mean",
        lambda row: row.value,
        OLS(np.abs(LINE.resid), add_constant(MEAN)).fit().pvalues[1],
    ),
    "icc-1-1": ("ICC(1,1) = ICC(1)", lambda row: row.value, FORMS[0]),
    "icc-2-1": ("ICC(2,1) = ICC(A,1)", lambda row: row.value, FORMS[1]),
    "icc-3-1": ("ICC(3,1) = ICC(C,1)", lambda row: row.value, FORMS[2]),
    "icc-1-k": ("ICC(1,k) = ICC(k)", lambda row: row.value, FORMS[3]),
    "icc-2-k": ("ICC(2,k) = ICC(A,k)", lambda row: row.value, FORMS[4]),
    "icc-3-k": ("ICC(3,k) = ICC(C,k)", lambda row: row.value, FORMS[5]),
}


@pytest.mark.parametrize("name", CHECKS)
def test_comparison_gives_the_figures_of_the_libraries(name: str) -> None:
    statistic, take, theirs = CHECKS[name]
    assert_both(take(figures()[statistic]), float(theirs), f"library-{name}")
