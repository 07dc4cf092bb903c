"""Measures: published arithmetic, intervals, repeats, and a reason wherever there is no value."""

import json
import math
from dataclasses import asdict, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from published import published

from layermotion.clip import Clip
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.site import NO_JUNCTION, NO_SCALE, NO_TRA, Site, parse_site
from layermotion.efforts.windows import Window
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import FULL_NAMES, WALL_LAYERS, Structure, Task, View
from layermotion.measures.bladder import (
    NO_EFFORT,
    PROBE_LIMIT_MM,
    PROBE_MOVED,
    UNSEEN_BASE,
    measure_bladder,
)
from layermotion.measures.error import Uncertainty
from layermotion.measures.measure import UNCALIBRATED, Measure, Status
from layermotion.measures.repeats import MEAN_METHOD
from layermotion.measures.thickness import OTHER_PART, UNSURE_LAYER, measure_wall
from layermotion.measures.unseen import UNSEEN_LAYER, Unseen
from layermotion.normal import Z95
from layermotion.series.series import Quantity, Series

Array = NDArray[np.float64]

# Unequal on purpose.
SPACING = Spacing(0.08, 0.11, "test")
FRAMES = 80
ONE_EFFORT = (Window("rest", 0, 19, 1), Window("contracted", 25, 39, 1))
TWO_EFFORTS = (*ONE_EFFORT, Window("rest", 45, 54, 2), Window("contracted", 60, 79, 2))
# The worked example of the published ratios: rest, contracted in mm.
LEVELS_MM = {"fat": (12.0, 12.0), "eo": (7.5, 7.4), "io": (9.0, 10.0), "tra": (3.5, 5.6)}
ERROR = Uncertainty(
    thickness=dict.fromkeys(WALL_LAYERS, 0.1), change=dict.fromkeys(WALL_LAYERS, 0.08), base=0.3
)


def wall_series(unit: str = "mm", spread: float = 0.0, **changes: Array) -> Series:
    """Thickness that is contracted in frames 21 to 42 and from 57 on."""
    rng = np.random.default_rng(1)
    contracted = np.zeros(FRAMES, bool)
    contracted[21:43] = contracted[57:] = True
    quantities = []
    for layer, (rest, full) in LEVELS_MM.items():
        value = np.where(contracted, full, rest) + rng.normal(0, spread, FRAMES)
        value = changes.get(layer, value)
        confidence = np.where(np.isnan(value), 0.0, 0.9)
        quantities.append(Quantity("thickness", layer, unit, value, confidence))
    return Series("c0ffee12", np.arange(FRAMES) / 20, tuple(quantities))


def measured(series: Series, windows: tuple[Window, ...] = ONE_EFFORT) -> tuple[Measure, ...]:
    return measure_wall(series, windows, "draw_in", ERROR, "How.")


def pick(
    measures: tuple[Measure, ...], name: str, structure: str, unit: str = "mm", repeat: str = "1"
) -> Measure:
    found = [
        m
        for m in measures
        if (m.name, m.structure, m.unit, m.repeat) == (name, structure, unit, repeat)
    ]
    assert len(found) == 1, f"{len(found)} measures {name} {structure} {unit} {repeat}"
    return found[0]


def check_record(measures: tuple[Measure, ...]) -> None:
    """Every measure has a value within its interval, or a reason; and JSON takes it."""
    for measure in measures:
        if measure.value is None:
            assert measure.low is None and measure.high is None
            assert measure.status is Status.NEEDS_MANUAL
            assert measure.reason.endswith(".") and measure.frames == ""
        else:
            assert measure.low is not None and measure.high is not None
            assert measure.low < measure.value < measure.high
            assert measure.status is Status.DRAFT and measure.reason == "" and measure.frames
        assert json.loads(json.dumps(asdict(measure), allow_nan=False)) == asdict(measure)
    keys = [(m.name, m.structure, m.unit, m.repeat) for m in measures]
    assert len(keys) == len(set(keys))


# -- abdominal wall ------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["mm", "px"])
def test_ratios_agree_with_the_published_arithmetic(unit: str) -> None:
    measures = measured(wall_series(unit))
    for row, name, measure_unit in (
        ("preferential-activation-ratio", "preferential_activation_ratio", "ratio"),
        ("contraction-ratio-example", "contraction_ratio", "ratio"),
        ("change-percent-example", "thickness_change", "%"),
    ):
        expected = published(row)
        value = pick(measures, name, "tra", measure_unit).value
        assert value == pytest.approx(expected.value, abs=expected.tolerance)
    check_record(measures)


