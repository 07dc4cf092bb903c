"""Variance components against the analysis of variance, repeats, and the saved change."""

import html
import itertools
import json
import math
import subprocess
import sys
import time
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.tools.sm_exceptions import ConvergenceWarning
from test_agreement_icc import TABLE

from layermotion.agreement.detectable import write_detectable_changes
from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.agreement.icc import mean_squares, measurement_error
from layermotion.agreement.page import build_reliability_page, reliability_headline
from layermotion.agreement.readings import readings_of
from layermotion.agreement.reliability import Reliability, analyse_reliability
from layermotion.agreement.reliability_plots import draw_reliability
from layermotion.errors import InputError
from layermotion.session.detectable import (
    DetectableChange,
    DetectableChanges,
    read_detectable_changes,
)


def reading(
    subject: int,
    value: float,
    rater: int = 0,
    session: int = 0,
    placement: int = 0,
    repeat: int = 0,
    structure: str = "tra",
) -> dict[str, object]:
    return {
        "clip": "c",
        "subject": f"S{subject}",
        "session": session,
        "placement": placement,
        "measure": "thickness_rest",
        "structure": structure,
        "task": "rest",
        "repeat": repeat,
        "rater": rater,
        "value": value,
        "unit": "mm",
    }


def analyse(rows: Sequence[Mapping[str, object]]) -> Reliability:
    return analyse_reliability(readings_of(rows))


def simulated(
    rng: np.random.Generator, spreads: dict[str, float], subjects: int
) -> list[dict[str, object]]:
    """Two raters, two sessions, two placements, three repeats of each subject."""
    readings = []
    raters = rng.normal(0, spreads.get("rater", 0), 2)
    for subject in range(subjects):
        own = rng.normal(5, spreads["subject"])
        for session in range(2):
            day = rng.normal(0, spreads.get("session", 0))
            for rater, placement in itertools.product(range(2), range(2)):
                place = rng.normal(0, spreads.get("placement", 0))
                for repeat in range(3):
                    value = own + day + raters[rater] + place + rng.normal(0, spreads["residual"])
                    readings.append(reading(subject, value, rater, session, placement, repeat))
    return readings


def variances(result: Reliability) -> dict[str, float]:
    return {part.name: part.variance for part in result.components}


def test_balanced_table_gives_the_components_of_the_analysis_of_variance() -> None:
    readings = [
        reading(target, value, rater)
        for target, row in enumerate(TABLE)
        for rater, value in enumerate(row)
    ]
    result = analyse(readings)
    squares, error = mean_squares(TABLE), measurement_error(TABLE)
    found = variances(result)
    assert found["subject"] == pytest.approx((squares.between - squares.residual) / 4, rel=1e-4)
    assert found["rater"] == pytest.approx((squares.judges - squares.residual) / 6, rel=1e-4)
    assert found["residual"] == pytest.approx(squares.residual, rel=1e-4)
    single = result.plan[0]
    # Two ways to the interval of any rater: mean squares put together, and drawn.
    for own, other, rel in (
        (single.sem, error.sem_agreement, 0.05),
        (single.sem_same, error.sem_consistency, 0.01),
    ):
        assert own.value == pytest.approx(other.value, rel=1e-3)
        assert (own.low, own.high) == pytest.approx((other.low, other.high), rel=rel)
    assert single.coefficient == pytest.approx(0.289764, abs=1e-4)


NESTED = {"subject": 1.0, "session": 0.4, "placement": 0.3, "residual": 0.25}


@pytest.mark.parametrize("seed", [100, 106, 125])
def test_nested_design_gives_the_components_of_the_analysis_of_variance(seed: int) -> None:
    readings = simulated(np.random.default_rng(seed), NESTED, 30)
    found = variances(analyse(readings))
    # (subjects, sessions, raters, placements, repeats)
    values = np.array([item["value"] for item in readings]).reshape(30, 2, 2, 2, 3)
    residual = values.var(axis=4, ddof=1).mean()
    placement = values.mean(axis=4).var(axis=3, ddof=1).mean() - residual / 3
    days = values.mean(axis=(2, 3, 4))
    session = days.var(axis=1, ddof=1).mean() - (placement + residual / 3) / 4
    assert found["residual"] == pytest.approx(residual, rel=0.02)
    # The model also holds subject by rater, which is none here and takes a little.
    assert found["placement"] == pytest.approx(placement, abs=0.02)
    assert found["session"] == pytest.approx(session, abs=0.01)


