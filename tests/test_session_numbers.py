"""Means, differences, verdicts and sentences of a visit, on numbers that can be checked by hand."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.labels import Task
from layermotion.measures.measure import Measure, Status
from layermotion.measures.repeats import with_means
from layermotion.record.chart import change_words
from layermotion.report.patterns import quiet_words
from layermotion.serving.sentences import sentences_of
from layermotion.session.against import LARGER, UNSURE, WITHIN, compare_visits
from layermotion.session.detectable import DetectableChange, DetectableChanges
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.record import key_numbers
from layermotion.session.recorded import Recorded
from layermotion.session.results import (
    BETWEEN_SIDES,
    Mean,
    Row,
    mean_of,
    rows_of,
    summarise,
    tabulate,
)
from layermotion.session.sentences import (
    change_sentences,
    disagreement_sentences,
    effect_sentences,
    manual_groups,
    pattern_sentences,
    side_sentences,
)


def row(
    measure: str = "thickness_change",
    structure: str = "tra",
    value: float | None = 40.0,
    half: float = 10.0,
    unit: str = "%",
    side: str = "left",
    task: str = "draw_in",
    repeat: str = "mean",
    repeats: int = 3,
) -> Row:
    missing = value is None
    return Row(
        side=side,
        task=task,
        repeat=repeat,
        structure=structure,
        measure=measure,
        value=value,
        low=None if value is None else value - half,
        high=None if value is None else value + half,
        unit=unit,
        status=Status.NEEDS_MANUAL if missing else Status.DRAFT,
        reason="Not seen." if missing else "",
        clip="",
        repeats=repeats,
        method="",
        error_half=half,
    )


def test_mean_adds_the_spread_of_few_repeats_to_the_error_of_one() -> None:
    single = [row(value=value, half=1.0, repeat=str(value), repeats=1) for value in (10, 12, 14)]
    mean = mean_of(single)
    # Standard deviation 2; t for 2 degrees of freedom 4.303.
    half = math.hypot(1.0, 4.303 * 2 / math.sqrt(3))
    assert (mean.value, mean.low, mean.high) == pytest.approx((12, 12 - half, 12 + half))
    assert (mean.repeats, mean.repeat) == (3, "mean")
    # Many repeats that agree leave the error of one, which they share.
    same = mean_of([row(value=10.0, half=1.0, repeat=str(k), repeats=1) for k in range(1, 31)])
    assert (same.low, same.high) == pytest.approx((9, 11))


def test_repeats_of_one_recording_are_averaged_first_where_there_are_several_recordings() -> None:
    values = {"1.1": 10.0, "1.2": 12.0, "2.1": 20.0}
    single = [row(value=value, half=1.0, repeat=name, repeats=1) for name, value in values.items()]
    mean = mean_of(single)
    # 11 and 20: standard deviation 6.364, one degree of freedom.
    half = math.hypot(1.0, 12.706 * 6.364 / math.sqrt(2))
    assert (mean.value, mean.high) == pytest.approx((15.5, 15.5 + half), rel=1e-3)
    assert (mean.repeats, mean.units) == (3, 2)
    alone = mean_of(single[:2])
    assert (alone.value, alone.units, alone.spread) == pytest.approx((11, 2, math.sqrt(2)))


def test_repeats_that_cannot_be_of_one_thing_have_no_mean_and_take_part_in_nothing() -> None:
    key = {"structure": "bladder", "unit": "mm", "half": 1.0, "side": "midline", "task": "cough"}
    single = [
        row("base_displacement", value=-v, repeat=str(k), repeats=1, **key)
        for k, v in ((1, 8.2), (2, 42.5))
    ]
    mean = mean_of(single)
    assert mean.value is None and mean.status is Status.NEEDS_MANUAL
    assert mean.reason.startswith("The repeats (-8.2 and -42.5 mm) differ too much")
    assert compare_visits([mean], [mean], None) == ()
    assert list(pattern_sentences([*single, mean])) == [f"Cough: no mean. {mean.reason}"]
    ((reason, places),) = manual_groups([*single, mean])
    assert reason == mean.reason and places == ["Cough mean: bladder base displacement"]


@pytest.mark.parametrize(
    ("measure", "unit", "low"),
    [
        ("thickness_rest", "mm", 0.0),
        ("thickness_contracted", "mm", 0.0),
        ("contraction_ratio", "ratio", 0.0),
        ("thickness_change", "mm", -1.159),
    ],
)
def test_what_cannot_be_negative_has_no_negative_end(measure: str, unit: str, low: float) -> None:
    single = [
        row(measure, value=value, half=0.3, unit=unit, repeat=str(k), repeats=1)
        for k, value in ((1, 1.2), (2, 1.6))
    ]
    # Standard deviation 0.283, one degree of freedom.
    mean = mean_of(single)
    assert (mean.value, mean.low, mean.high) == pytest.approx((1.4, low, 3.959), abs=1e-3)


def held(number: int, value: float) -> Measure:
    """Make a hold of one effort, known to 0.6 s either way."""
    return Measure(
        "hold_time", "tra", "draw_in", str(number), value, "s", max(0.0, value - 0.6), value + 0.6,
        Status.DRAFT, "", "0-9;10-19", "Own.",
    )  # fmt: skip


def test_a_time_whose_interval_is_cut_at_zero_keeps_its_error() -> None:
    holds = [held(k, value) for k, value in enumerate((0.1, 0.12, 0.11), start=1)]
    rows = rows_of(holds, side="left", task="draw_in", number=1, clip="c", is_lateral_known=True)
    of_visit = mean_of(list(rows))
    *_, of_clip = with_means(holds)
    for mean in (of_visit, of_clip):
        assert mean.low == 0.0
        assert mean.high == pytest.approx(0.11 + math.hypot(0.6, 4.303 * 0.01 / math.sqrt(3)))
    (single,) = rows_of(
        holds[:1], side="left", task="draw_in", number=1, clip="c", is_lateral_known=True
    )
    assert single.error_half == pytest.approx(0.6)


def test_repeats_that_differ_more_than_usual_are_pointed_out() -> None:
    single = [row(value=value, repeat=str(k), repeats=1) for k, value in ((1, 5), (2, 90), (3, 20))]
    (words,) = disagreement_sentences([*single, mean_of(single)])
    assert words == (
        "Left, draw-in: the repeats of TrA thickness, change differ more than repeats usually do "
        "(standard deviation 45 percentage points, usually 15); look at repeat 2 (90 %), apart "
        "from the others."
    )
    for values in ((5, 40, 90), (5, 90)):
        single = [row(value=v, repeat=str(k), repeats=1) for k, v in enumerate(values, 1)]
        (words,) = disagreement_sentences([*single, mean_of(single)])
        assert words.endswith("look for one that went wrong.")
    alike = [row(value=value, repeat=str(k), repeats=1) for k, value in ((1, 35), (2, 45))]
    assert list(disagreement_sentences([*alike, mean_of(alike)])) == []


def test_repeats_that_went_opposite_ways_have_no_mean() -> None:
    single = [
        row("base_displacement", "bladder", value, 1.0, "mm", task="cough", repeat=name, repeats=1)
        for name, value in (("1", -8.0), ("2", 3.0))
    ]
    mean = mean_of(single)
    assert mean.value is None and "-8 and 3 mm" in mean.reason
    (sentence,) = pattern_sentences([mean])
    assert sentence == f"Left, cough: no mean. {mean.reason}"
    assert mean_of([single[0], replace(single[1], low=-0.5)]).value == -2.5


def test_a_muscle_whose_repeats_have_no_mean_was_measured() -> None:
    single = [
        row(value=value, half=6.0, repeat=str(k), repeats=1) for k, value in ((1, 45.4), (2, -17.2))
    ]
    rows = [*single, row(structure="io", value=3.0)]
    sentences = list(pattern_sentences(summarise(rows)))
    assert sentences[0].startswith("Left, draw-in: TrA has no mean. The repeats (45.4 and -17.2 %)")
    (words,) = sentences[1:]
    assert "no change beyond error in IO; TrA without a mean; EO not measured" in words
    (_, still) = pattern_sentences(summarise([*rows, row(structure="eo", value=3.0)]))
    assert "no change beyond error in IO and EO; TrA without a mean, mean of 3 repeats." in still


@pytest.mark.parametrize(("values", "is_one"), [((0.55, 1.45), False), ((1.2, 1.6), True)])
def test_a_ratio_has_a_mean_where_the_change_in_per_cent_has_one(
    values: tuple[float, float], is_one: bool
) -> None:
    for measure, unit, zero, size in (
        ("thickness_change", "%", 1.0, 100.0),
        ("contraction_ratio", "ratio", 0.0, 1.0),
    ):
        single = [
            row(measure, value=size * (value - zero), half=size * 0.06, unit=unit, repeat=str(k))
            for k, value in enumerate(values, start=1)
        ]
        assert (mean_of(single).value is not None) == is_one


def test_small_changes_about_zero_keep_their_mean() -> None:
    single = [
        row(structure="eo", value=value, half=1.0, repeat=name, repeats=1)
        for name, value in (("1", 3.0), ("2", -3.0))
    ]
    assert mean_of(single).value == 0.0
    # A base that was lifted once and descended once has none, however little it moved.
    moved = [
        replace(one, measure="base_displacement", structure="bladder", unit="mm") for one in single
    ]
    assert mean_of(moved).value is None


def wall_rows(rests: Sequence[float], layer: str = "eo") -> list[Row]:
    """Rows of recordings whose layer at rest is so thick, and of the TrA in them."""
    return [
        each
        for k, rest in enumerate(rests, start=1)
        for each in (
            row("thickness_rest", layer, rest, 0.2, "mm", repeat=str(k), repeats=1),
            row("thickness_change", "tra", 40.0 + k, 5.0, repeat=str(k), repeats=1),
            row("slide", "tra", 9.0 + k, 1.0, "mm", repeat=str(k), repeats=1),
            row("hold_time", "tra", 4.0, 0.1, "s", repeat=str(k), repeats=1),
        )
    ]


@pytest.mark.parametrize("layer", ["eo", "fat"])
def test_recordings_of_two_places_have_no_mean_of_the_wall(layer: str) -> None:
    means = [each for each in summarise(wall_rows((4.3, 4.4, 9.9), layer)) if each.repeat == "mean"]
    given = {each.measure for each in means if each.value is not None}
    assert given == {"hold_time"}
    name = {"eo": "EO", "fat": "fat"}[layer]
    reasons = {each.measure: each.reason for each in means if each.value is None}
    assert "4.3, 4.4 and 9.9 mm" in reasons["thickness_rest"]
    for measure in ("thickness_change", "slide"):
        assert f"not of one place, since {name} at rest differs too much" in reasons[measure]
    (sentence,) = pattern_sentences(means)
    assert sentence == f"Left, draw-in: no mean. {reasons['thickness_change']}"
    german = sentences_of("de")
    assert german is not None and german.say(sentence).startswith(
        "Links, Bauch einziehen: kein Mittelwert. Die Aufnahmen zeigen nicht dieselbe Stelle, denn "
        + {"eo": "EO in Ruhe", "fat": "Fett in Ruhe"}[layer]
    )
    # The other side and other tasks keep theirs.
    other = [replace(each, side="right") for each in wall_rows((4.3, 4.4))]
    both = summarise([*wall_rows((4.3, 9.9)), *other])
    assert {
        each.side
        for each in both
        if each.repeat == "mean" and each.value is not None and each.unit != "s"
    } == {"right"}


def test_recordings_of_one_place_keep_their_means() -> None:
    means = [each for each in summarise(wall_rows((4.3, 4.9))) if each.repeat == "mean"]
    assert {each.measure for each in means if each.value is not None} >= {
        "slide",
        "thickness_change",
    }


@pytest.mark.parametrize(
    ("earlier", "now", "is_doubted"),
    [
        (4.1, 10.6, True),
        (8.2, 4.5, True),
        (3.8, 2.9, False),
        (5.0, 7.4, False),
        (2.0, 3.1, False),
        (3.0, 5.2, True),
    ],
)
def test_a_rest_that_changed_too_much_asks_to_look_at_both_pictures(
    earlier: float, now: float, is_doubted: bool
) -> None:
    rows = [row("thickness_rest", "eo", value, 0.1, "mm") for value in (now, earlier)]
    known = DetectableChange("thickness_rest", "eo", "mm", 3, 0.3, 0.5, "one", 30, 90)
    changes = compare_visits([rows[0]], [rows[1]], DetectableChanges("own", (known,)))
    first, *others = change_sentences(changes)
    assert "than at the earlier visit" in first
    doubt = (
        "Left, draw-in: so large a change of EO at rest is more likely another place, layer or "
        "person; look at both pictures."
    )
    assert others == ([doubt] if is_doubted else [])
    two = [each for change in changes for each in (change, replace(change, structure="io"))]
    assert list(change_sentences(two))[2:] == (
        [doubt.replace("EO at rest", "EO at rest, IO at rest")] if is_doubted else []
    )


def test_one_repeat_keeps_its_own_interval() -> None:
    single = row(value=10.0, half=1.0, repeat="2.1", repeats=1)
    assert mean_of([single]) == replace(single, repeat="mean")


def test_mean_is_confirmed_only_where_every_repeat_is() -> None:
    confirmed = replace(row(), status=Status.CONFIRMED)
    corrected = replace(row(), status=Status.CORRECTED)
    assert mean_of([confirmed, corrected]).status is Status.CONFIRMED
    assert mean_of([confirmed, row()]).status is Status.DRAFT


@pytest.mark.parametrize(
    ("change", "half", "verdict"),
    [
        (1.0, 0.1, WITHIN),
        (1.1, 0.1, WITHIN),
        (1.2, 0.5, LARGER),
        (-1.2, 0.5, LARGER),
        (1.2, 3, UNSURE),
    ],
)
def test_verdict_needs_more_than_both_errors(change: float, half: float, verdict: str) -> None:
    now = row("thickness_rest", value=5.0, half=half / math.sqrt(2), unit="mm")
    earlier = row("thickness_rest", value=5.0 - change, half=half / math.sqrt(2), unit="mm")
    (found,) = compare_visits([now], [earlier], None)
    assert found.verdict == verdict
    assert found.high - found.change == pytest.approx(half)
    assert bool(list(change_sentences([found]))) == (verdict == LARGER)


def test_only_means_of_one_side_and_task_are_compared() -> None:
    now = row("thickness_rest", unit="mm")
    others = [
        replace(now, side="right"),
        replace(now, task="rest"),
        replace(now, unit="ratio"),
        replace(now, repeat="1"),
    ]
    assert compare_visits([now], others, None) == ()
    sides = replace(now, side="left-right")
    assert compare_visits([sides], [sides], None) == ()


def test_patterns_name_the_muscles_that_changed_beyond_error() -> None:
    tra, io, eo = row(), row(structure="io", value=5.0), row(structure="eo", value=-2.0)
    (alone,) = pattern_sentences([tra, io, eo])
    assert alone == (
        "Left, draw-in: TrA alone: TrA thickened by 40 % (interval 30 to 50 %); "
        "no change beyond error in IO and EO, mean of 3 repeats. "
        "Whether EO and IO stayed within 10 % of the thickness at rest cannot be told."
    )
    (others,) = pattern_sentences(
        [replace(tra, value=4.0, low=-6.0, high=14.0), row(structure="io"), eo]
    )
    assert "IO without TrA: IO thickened by 40 %" in others
    (both,) = pattern_sentences([tra, row(structure="io", value=20.0), eo])
    assert "TrA with IO: " in both
    (nothing,) = pattern_sentences([replace(tra, low=-1.0), io, eo])
    assert "no change of a muscle beyond error was seen" in nothing
    # What was not measured may have changed, so no pattern is named.
    (unknown,) = pattern_sentences([tra, io])
    assert "alone" not in unknown and "EO not measured" in unknown
    (thinner,) = pattern_sentences([row(value=-30.0), io, eo])
    assert "TrA thinned by 30 % (interval 20 to 40 %)" in thinner and "alone" not in thinner


def test_bladder_sentence_keeps_the_way_of_the_movement() -> None:
    key = {"structure": "bladder", "unit": "mm", "half": 1.0, "side": "midline", "repeats": 1}
    base = "base_displacement"
    lift = row(base, value=4.0, task="pelvic_floor_lift", **key)
    descent = row(base, value=-4.0, task="pelvic_floor_lift", **key)
    still = row(base, value=0.5, task="pelvic_floor_lift", **key)
    words = [next(iter(pattern_sentences([item]))) for item in (lift, descent, still)]
    assert words[0].startswith("Pelvic floor lift: the bladder base lifted by 4.0 mm (interval ")
    assert words[1].startswith("Pelvic floor lift: the bladder base descended by 4.0 mm")
    assert words[2] == (
        "Pelvic floor lift: no movement of the bladder base beyond error was seen, one repeat only."
    )


@pytest.mark.parametrize(
    ("low", "words"),
    [
        (-4.0, "the bladder base descended by 4.0 mm (interval 3.0 to 5.0 mm); it was lifted"),
        (0.3, "at its lowest the bladder base lay where it lies at rest, within error; it was"),
    ],
)
def test_a_cough_upon_a_lift_says_where_the_lift_was(low: float, words: str) -> None:
    key = {"structure": "bladder", "unit": "mm", "half": 1.0, "side": "midline", "repeats": 1}
    rows = [
        row(name, value=value, task="cough_prelift", **key)
        for name, value in (("base_displacement", low), ("lift_before", 5.0), ("lift_drop", 9.0))
    ]
    (said,) = pattern_sentences(rows)
    assert said.startswith(f"Cough with a lift beforehand: {words}")
    assert "lifted by 5.0 mm beforehand and dropped by 9.0 mm from there, one repeat" in said
    down, up = (replace(rows[1], value=-5.0, low=-6.0, high=-4.0), rows[2])
    (pushed,) = pattern_sentences([rows[0], down, up])
    assert "it was lowered by 5.0 mm beforehand" in pushed
    (unsure,) = pattern_sentences([rows[0], replace(rows[1], low=-1.0), up])
    assert "beforehand and" not in unsure


def test_differences_are_said_only_beyond_their_interval_and_once() -> None:
    sure = row("thickness_rest", value=-2.0, half=1.0, unit="mm", side="left-right")
    sure = replace(sure, means=(Mean(4.0, True, 3), Mean(6.0, True, 3)))
    assert list(side_sentences([sure, replace(sure, high=0.5)])) == [
        "Draw-in: on the left TrA at rest was thinner than on the right, by 2.0 mm (interval 1.0 "
        "to 3.0 mm), mean of 3 repeats."
    ]
    assert list(side_sentences([replace(sure, measure="contraction_ratio", unit="ratio")])) == []
    changes = (Mean(70.0, True, 3), Mean(40.0, True, 3))
    (points,) = side_sentences([replace(row(value=30.0, side="left-right"), means=changes)])
    assert "TrA thickened more than on the right, by 30 percentage points (interval 20 to" in points
    effect = row("prelift_effect", "bladder", 3.0, 1.0, "mm", "midline", "cough_prelift-cough")
    effect = replace(effect, means=(Mean(-2.0, True, 3), Mean(-5.0, True, 3)))
    (words,) = effect_sentences([effect, replace(effect, low=-1.0)])
    assert words == (
        "Cough: with a lift beforehand the bladder base descended less far than without it, by "
        "3.0 mm (interval 2.0 to 4.0 mm)."
    )
    turned = replace(effect, means=(Mean(1.0, True, 3), Mean(-2.0, True, 3)))
    assert list(effect_sentences([turned])) == [
        "Cough: with a lift beforehand the bladder base lifted by 1.0 mm; without it, it descended "
        "by 2.0 mm, a difference of 3.0 mm (interval 2.0 to 4.0 mm)."
    ]


def test_no_difference_claims_a_movement_within_error() -> None:
    base = ("base_displacement", "bladder")
    key = {"half": 0.6, "unit": "mm", "side": "midline"}
    plain = row(*base, value=-8.8, task="cough", **key)
    lifted = row(*base, value=0.02, task="cough_prelift", **key)
    (words,) = effect_sentences(summarise([plain, lifted]))
    assert words.startswith(
        "Cough: with a lift beforehand the bladder base did not move beyond error; without it, it "
        "descended by 8.8 mm, a difference of 8.8 mm (interval "
    )
    (words,) = side_sentences(summarise([row(value=60.0), row(value=3.0, side="right")]))
    assert "TrA thickened by 60 %; on the right, it did not change beyond error, a" in words
    # Of few repeats the difference is known better than the mean of one side.
    repeats = [
        row(value=middle + shift, half=1.0, side=side, repeat=str(k), repeats=1)
        for side, middle in (("left", 5.0), ("right", 25.0))
        for k, shift in ((1, -2.2), (2, 2.2))
    ]
    (words,) = side_sentences(summarise(repeats))
    assert "TrA did not change beyond error, nor did it on the right, but had the lower" in words
    assert "the lower value, by 20 percentage points (interval " in words
    now, earlier = row(*base, value=0.0, **key), row(*base, value=-8.8, **key)
    known = DetectableChange(*base, "mm", 1, 0.3, 1.0, "one", 30, 90)
    (change,) = compare_visits([now], [earlier], DetectableChanges("own", (known,)))
    (words,) = change_sentences([change])
    assert "the bladder base did not move beyond error; at the earlier visit, it desc" in words
    assert change_words(change).startswith("The bladder base did not move beyond error; at the")


def test_no_printed_number_reads_as_the_limit_that_it_exceeds() -> None:
    base = row("base_displacement", "bladder", 0.62, 0.59, "mm", "midline", "cough")
    assert "lifted by 0.6 mm (interval 0.03 to 1.2 mm)" in next(pattern_sentences([base]))
    small = replace(base, value=0.04, low=0.01, high=0.07)
    assert "lifted by 0.04 mm (interval 0.01 to 0.1 mm)" in next(pattern_sentences([small]))
    (number,) = key_numbers([small])
    assert (number.value, number.interval) == ("0.04", "0.01 to 0.1")
    now, earlier = (row("thickness_rest", value=v, half=0.01, unit="mm") for v in (5.13, 4.0))
    known = DetectableChange("thickness_rest", "tra", "mm", 1, 0.3, 1.11, "one", 30, 90)
    own = DetectableChanges("own", (known,))
    for one, other, way in ((now, earlier, "thicker"), (earlier, now, "thinner")):
        (change,) = compare_visits([one], [other], own)
        (words,) = change_sentences([change])
        assert f"{way} than at the earlier visit, by 1.13 mm (" in words
        assert words.endswith("larger than the smallest detectable change of 1.11 mm.")
        assert change_words(change).endswith(
            "by 1.13 mm, larger than the smallest detectable change of 1.11 mm."
        )


def test_a_difference_of_sides_says_which_side_rests_on_one_repeat() -> None:
    left, right = row(value=20.0), row(value=58.0, side="right", repeats=1)
    (words,) = side_sentences(summarise([left, right]))
    assert words.endswith(" (left, mean of 3 repeats; right, one repeat only).")


@pytest.mark.parametrize(
    ("measure", "unit", "earlier", "now", "words"),
    [
        ("base_displacement", "mm", -11.8, -3.9, "the bladder base descended less far than at"),
        ("base_displacement", "mm", -3.9, -11.8, "the bladder base descended farther than at"),
        ("base_displacement", "mm", 3.0, 8.0, "the bladder base lifted farther than at"),
        ("base_displacement", "mm", -4.0, 2.0, "lifted by 2.0 mm; at the earlier visit, it desc"),
        ("lift_before", "mm", 3.0, 8.0, "the bladder base before the effort was lifted farther"),
        ("lift_drop", "mm", 9.0, 4.0, "the drop of the bladder base from the lift was smaller"),
        ("lift_after", "mm", 3.0, 8.0, "the bladder base after the effort stayed lifted farther"),
        ("thickness_rest", "mm", 4.0, 5.5, "TrA at rest was thicker than at"),
        ("thickness_change", "%", -40.0, -90.0, "TrA thinned more than at the earlier visit"),
        ("thickness_change", "%", 90.0, 40.0, "TrA thickened less than at the earlier visit"),
        ("slide", "mm", 12.0, 4.0, "TrA slid laterally less far than at the earlier visit"),
        ("hold_time", "s", 9.0, 4.0, "the hold time of TrA was shorter than at the earlier visit"),
    ],
)
def test_a_change_goes_by_direction_never_by_the_sign_of_a_difference(
    measure: str, unit: str, earlier: float, now: float, words: str
) -> None:
    structure = "bladder" if measure.startswith(("base_", "lift_")) else "tra"
    changes = [row(measure, structure, value, 0.1, unit, repeats=1) for value in (now, earlier)]
    known = DetectableChange(measure, structure, unit, 1, 0.3, 1.0, "one", 30, 90)
    (change,) = compare_visits([changes[0]], [changes[1]], DetectableChanges("own", (known,)))
    (sentence,) = change_sentences([change])
    assert words in sentence
    for forbidden in ("better", "worse", " more than at" if "less" in words else " less than at"):
        assert forbidden not in sentence


def test_reasons_name_a_structure_once_where_nothing_of_it_was_measured() -> None:
    rows = [
        row("thickness_rest", "eo", None, repeat="1"),
        row("thickness_change", "eo", None, repeat="1"),
        row("thickness_rest", "tra", 4.0, repeat="1"),
        row("thickness_change", "tra", None, repeat="1"),
    ]
    assert manual_groups(rows) == [("Not seen.", ["Left, draw-in 1: EO, TrA thickness change"])]


@pytest.mark.parametrize(
    ("eo", "io", "words"),
    [
        ((-9.9, 9.9), (1.0, 9.0), "EO and IO stayed within 10 % of the thickness at rest."),
        ((-9.9, 10.1), (-20.0, -11.0), "Whether EO stayed within 10 % of the thickness at rest"),
        ((-1.0, 1.0), (10.5, 30.0), "EO stayed within 10 % of the thickness at rest; IO changed"),
    ],
)
def test_quiet_needs_the_whole_interval_within_the_tolerance(
    eo: tuple[float, float], io: tuple[float, float], words: str
) -> None:
    changes = {
        name: row(structure=name, value=sum(ends) / 2, half=(ends[1] - ends[0]) / 2)
        for name, ends in (("eo", eo), ("io", io))
    }
    assert quiet_words(changes).startswith(words.rstrip("."))
    (sentence,) = pattern_sentences([row(), *changes.values()])
    assert quiet_words(changes) in sentence


def test_quiet_is_not_said_of_what_was_not_measured() -> None:
    assert quiet_words({"tra": row(), "eo": row(value=None)}) == ""


def slide_recording(side: Side, repeat: int, value: float, *, is_lateral_known: bool) -> Recorded:
    """Make a recording of a draw-in that gave a slide and nothing else."""
    item = Item(side, Task.DRAW_IN, repeat, (Path("clip.dcm"),), None, Settings())
    slide = Measure(
        name="slide",
        structure="tra",
        task="draw_in",
        repeat="1",
        value=value,
        unit="mm",
        low=value - 1,
        high=value + 1,
        status=Status.DRAFT,
        reason="",
        frames="0-9",
        method="",
    )
    facts = {"lateral": "known" if is_lateral_known else "unknown"}
    return Recorded(item, f"{side}{repeat}", (slide,), facts, ())


def test_slide_whose_direction_is_unknown_is_not_compared() -> None:
    left = slide_recording(Side.LEFT, 1, -11.0, is_lateral_known=False)
    right = slide_recording(Side.RIGHT, 1, 12.0, is_lateral_known=True)
    rows = tabulate([left, right])
    assert not [row for row in rows if row.side == BETWEEN_SIDES]
    means = [row for row in rows if row.repeat == "mean"]
    assert [row.reason for row in means] == [LATERAL_UNKNOWN, ""]
    assert all(change.side == Side.RIGHT for change in compare_visits(rows, rows, None))
    assert len(compare_visits(rows, rows, None)) == 1
    # Where both directions are known the sides are compared.
    known = slide_recording(Side.LEFT, 1, 11.0, is_lateral_known=True)
    (difference,) = [row for row in tabulate([known, right]) if row.side == BETWEEN_SIDES]
    assert difference.value == pytest.approx(-1.0)
    # Of two repeats the one with the other sign has no part in the mean.
    more = slide_recording(Side.LEFT, 2, 12.0, is_lateral_known=True)
    (mean,) = [row for row in tabulate([left, more]) if row.repeat == "mean"]
    assert (mean.value, mean.repeats) == (12.0, 1)