def test_lengths_are_means_over_their_windows() -> None:
    measures = measured(wall_series(spread=0.02))
    for layer, (rest, full) in LEVELS_MM.items():
        assert pick(measures, "thickness_rest", layer).value == pytest.approx(rest, abs=0.02)
        assert pick(measures, "thickness_contracted", layer).value == pytest.approx(full, abs=0.02)
        if layer == "fat":  # fat does not contract
            assert not any(m.structure == "fat" and "change" in m.name for m in measures)
            continue
        change = pick(measures, "thickness_change", layer)
        assert change.value == pytest.approx(full - rest, abs=0.03)
        assert change.frames == "0-19;25-39"
        assert change.task == "draw_in" and change.method == "How."
    check_record(measures)


def test_interval_holds_both_the_weights_error_and_the_spread() -> None:
    exact = pick(measured(wall_series()), "thickness_rest", "tra")
    assert exact.high is not None and exact.value is not None
    assert exact.high - exact.value == pytest.approx(Z95 * 0.1)
    spread = pick(measured(wall_series(spread=0.5)), "thickness_rest", "tra")
    assert spread.high is not None and spread.value is not None
    # 20 frames of standard deviation 0.5, one in five independent.
    assert spread.high - spread.value == pytest.approx(Z95 * math.hypot(0.1, 0.5 / 2), rel=0.35)


def test_interval_of_the_preferential_ratio_covers_errors_of_that_size() -> None:
    # Draw thicknesses with the stated errors of change and see how often the true ratio is inside.
    rng = np.random.default_rng(3)
    true, hits, trials = published("preferential-activation-ratio").value, 0, 300
    for _ in range(trials):
        changed = {
            layer: np.where(
                np.arange(FRAMES) >= 21, full + rng.normal(0, ERROR.change[Structure(layer)]), rest
            )
            for layer, (rest, full) in LEVELS_MM.items()
        }
        ratio = pick(
            measured(wall_series(**changed)), "preferential_activation_ratio", "tra", "ratio"
        )
        assert ratio.low is not None and ratio.high is not None
        hits += ratio.low <= true <= ratio.high
    # 95 % of 300 is 285; binomial standard deviation 3.8.
    assert 273 <= hits <= 297


def test_uncalibrated_clip_gives_ratios_and_no_length() -> None:
    measures = measured(wall_series("px"))
    for measure in measures:
        if measure.unit == "mm":
            assert (measure.value, measure.reason) == (None, UNCALIBRATED)
        else:
            assert measure.unit in ("%", "ratio") and measure.value is not None
    assert {m.unit for m in measures} == {"mm", "%", "ratio"}


def test_without_effort_there_is_rest_only() -> None:
    measures = measured(wall_series(), (Window("rest", 0, 19, 1),))
    assert [(m.name, m.structure) for m in measures] == [
        ("thickness_rest", layer) for layer in WALL_LAYERS
    ]
    check_record(measures)


def test_nothing_seen_needs_a_person_for_every_layer() -> None:
    blank = np.full(FRAMES, np.nan)
    measures = measure_wall(
        wall_series(fat=blank, eo=blank, io=blank, tra=blank),
        (),
        "draw_in",
        ERROR,
        "How.",
        Unseen(without_site="No site."),
    )
    assert [(m.structure, m.value, m.reason) for m in measures] == [
        (layer, None, "No site.") for layer in WALL_LAYERS
    ]
    check_record(measures)


def test_layer_lost_in_the_contraction_is_reported_not_skipped() -> None:
    lost = np.where(np.arange(FRAMES) < 21, 9.0, np.nan)
    measures = measured(wall_series(io=lost))
    assert pick(measures, "thickness_rest", "io").value == pytest.approx(9.0)
    for name, unit in (
        ("thickness_contracted", "mm"),
        ("thickness_change", "mm"),
        ("thickness_change", "%"),
        ("contraction_ratio", "ratio"),
    ):
        assert pick(measures, name, "io", unit).reason == UNSEEN_LAYER
    ratio = pick(measures, "preferential_activation_ratio", "tra", "ratio")
    assert "without a value: IO at the effort; measure" in ratio.reason
    assert pick(measures, "thickness_change", "tra", "%").value is not None
    check_record(measures)


@pytest.mark.parametrize(("missing", "is_given"), [(9, True), (11, False)])
def test_window_needs_half_its_frames(missing: int, is_given: bool) -> None:
    value = np.where(np.arange(FRAMES) < missing, np.nan, 3.5)
    rest = pick(measured(wall_series(tra=value)), "thickness_rest", "tra")
    assert (rest.value is not None) == is_given