@pytest.mark.parametrize("seed", [100, 106])
def test_uneven_design_agrees_with_a_second_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    readings = [r for r in simulated(rng, NESTED, 20) if rng.random() < 0.8]
    found = variances(analyse(readings))
    frame = pd.DataFrame(
        {
            "value": [r["value"] for r in readings],
            "rater": [r["rater"] for r in readings],
            "subject": [r["subject"] for r in readings],
            "both": [r["rater"] for r in readings],
            "session": [r["session"] for r in readings],
            "placement": [f"{r['session']} {r['rater']} {r['placement']}" for r in readings],
        }
    )
    model = MixedLM.from_formula(
        "value ~ C(rater)",
        groups="subject",
        re_formula="1",
        vc_formula={name: f"0 + C({name})" for name in ("both", "placement", "session")},
        data=frame,
    )
    with warnings.catch_warnings():
        # It warns of a variance at zero.
        warnings.simplefilter("ignore", ConvergenceWarning)
        theirs = model.fit(reml=True, method="powell", maxiter=2000)
    expected = dict(zip(model.exog_vc.names, theirs.vcomp, strict=True))
    assert found["subject"] == pytest.approx(theirs.cov_re.iloc[0, 0], rel=0.02)
    assert found["residual"] == pytest.approx(theirs.scale, rel=0.005)
    assert found["subject x rater"] == pytest.approx(expected["both"], abs=0.002)
    for name in ("placement", "session"):
        assert found[name] == pytest.approx(expected[name], rel=0.02)


def test_interval_holds_the_error_put_in() -> None:
    true = math.sqrt(0.4**2 + 0.3**2 + 0.25**2)
    sem = analyse(simulated(np.random.default_rng(3), NESTED, 60)).plan[0].sem_same
    assert sem.low < true < sem.high


def test_repeats_divide_the_residual_only() -> None:
    spreads = {"subject": 1.0, "session": 0.3, "residual": 0.5}
    result = analyse(simulated(np.random.default_rng(4), spreads, 30))
    found = variances(result)
    for row in result.plan:
        rest = sum(
            variance
            for name, variance in found.items()
            if name in ("session", "placement") and not math.isnan(variance)
        )
        expected = math.sqrt(rest + found["residual"] / row.repeats)
        assert row.sem.value == pytest.approx(expected)
        assert row.mdc95.value == pytest.approx(CHANGE_PER_SEM * expected)
    gain = [
        1 - after.sem.value / before.sem.value for before, after in itertools.pairwise(result.plan)
    ]
    assert result.enough == next(i for i, g in enumerate(gain, start=1) if g < 0.05)


def crossed(rng: np.random.Generator, raters: int, subjects: int = 12) -> list[dict[str, object]]:
    """One reading of each subject by each rater; offsets 0.3, residual 0.2."""
    offsets = rng.normal(0, 0.3, raters)
    readings = []
    for subject in range(subjects):
        own = rng.normal(5, 0.8)
        readings += [
            reading(subject, own + offsets[rater] + rng.normal(0, 0.2), rater)
            for rater in range(raters)
        ]
    return readings


def test_error_of_any_rater_is_given_only_where_its_interval_holds() -> None:
    rng = np.random.default_rng(31)
    two = analyse(crossed(rng, 2))
    assert two.plan[0].sem_any is None and two.plan[0].sem_same.has_interval()
    assert any("Two raters say too little" in caution for caution in two.cautions)
    hits = 0
    for _ in range(80):
        sem = analyse(crossed(rng, 3)).plan[0].sem_any
        assert sem is not None
        hits += sem.low <= math.hypot(0.3, 0.2) <= sem.high
    # Three standard errors of a share of 80.
    assert hits / 80 == pytest.approx(0.95, abs=0.074)


def test_search_that_ends_at_the_optimum_has_settled() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        spreads = {"subject": 1.0, "session": 0.1, "residual": 0.3}
        result = analyse(simulated(rng, spreads, 6))
        assert not any("did not settle" in caution for caution in result.cautions), seed


def test_repeats_that_still_help_are_not_called_enough() -> None:
    # With the residual alone a ninth repeat gains 6 %, more than the 5 % that count.
    rng = np.random.default_rng(4)
    readings = [reading(s, 2 * s + rng.normal(0, 1), repeat=r) for s in range(9) for r in range(3)]
    result = analyse(readings)
    assert result.enough is None and len(result.plan) == 8
    assert (
        "each further repeat still lowers it by more than 5\N{NO-BREAK SPACE}%"
        in reliability_headline(result)
    )


