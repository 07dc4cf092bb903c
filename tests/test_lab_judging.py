"""Judging and mixing: subjects weigh alike, worse weights meet objections, draws repeat."""

import math
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy
from lab_data import AREA, COLUMN_MM, ROW_MM, labelled_lab, wall_label

from layermotion.errors import InputError
from layermotion.lab.builds import Split
from layermotion.lab.making import make_build
from layermotion.lab.mixing import MixedDraw, fit_example
from layermotion.lab.scoring import score_build, score_synthetic
from layermotion.models.judging import (
    Metric,
    Row,
    Score,
    compare,
    error_growth,
    find_row,
    interval_of_mean,
    judge,
)
from layermotion.network.segmenter import load_segmenter

NAN = math.nan


def score(key: str, subject: str, dice: float, structure: str = "tra", mm: float = 1.0) -> Score:
    """Make a score of a structure that is shown and found."""
    return Score(key, subject, "scanner", structure, dice, 2 * mm, mm, 0.0, NAN)


def test_every_subject_weighs_alike_and_so_does_every_structure() -> None:
    before = (
        score("a1", "a", 0.5), score("a2", "a", 0.5), score("a3", "a", 0.5),
        score("a1", "a", 0.9, "eo"),
        score("b1", "b", 0.9),
    )  # fmt: skip
    after = tuple(replace(s, dice=s.dice + 0.05) for s in before)
    row = find_row(compare(before, after), Metric.DICE)
    assert (row.subjects, row.before, row.after) == (2, pytest.approx(0.8), pytest.approx(0.85))
    assert (row.low, row.high) == (pytest.approx(0.05), pytest.approx(0.05))
    tra = find_row(compare(before, after), Metric.DICE, "tra")
    assert tra.before == pytest.approx(0.7)
    with pytest.raises(InputError, match="same frames"):
        compare(before, after[1:4])


def test_a_distance_counts_only_where_both_found_the_structure() -> None:
    before = (score("a1", "a", 0.8), score("a1", "a", 0.8, "eo"), score("b1", "b", 0.8, mm=2.0))
    missed = replace(
        before[1], dice=0.0, surface_distance_mm=NAN, hausdorff_95_mm=NAN, missed_percent=100.0
    )
    found = replace(missed, dice=0.2, surface_distance_mm=9.0, missed_percent=0.0)
    for old, new in ((missed, found), (found, missed)):
        rows = compare((before[0], old, before[2]), (before[0], new, before[2]))
        distance, missing = (find_row(rows, m) for m in (Metric.SURFACE, Metric.MISSED))
        assert (distance.before, distance.after, distance.subjects) == (1.5, 1.5, 2)
        assert abs(missing.after - missing.before) == 25.0
        with pytest.raises(InputError, match="surface distance, mm"):
            find_row(rows, Metric.SURFACE, "eo")


def test_interval_is_that_of_subjects() -> None:
    rng = np.random.default_rng(3)
    for count, tolerance in ((2, 1e-3), (5, 1e-3), (40, 0.05)):
        values = rng.normal(1.0, 0.2, count)
        low, high = interval_of_mean(values)
        mean, error = values.mean(), values.std(ddof=1) / count**0.5
        expected = scipy.stats.t.interval(0.95, count - 1, mean, error)
        assert high - low == pytest.approx(expected[1] - expected[0], rel=tolerance)
        assert (low + high) / 2 == pytest.approx(mean)
    assert math.isnan(interval_of_mean(values[:1])[0])


def test_interval_of_few_subjects_holds_the_truth() -> None:
    rng = np.random.default_rng(4)
    for count in (2, 3, 5, 12):
        intervals = [interval_of_mean(rng.normal(0, 1, count)) for _ in range(1000)]
        assert 0.93 < np.mean([low <= 0 <= high for low, high in intervals]) < 0.97