def test_a_thickness_that_may_be_half_wrong_is_left_to_a_person() -> None:
    # The TrA has 3.5 mm at rest: an error of 0.9 mm reaches half of it, one of 0.85 does not; the
    # contracted one of 5.6 mm stays of use.
    for own, is_given in ((0.85, True), (0.9, False)):
        error = replace(ERROR, thickness={**ERROR.thickness, Structure.TRA: own})
        measures = measure_wall(wall_series(), ONE_EFFORT, "draw_in", error, "How.")
        check_record(measures)
        rest, change = (pick(measures, f"thickness_{n}", "tra") for n in ("rest", "change"))
        assert (rest.value is not None) == (change.value is not None) == is_given
        assert rest.reason == change.reason == ("" if is_given else UNSURE_LAYER)
        assert pick(measures, "thickness_contracted", "tra").value is not None
        assert pick(measures, "thickness_rest", "io").value is not None


def test_mean_of_repeats_is_as_unsure_as_its_parts_and_their_spread() -> None:
    value = np.full(FRAMES, 3.5)
    value[21:43], value[57:] = 5.0, 6.0
    measures = measured(wall_series(tra=value), TWO_EFFORTS)
    one, two = (
        pick(measures, "thickness_contracted", "tra", repeat=repeat) for repeat in ("1", "2")
    )
    mean = pick(measures, "thickness_contracted", "tra", repeat="mean")
    assert (one.value, two.value, mean.value) == pytest.approx((5.0, 6.0, 5.5))
    assert mean.frames == "25-39;60-79"
    assert mean.high is not None and mean.value is not None
    # Of two values 1 mm apart: 12.706 standard errors of 0.5 mm, beside the error of one.
    assert mean.high - mean.value == pytest.approx(math.hypot(Z95 * 0.1, 12.706 * 0.5), rel=1e-3)
    assert mean.method == MEAN_METHOD
    check_record(measures)


def test_mean_leaves_out_a_repeat_without_value() -> None:
    value = np.full(FRAMES, 3.5)
    value[57:] = np.nan
    measures = measured(wall_series(tra=value), TWO_EFFORTS)
    assert pick(measures, "thickness_contracted", "tra", repeat="2").value is None
    assert not [
        m
        for m in measures
        if (m.name, m.structure, m.repeat) == ("thickness_contracted", "tra", "mean")
    ]
    assert pick(measures, "thickness_rest", "tra", repeat="mean").value == pytest.approx(3.5)


def test_repeat_without_own_rest_uses_the_rest_before_it() -> None:
    windows = (*ONE_EFFORT, Window("contracted", 60, 79, 2))
    change = pick(measured(wall_series(), windows), "thickness_change", "tra", repeat="2")
    assert change.value == pytest.approx(2.1)
    assert change.frames == "0-19;60-79"


# -- bladder -------------------------------------------------------------------------------------


def bladder_series(value: Array, unit: str = "mm", probe_mm: float = 0.0) -> Series:
    confidence = np.where(np.isnan(value), 0.0, 0.9)
    probe = np.where(np.arange(FRAMES) < 21, 0.0, probe_mm)
    return Series(
        "c0ffee12",
        np.arange(FRAMES) / 20,
        (
            Quantity("base_displacement", "bladder", unit, value, confidence),
            Quantity("probe_shift", "image", "mm", probe, np.ones(FRAMES)),
        ),
    )


def base_measure(series: Series, windows: tuple[Window, ...] = ONE_EFFORT) -> Measure:
    measures = measure_bladder(series, windows, "strain", ERROR, "How.")
    check_record(measures)
    (measure,) = measures
    return measure


@pytest.mark.parametrize("height_mm", [6.0, -11.0])
def test_displacement_is_relative_to_rest_and_keeps_its_sign(height_mm: float) -> None:
    value = np.where(np.arange(FRAMES) < 21, 1.5, 1.5 + height_mm)
    measure = base_measure(bladder_series(value))
    assert measure.value == pytest.approx(height_mm)
    assert measure.high is not None
    assert measure.high - height_mm == pytest.approx(Z95 * 0.3)


@pytest.mark.parametrize(
    ("series", "windows", "reason"),
    [
        (bladder_series(np.zeros(FRAMES)), (Window("rest", 0, 79, 1),), NO_EFFORT),
        (bladder_series(np.full(FRAMES, np.nan)), (), UNSEEN_BASE),
        (
            bladder_series(np.where(np.arange(FRAMES) < 21, 0, np.nan)),
            ONE_EFFORT,
            "The bladder base was seen in only 0 of 15 frames at the effort; record again with the "
            "whole bladder in view.",
        ),
        (bladder_series(np.arange(80.0), "px"), ONE_EFFORT, UNCALIBRATED),
        (
            bladder_series(np.arange(80.0), probe_mm=PROBE_LIMIT_MM + 0.1),
            ONE_EFFORT,
            PROBE_MOVED,
        ),
    ],
)
def test_missing_displacement_says_why(
    series: Series, windows: tuple[Window, ...], reason: str
) -> None:
    assert base_measure(series, windows).reason == reason


