"""Intraclass correlation and error of measurement: published table and a second library."""

import math

import numpy as np
import pandas as pd
import pingouin
import pytest
from published import published

from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.agreement.icc import intraclass, mean_squares, measurement_error

# Six targets, four judges: Shrout & Fleiss 1979.
TABLE = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
NAMES = ("icc-1-1", "icc-2-1", "icc-3-1", "icc-1-k", "icc-2-k", "icc-3-k")


def with_pingouin(table: np.ndarray) -> pd.DataFrame:
    rows = [(i, j, x) for i, row in enumerate(table) for j, x in enumerate(row)]
    frame = pd.DataFrame(rows, columns=["target", "rater", "value"])
    return pingouin.intraclass_corr(frame, "target", "rater", "value")


@pytest.mark.parametrize(("place", "name"), list(enumerate(NAMES)))
def test_shrout_and_fleiss_table(place: int, name: str) -> None:
    low, high = published(name).range
    assert low <= intraclass(TABLE)[place].estimate.value <= high


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_all_forms_agree_with_a_second_library(seed: int | None) -> None:
    table = TABLE
    if seed is not None:
        rng = np.random.default_rng(seed)
        table = rng.normal(10, 2, (15, 1)) + rng.normal(0, 1, (1, 3)) + rng.normal(0, 1, (15, 3))
    theirs = with_pingouin(table)
    for form, (_, row) in zip(intraclass(table), theirs.iterrows(), strict=True):
        assert form.estimate.value == pytest.approx(row["ICC"], abs=1e-9)
        if form.shrout_fleiss.startswith("ICC(3"):
            # Their bounds are rounded to two decimals; ours come from 4,096 draws.
            found = [form.estimate.low, form.estimate.high]
            assert found == pytest.approx(row["CI95"], abs=0.012)


def test_names_follow_both_papers() -> None:
    names = [(form.shrout_fleiss, form.mcgraw_wong) for form in intraclass(TABLE)]
    assert names[1] == ("ICC(2,1)", "ICC(A,1)")
    assert names[5] == ("ICC(3,k)", "ICC(C,k)")


def test_mean_squares_of_the_paper() -> None:
    squares = mean_squares(TABLE)
    found = (squares.between, squares.within, squares.judges, squares.residual)
    assert found == pytest.approx((11.241667, 6.263889, 32.486111, 1.019444), abs=1e-6)


def test_error_of_measurement_is_the_root_of_the_error_mean_square() -> None:
    error = measurement_error(TABLE)
    squares = mean_squares(TABLE)
    offset = (squares.judges - squares.residual) / 6
    assert error.sem_consistency.value == pytest.approx(squares.residual**0.5)
    assert error.sem_agreement.value == pytest.approx((squares.residual + offset) ** 0.5)
    assert error.mdc95.value == pytest.approx(CHANGE_PER_SEM * error.sem_agreement.value)
    assert CHANGE_PER_SEM == pytest.approx(published("detectable-change-per-sem").value, abs=1e-4)
    assert error.cv_percent.value == pytest.approx(100 * error.sem_agreement.value / TABLE.mean())


def test_constant_offset_lowers_agreement_only() -> None:
    shifted = TABLE + np.array([0.0, 3.0, 0.0, 0.0])
    before, after = intraclass(TABLE), intraclass(shifted)
    assert after[2].estimate.value == pytest.approx(before[2].estimate.value)
    assert after[1].estimate.value != pytest.approx(before[1].estimate.value)


def test_interval_holds_with_few_raters_who_differ() -> None:
    # The interval of McGraw and Wong holds the truth in 83 % here, with 50 subjects.
    rng = np.random.default_rng(4)
    true = 0.64 / (0.64 + 0.09 + 0.05)
    hits = error = 0
    for _ in range(200):
        table = rng.normal(0, 0.8, (50, 1)) + rng.normal(0, 0.3, (1, 3))
        table = table + rng.normal(0, 0.05**0.5, (50, 3))
        form = intraclass(table)[1].estimate
        hits += form.low <= true <= form.high
        sem = measurement_error(table).sem_agreement
        error += sem.low <= 0.14**0.5 <= sem.high
    # Three standard errors of a share of 200.
    assert hits / 200 == pytest.approx(0.95, abs=0.046)
    assert error / 200 == pytest.approx(0.95, abs=0.046)


def test_several_targets_of_a_subject_do_not_count_as_subjects() -> None:
    rng = np.random.default_rng(6)
    subject = np.repeat(np.arange(10), 8)
    table = rng.normal(0, 1, 10)[subject][:, None] + rng.normal(0, 0.3, (80, 4))
    own, alone = intraclass(table, subject)[2].estimate, intraclass(table)[2].estimate
    assert own.value == alone.value
    assert own.high - own.low > 2 * (alone.high - alone.low)


def test_two_raters_give_no_error_of_any_rater() -> None:
    error = measurement_error(TABLE[:, :2])
    assert error.sem_consistency.has_interval()
    assert math.isnan(error.sem_agreement.value) and math.isnan(error.mdc95.value)


def test_subjects_who_do_not_differ_give_a_value_without_an_interval() -> None:
    forms = intraclass(np.array([[1.0, 2.0], [2.0, 1.0], [1.0, 2.0], [2.0, 1.0]]))
    assert forms[1].estimate.value == pytest.approx(-2.0)
    assert not forms[1].estimate.has_interval()