def test_scanners_get_tables_of_their_own() -> None:
    before = tuple(
        replace(score(f"{k}", f"s{k}", 0.5 + 0.1 * k), scanner="new" if k else "old")
        for k in range(3)
    )
    rows = compare(before, before)
    assert find_row(rows, Metric.DICE, scanner="old").before == pytest.approx(0.5)
    assert find_row(rows, Metric.DICE, scanner="new").before == pytest.approx(0.65)
    assert math.isnan(find_row(rows, Metric.DICE, scanner="old").low)


@pytest.mark.parametrize(
    ("change", "objections"),
    [
        ({}, []),
        (
            {"dice": 0.79},
            ["0.8 to 0.79 (95 % interval of the change -0.01 to -0.01)"],
        ),
        ({"site_mm": 0.41}, ["error at the site, mm: from 0.4 to 0.41"]),
        ({"site_mm": 0.3, "dice": 0.81}, []),
        ({"site_mm": NAN, "withheld_percent": 100.0}, ["withheld at the site, %: from 0 to 100"]),
        ({"missed_percent": 100.0, "dice": 0.0}, ["Dice: from", "missed, %: from"]),
        ({"surface_distance_mm": 1.1, "hausdorff_95_mm": 9.0}, []),
    ],
)
def test_worse_weights_meet_objections(change: dict[str, float], objections: list[str]) -> None:
    shown = {"site_mm": 0.4, "withheld_percent": 0.0}
    old = tuple(replace(score(f"{s}1", s, 0.8), **shown) for s in "abc")  # type: ignore[arg-type]
    new = tuple(replace(each, **change) for each in old)  # type: ignore[arg-type]
    verdict = judge((old, old), (new, old))
    assert len(verdict.objections) == len(objections)
    for sentence, words in zip(verdict.objections, objections, strict=True):
        assert sentence.startswith("on the held-out subjects, ") and words in sentence


def test_a_drop_counts_when_its_interval_says_so() -> None:
    old = tuple(score(f"{n}", f"s{n}", 0.8) for n in range(8))
    spread = (-0.03, 0.02, -0.02, 0.01, -0.01, 0.02, -0.01, 0.0)
    unsure = tuple(replace(s, dice=s.dice + more) for s, more in zip(old, spread, strict=True))
    row = find_row(compare(old, unsure), Metric.DICE)
    assert row.after < row.before and row.low < 0 < row.high
    assert judge((old, old), (unsure, old)).objections == ()
    sure = tuple(replace(s, dice=s.dice - 0.05) for s in unsure)
    assert len(judge((old, old), (sure, old)).objections) == 1
    # One subject has no interval, so that every loss counts.
    assert len(judge((old[:1], old), ((replace(old[0], dice=0.799),), old)).objections) == 1


@pytest.mark.parametrize(
    ("losses", "counts"),
    [
        ((0.02, 0.001), True),
        ((0.02, -0.001), False),
        ((0.02, 0.02, 0.001, 0.001, 0.04), True),
        ((0.05, 0.01, 0.001, 0.001, 0.06, 0.001), False),
    ],
)
def test_of_few_subjects_a_loss_of_all_counts(losses: tuple[float, ...], counts: bool) -> None:
    old = tuple(score(f"{n}", f"s{n}", 0.8) for n in range(len(losses)))
    new = tuple(replace(s, dice=s.dice - loss) for s, loss in zip(old, losses, strict=True))
    row = find_row(compare(old, new), Metric.DICE)
    assert row.low < 0 < row.high
    objections = judge((old, old), (new, old)).objections
    assert len(objections) == counts
    assert all("but every subject lost" in sentence for sentence in objections)


@pytest.mark.parametrize(("growth", "is_fine"), [(1.04, True), (1.06, False)])
def test_forgetting_is_an_objection(growth: float, is_fine: bool) -> None:
    old = (score("a1", "a", 0.8), score("b1", "b", 0.8))
    new = tuple(replace(s, surface_distance_mm=growth) for s in old)
    verdict = judge((old, old), (old, new))
    assert (verdict.objections == ()) is is_fine
    new = tuple(replace(s, dice=1 - 0.2 * growth) for s in old)
    assert (judge((old, old), (old, new)).objections == ()) is is_fine