def test_headline_states_how_sure_it_is_and_never_most_of_a_part() -> None:
    rng = np.random.default_rng(11)
    spreads = {"subject": 1.0, "session": 0.4, "placement": 0.4, "residual": 0.45}
    result = analyse(simulated(rng, spreads, 20))
    words = reliability_headline(result)
    change = result.plan[0].mdc95
    assert f"must exceed {change.value:.2f} mm ({change.low:.2f} to" in words.replace("\xa0", " ")
    largest = max(result.errors, key=lambda part: part.variance)
    share = 100 * largest.variance / sum(part.variance for part in result.errors)
    assert share < 50
    assert words.endswith(f"The largest part of the error is {largest.name}, {share:.0f}\xa0%.")


def test_page_says_once_what_is_true_of_all_measures() -> None:
    rng = np.random.default_rng(11)
    few = simulated(rng, {"subject": 1.0, "residual": 0.4}, 6)
    more = simulated(rng, {"subject": 1.0, "rater": 5.0, "residual": 0.4}, 8)
    results = [analyse(few), analyse([each | {"structure": "io"} for each in more])]
    shared = set(results[0].cautions) & set(results[1].cautions)
    own = set(results[0].cautions) ^ set(results[1].cautions)
    assert shared and own
    page = html.unescape(build_reliability_page(results, (), (), (), (), ()))
    assert [page.count(words) for words in sorted(shared | own)] == [1] * len(shared | own)
    first = page.index(">IO thickness, rest, mm</h2>")
    assert all(page.index(words) < page.index(">TrA thickness, rest, mm</h2>") for words in shared)
    assert all((words in page[first:]) == (words in results[1].cautions) for words in own)


def test_plots_speak_of_placements_where_they_are_told_apart_alone() -> None:
    every = simulated(np.random.default_rng(11), {"subject": 1.0, "residual": 0.4}, 6)
    told = draw_reliability([analyse(every)])
    # The probe placed anew for each value: what that adds cannot be told from the residual.
    anew = [row | {"placement": number} for number, row in enumerate(every)]
    not_told = draw_reliability([analyse(anew)])
    assert "dashed" in told[1].description and ">placement<" in told[0].svg
    assert "dashed" not in not_told[1].description and ">placement<" not in not_told[0].svg


def test_thousands_of_repeats_are_fitted_at_once() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(0, 1, (10, 1)) + rng.normal(0, 0.3, (10, 600))
    readings = [reading(s, x, repeat=r) for s, row in enumerate(values) for r, x in enumerate(row)]
    started_s = time.process_time()
    result = analyse(readings)
    assert time.process_time() - started_s < 2
    within = values.var(axis=1, ddof=1).mean()
    assert variances(result)["residual"] == pytest.approx(within, rel=1e-4)


def test_doubling_the_values_doubles_every_error() -> None:
    readings = simulated(np.random.default_rng(5), {"subject": 1, "residual": 0.4}, 10)
    doubled = [row | {"value": 2 * row["value"]} for row in readings]
    one, two = analyse(readings), analyse(doubled)
    assert two.plan[0].sem.value == pytest.approx(2 * one.plan[0].sem.value)


def test_design_without_sessions_says_so() -> None:
    rng = np.random.default_rng(6)
    readings = [reading(s, rng.normal(s, 0.3), repeat=r) for s in range(8) for r in range(3)]
    result = analyse(readings)
    assert math.isnan(variances(result)["session"])
    assert any("No subject was measured in two sessions" in each for each in result.cautions)


def test_a_rater_for_each_session_leaves_the_error_of_sessions_in() -> None:
    rng = np.random.default_rng(1)
    rows = simulated(rng, {"subject": 1.0, "session": 0.5, "residual": 0.2}, 20)
    own = analyse([row for row in rows if row["rater"] == row["session"]])
    alone = analyse([row for row in rows if row["rater"] == rows[0]["rater"]])
    assert variances(own)["session"] == pytest.approx(0.25, rel=0.6)
    assert math.isnan(variances(own)["subject x rater"])
    assert own.plan[0].sem.value == pytest.approx(alone.plan[0].sem.value, rel=0.25)
    assert any("Each session had one rater" in caution for caution in own.cautions)
    assert not any("two sessions" in caution for caution in own.cautions)


def test_sessions_of_one_value_are_said_not_to_be_told_apart() -> None:
    rng = np.random.default_rng(6)
    rows = [reading(s, rng.normal(s, 0.3), session=each) for s in range(8) for each in range(3)]
    cautions = analyse(rows).cautions
    assert any("Sessions cannot be told from repeats" in caution for caution in cautions)
    assert not any("No subject was measured in two sessions" in each for each in cautions)


def test_headline_for_one_rater_names_no_part_of_the_raters() -> None:
    rng = np.random.default_rng(3)
    rows = simulated(rng, {"subject": 1.0, "rater": 2.0, "residual": 0.3}, 12)
    result = analyse(rows)
    assert max(result.errors, key=lambda part: part.variance).name == "rater"
    assert "The largest part of the error is residual" in reliability_headline(result)