def test_probe_motion_within_the_limit_is_accepted() -> None:
    series = bladder_series(np.arange(80.0), probe_mm=PROBE_LIMIT_MM - 0.1)
    assert base_measure(series).value is not None


# -- site ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["", "centre", "junction", "junction:", "junction:0", "junction:-5", "junction:121",
             "junction:nan", "junction:1e1", "junction:25mm", "Muscle-Centre", "junction: 25"],
)  # fmt: skip
def test_unknown_site_is_one_sentence(text: str) -> None:
    with pytest.raises(InputError) as error:
        parse_site(text)
    assert str(error.value) == (
        f"The site {text} is not known; give --site most-even, muscle-centre, image-centre, or "
        f"junction:MM with at most 120 mm."
    )


def test_sites_are_parsed() -> None:
    assert parse_site("most-even") == Site("most-even")
    assert parse_site("muscle-centre") == Site("muscle-centre")
    assert parse_site("image-centre") == Site("image-centre")
    assert parse_site("junction:12.5") == Site("junction", 12.5)


AREA = ImageArea(12, 20, 300, 400)


def clip_with(spacing: Spacing | None) -> Clip:
    return Clip(
        clip_id="c0ffee12",
        source_name="test.mp4",
        frame_shape=(340, 460),
        frame_count=1,
        spacing=spacing,
        spacing_reason="" if spacing else "none stated",
        area=AREA,
        view=View.ABDOMINAL_WALL,
        task=Task.DRAW_IN,
        is_still=False,
        read=lambda: iter(()),
    )


def wall_with_medial_end(side: int, first_px: float = 100, last_px: float = 419) -> Boundaries:
    """TrA between two columns, tapering at its medial end (left for ``side`` +1), under fat."""
    column_px = np.arange(20, 420, 2, dtype=np.float32)
    edges = np.full((2, 5, column_px.size), np.nan, np.float32)
    edges[0, 0], edges[1, 0] = 20, 60
    seen = (column_px >= first_px) & (column_px <= last_px)
    taper = np.clip((column_px - first_px) / 60, 0.05, 1)
    edges[0, 3, seen], edges[1, 3, seen] = 200, (200 + 40 * taper)[seen]
    if side < 0:
        edges = edges[:, :, ::-1].copy()
    sure = np.isfinite(edges[0]).astype(np.float32)
    return Boundaries(column_px, edges[0], edges[1], sure)


def test_image_centre_needs_no_tissue() -> None:
    column, words = parse_site("image-centre").place([], clip_with(None))
    assert column == 20 + 199.5
    assert words.startswith("Site: the centre line of the image area.")


def test_muscle_centre_is_the_middle_of_the_tra() -> None:
    frames = [wall_with_medial_end(1, 100, 300)]
    column, words = parse_site("muscle-centre").place(frames, clip_with(SPACING))
    assert column == pytest.approx(200)
    assert "the middle of the TrA in view" in words
    column, words = parse_site("muscle-centre").place([], clip_with(SPACING))
    assert (column, words) == (None, NO_TRA)


def layered(tra_px: NDArray[np.float64], io_px: NDArray[np.float64]) -> Boundaries:
    """EO, IO and TrA whose last two are so thick at each column."""
    column_px = np.arange(20, 420, 2, dtype=np.float32)
    edges = np.full((2, 5, column_px.size), np.nan, np.float32)
    for k, (top, thick) in enumerate(((60, np.full(200, 30.0)), (100, io_px), (150, tra_px)), 1):
        edges[0, k] = np.where(thick > 0, top, np.nan)
        edges[1, k] = np.where(thick > 0, top + thick, np.nan)
    return Boundaries(column_px, edges[0], edges[1], np.isfinite(edges[0]).astype(np.float32))


def test_the_most_even_site_lies_where_no_muscle_tapers() -> None:
    # The TrA tapers over the left two thirds and the IO over the right tenth.
    place = np.arange(200)
    tra = 40 * np.clip(place / 130, 0, 1)
    io = 50 * np.clip((199 - place) / 20, 0, 1)
    frames = [layered(tra, io)] * 3
    column, words = parse_site("most-even").place(frames, clip_with(SPACING))
    assert column is not None and 20 + 2 * 130 <= column <= 20 + 2 * 180
    assert words.startswith("Site: where EO, IO and TrA together are of the most even thickness")
    # Where the TrA is seen nowhere for long enough its middle is taken, and none without a TrA.
    short = [layered(np.where(place < 20, 30.0, 0), io)]
    column, words = parse_site("most-even").place(short, clip_with(SPACING))
    assert column == pytest.approx(20 + 19, abs=2) and "the middle of the TrA" in words
    assert parse_site("most-even").place([], clip_with(SPACING)) == (None, NO_TRA)