def test_growth_of_an_error_is_relative_and_dice_is_what_lacks() -> None:
    dice = Row("all", "all", Metric.DICE, 2, 0.8, 0.9, NAN, NAN)
    surface = Row("all", "all", Metric.SURFACE, 2, 0.5, 0.6, NAN, NAN)
    assert error_growth(dice) == pytest.approx(-0.5)
    assert error_growth(surface) == pytest.approx(0.2)
    assert error_growth(replace(surface, before=0.0)) == math.inf
    assert error_growth(replace(dice, before=1.0, after=1.0)) == 0.0


def test_mixed_draws_are_local_and_synthetic_in_the_stated_share(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102", "103"))
    build = make_build(lab, "first", 1 / 3, ()).build
    rng = np.random.default_rng(0)
    local, mixed = MixedDraw(build, 0.0), MixedDraw(build, 0.5)
    example = local(rng, 64)
    assert example.image.shape == example.label.shape == (64, 32)
    assert example.view == 1 and set(np.unique(example.label)) == {0, 1, 2, 3, 4}
    high, wide = AREA.height * ROW_MM, AREA.width * COLUMN_MM
    assert 0.9 * max(high, wide) / 64 < example.mm_per_pixel <= max(high, wide) / 64
    views = [mixed(np.random.default_rng(k), 32).mm_per_pixel for k in range(40)]
    is_local = [0.9 * max(high, wide) / 32 < v <= max(high, wide) / 32 for v in views]
    assert 12 <= sum(is_local) <= 28
    again = pickle.loads(pickle.dumps(mixed))
    assert again.source == mixed.source and build.fingerprint in mixed.source
    one, other = (draw(np.random.default_rng(5), 32) for draw in (mixed, again))
    np.testing.assert_array_equal(one.image, other.image)
    with pytest.raises(InputError, match="from 0 to 1"):
        MixedDraw(build, 1.5)


def test_a_label_stays_on_its_image(tmp_path: Path) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102"))
    build = make_build(lab, "first", 0.5, ()).build
    frame = build.of(Split.TRAIN)[0]
    label = wall_label()[AREA.slices]
    area = replace(AREA, top=0, left=0)
    fitted = fit_example(frame, label * 50, label, area, 320)
    inside = np.isin(fitted.image, (0, 50, 100, 150, 200))  # away from interpolated borders
    agreeing = fitted.label[inside] * 50 == fitted.image[inside]
    assert inside.mean() > 0.9 and agreeing.mean() > 0.998


def test_weights_are_scored_on_frames_they_never_saw(
    tmp_path: Path,
    trained_weights: Path,
) -> None:
    lab, _ = labelled_lab(tmp_path, ("101", "102", "103"))
    build = make_build(lab, "first", 1 / 3, ()).build
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    scores = score_build(build, segmenter)
    assert {s.subject for s in scores} == set(build.subjects(Split.HELD_OUT))
    assert len(scores) == 5 * len(build.of(Split.HELD_OUT))
    layers = [s for s in scores if s.structure != "bladder"]
    assert {s.withheld_percent for s in layers} <= {0.0, 100.0}
    assert all(math.isnan(s.site_mm) is (s.withheld_percent == 100) for s in layers)
    bladder = [s for s in scores if s.structure == "bladder"]
    assert all(math.isnan(s.withheld_percent) for s in bladder)
    assert all(math.isnan(s.dice) and s.false_alarm_percent in (0, 100) for s in bladder)
    assert all(0 <= s.dice <= 1 for s in scores if s.structure != "bladder")
    synthetic = score_synthetic(segmenter, 3)
    assert repr(synthetic) == repr(score_synthetic(segmenter, 3))  # NaN equals NaN in text
    assert {s.subject for s in synthetic} == {"scene-0", "scene-1", "scene-2"}