def test_rater_of_his_own_for_each_subject_is_not_told_apart() -> None:
    rng = np.random.default_rng(9)
    readings = [
        reading(s, s + rng.normal(0, 0.3), rater=s % 2, repeat=r)
        for s in range(8)
        for r in range(3)
    ]
    result = analyse(readings)
    assert result.raters == 1 and math.isnan(variances(result)["rater"])
    assert any("No subject was measured by two raters" in caution for caution in result.cautions)


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ([reading(0, 3.0), reading(0, 3.1)], "The table has one subject for tra thickness_rest"),
        ([reading(s, 3.0 + s) for s in range(5)], "Every subject has one value of tra"),
        (
            [reading(s, 3.0, repeat=r) for s in range(4) for r in range(2)],
            "All values of tra thickness_rest are equal",
        ),
        (
            [reading(s, 3.0 + s / 3, repeat=r) for s in range(4) for r in range(3)],
            "Repeated values of tra thickness_rest are equal in every subject",
        ),
    ],
)
def test_unusable_design_is_one_sentence(readings: list[dict[str, object]], message: str) -> None:
    with pytest.raises(InputError) as caught:
        analyse(readings)
    assert str(caught.value).startswith(message)


def test_saved_changes_are_read_back(tmp_path: Path) -> None:
    spreads = {"subject": 1.0, "rater": 0.3, "session": 0.3, "residual": 0.3}
    result = analyse(simulated(np.random.default_rng(7), spreads, 12))
    path = tmp_path / "own.json"
    write_detectable_changes(path, [result])
    changes = read_detectable_changes(path)
    assert changes.source == "the clinic's own reliability study, 12 subjects, 2 raters"
    assert json.loads(path.read_text())["raters_studied"] == 2
    found = changes.find("thickness_rest", "tra", "mm", repeats=2)
    assert found is not None
    expected = CHANGE_PER_SEM * result.plan[1].sem_same.value
    assert found.smallest_detectable_change == pytest.approx(expected, abs=1e-6)
    # Two raters say nothing of any rater, so nothing is saved of that.
    assert changes.find("thickness_rest", "tra", "mm", repeats=2, raters="any") is None
    assert changes.find("thickness_rest", "io", "mm") is None


def test_more_repeats_than_known_never_count_as_better() -> None:
    def change(repeats: int) -> DetectableChange:
        return DetectableChange("thickness_rest", "tra", "mm", repeats, 0.3, 0.8, "one", 9, 40)

    changes = DetectableChanges("own", (change(1), change(3)))
    found = [changes.find("thickness_rest", "tra", "mm", repeats=n) for n in (1, 2, 3, 9)]
    assert [item.repeats for item in found if item] == [1, 1, 3, 3]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"schema": "other"}, "holds no smallest detectable changes"),
        ({"schema_version": "2.0"}, "own.json has schema version 2.0, where 1.0 is read"),
        ({"changes": [{"measure": "x"}]}, "holds no smallest detectable changes"),
    ],
)
def test_other_files_are_refused(change: dict[str, object], message: str, tmp_path: Path) -> None:
    path = tmp_path / "own.json"
    result = analyse(simulated(np.random.default_rng(8), {"subject": 1, "residual": 0.3}, 5))
    write_detectable_changes(path, [result])
    path.write_text(json.dumps(json.loads(path.read_text()) | change))
    with pytest.raises(InputError, match=message):
        read_detectable_changes(path)


def test_saved_changes_are_read_without_the_study_packages(tmp_path: Path) -> None:
    change = DetectableChange("thickness_rest", "tra", "mm", 1, 0.3, 0.8, "one", 9, 40)
    document = {
        "schema": "layermotion-detectable-change",
        "schema_version": "1.0",
        "source": "own",
        "changes": [asdict(change)],
    }
    path = tmp_path / "own.json"
    path.write_text(json.dumps(document))
    program = (
        "import sys; from pathlib import Path\n"
        "from layermotion.agreement.detectable import read_detectable_changes as read\n"
        f"assert read(Path({str(path)!r})).find('thickness_rest', 'tra', 'mm').sem == 0.3\n"
        "print({'scipy', 'statsmodels', 'openpyxl', 'pandas'} & set(sys.modules))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert (done.returncode, done.stdout.strip()) == (0, "set()"), done.stderr


def test_no_other_file_is_replaced_by_the_saved_changes(tmp_path: Path) -> None:
    table = tmp_path / "repeats.csv"
    table.write_text("subject,value\n")
    with pytest.raises(InputError, match="repeats.csv exists and holds no smallest detectable"):
        write_detectable_changes(table, [])
    assert table.read_text() == "subject,value\n"