@pytest.mark.parametrize("side", [1, -1])
def test_junction_is_left_laterally_by_its_distance(side: int) -> None:
    frames = [wall_with_medial_end(side)] * 3
    column, words = parse_site("junction:11").place(frames, clip_with(SPACING))
    # 11 mm are 100 columns of 0.11 mm; the mirrored medial end lies at 20 + 418 - 100.
    assert column == pytest.approx(200 if side > 0 else 238)
    assert words.startswith("Site: 11 mm lateral of the medial TrA junction")


@pytest.mark.parametrize(
    ("frames", "spacing", "distance", "words"),
    [
        (
            [wall_with_medial_end(1)],
            None,
            25,
            NO_SCALE,
        ),
        (
            [wall_with_medial_end(1, 20)],
            SPACING,
            25,
            NO_JUNCTION,
        ),
        (
            [],
            SPACING,
            25,
            NO_JUNCTION,
        ),
        (
            [wall_with_medial_end(1)],
            SPACING,
            60,
            "60 mm lateral of the medial TrA junction lies outside the picture; give a shorter "
            "distance, or another --site.",
        ),
    ],
)
def test_junction_that_cannot_be_used_says_why(frames, spacing, distance, words) -> None:
    assert Site("junction", distance).place(frames, clip_with(spacing)) == (None, words)


def test_efforts_that_went_opposite_ways_have_no_mean() -> None:
    values = np.zeros(60)
    values[10:20], values[40:50] = 4.8, -2.4
    base = Quantity("base_displacement", Structure.BLADDER, "mm", values, np.ones(60))
    windows = (
        Window("rest", 0, 9, 1), Window("contracted", 10, 19, 1),
        Window("rest", 25, 39, 2), Window("contracted", 40, 49, 2),
    )  # fmt: skip
    series = Series("clip", np.arange(60) / 10, (base,))
    found = {m.repeat: m for m in measure_bladder(series, windows, "strain", ERROR, "")}
    assert (found["1"].value, found["2"].value) == (pytest.approx(4.8), pytest.approx(-2.4))
    assert found["mean"].value is None
    assert "differ too much to be of one thing" in found["mean"].reason


@pytest.mark.parametrize(("tissue_percent", "is_given"), [(20.0, True), (-8.0, False)])
def test_a_change_of_another_part_of_the_muscle_is_withheld(
    tissue_percent: float, is_given: bool
) -> None:
    # At the site the EO thickens by a tenth; followed with its tissue by so much.
    time = np.arange(40)
    full = time >= 20
    layers = [
        Quantity("thickness", layer, "mm", np.full(40, 5.0) + 0.5 * full, np.ones(40))
        for layer in WALL_LAYERS
    ]
    eo = Quantity("thickness", Structure.EO, "mm", 5 + 0.05 * tissue_percent * full, np.ones(40))
    tissue = [eo if quantity.structure is Structure.EO else quantity for quantity in layers]
    windows = (Window("rest", 0, 19, 1), Window("contracted", 20, 39, 1))
    series = Series("clip", time / 10, tuple(layers))
    found = measure_wall(series, windows, "draw_in", ERROR, "How.", None, tissue)
    own = {(m.name, m.structure, m.unit): m for m in found}
    words = OTHER_PART.format(layer=FULL_NAMES[Structure.EO])
    for key in (
        ("thickness_change", "mm"),
        ("thickness_change", "%"),
        ("contraction_ratio", "ratio"),
    ):
        eo_measure, io_measure = (own[key[0], muscle, key[1]] for muscle in ("eo", "io"))
        assert (eo_measure.value is not None) == is_given
        assert is_given or words.lower() in eo_measure.reason.lower()
        assert io_measure.value is not None
    assert own["thickness_contracted", "eo", "mm"].value == pytest.approx(5.5)
    preference = own["preferential_activation_ratio", "tra", "ratio"]
    assert (preference.value is not None) == is_given
    unknown = replace(eo, value=np.full(40, np.nan))
    given = measure_wall(series, windows, "draw_in", ERROR, "How.", None, [unknown])
    assert all(m.value is not None for m in given if m.name == "thickness_change")
