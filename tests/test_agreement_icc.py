"""Intraclass correlation and error of measurement: published table and a second library."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from published import published

from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.agreement.icc import (
    bootstrap_intraclass,
    intraclass,
    mean_squares,
    measurement_error,
)

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
        # Their bounds are rounded to two decimals.
        assert [form.estimate.low, form.estimate.high] == pytest.approx(row["CI95"], abs=0.0051)


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


def test_bootstrap_without_redrawing_gives_the_plain_values() -> None:
    subject = np.array([0, 0, 1, 1, 2, 3])
    drawn = bootstrap_intraclass(TABLE, subject, np.ones((1, 4)))
    for form in intraclass(TABLE)[:3]:
        assert drawn[form.shrout_fleiss][0] == pytest.approx(form.estimate.value)


def test_bootstrap_of_one_subject_twice_is_the_table_with_it_twice() -> None:
    weights = np.array([[2.0, 1, 1, 1, 0, 1]])
    drawn = bootstrap_intraclass(TABLE, np.arange(6), weights)
    again = intraclass(TABLE[[0, 0, 1, 2, 3, 5]])
    assert drawn["ICC(2,1)"][0] == pytest.approx(again[1].estimate.value)


def test_subjects_who_do_not_differ_give_a_value_without_an_interval() -> None:
    forms = intraclass(np.array([[1.0, 2.0], [2.0, 1.0], [1.0, 2.0], [2.0, 1.0]]))
    assert forms[1].estimate.value == pytest.approx(-2.0)
    assert not forms[1].estimate.has_interval()
