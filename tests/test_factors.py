"""The generator's factors: each acts, stays where it was set, and leaves the truth exact."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scenes import draw_with, profile, seeded, view_of_example

from layermotion.labels import Structure, Task, View
from layermotion_synthetic.clips import clip_truth, draw_clip
from layermotion_synthetic.dataset import VIEWS, Example, draw_example
from layermotion_synthetic.display import FILTERS, Display, smooth_and_sharpen
from layermotion_synthetic.factors import DRAWN, SHARES, TWO_SIDED, draw_factors, log_between
from layermotion_synthetic.imaging import seen_share
from layermotion_synthetic.pose import layer_tops, rest_pose
from layermotion_synthetic.scene import draw_scene
from layermotion_synthetic.screen import grab, mark_layers
from layermotion_synthetic.wall import draw_wall

STILL_FACTORS = [
    name
    for name in SHARES
    if name not in {"persistence", "probe_motion", "breathing", "peristalsis"}
]
BLADDER_FACTORS = {"small_bladder", "thick_bladder_wall", "indented_bladder", "bladder_out_of_view"}
# Factors of the picture, not of the body: the truth may not depend on them. (The gain curve decides
# how deep a shadow hides the tissue, and so how much is labelled.)
PICTURE_FACTORS = [
    "compounding",
    "noise",
    "haze",
    "reverberation",
    "gain",
    "dynamic_range",
    "grey_map",
    "speckle_filter",
    "edge_enhancement",
    "screen_grab",
    "screen_marks",
    "decorrelation",
    "fading_depth",
    "fine_grain",
]


def example_of(view: View, seed: int, size_px: int = 96, **forced: float) -> Example:
    """First example of a view from ``seed`` on."""
    first = next(later for later in range(seed, seed + 100) if view_of_example(later) is view)
    example = draw_example(seeded(first), size_px, forced)
    assert VIEWS[example.view] is view
    return example


OFF = {**dict.fromkeys(SHARES, 0.0), "extra_depth": 0.9}


@cache
def plain_example(view: View, seed: int) -> Example:
    """First example of a view from ``seed`` on, with every factor off."""
    return example_of(view, seed, **OFF)


@pytest.mark.parametrize("name", STILL_FACTORS)
def test_each_factor_changes_the_picture(name: str) -> None:
    view = View.BLADDER if name in BLADDER_FACTORS else View.ABDOMINAL_WALL
    changed = []
    for seed in range(0, 60, 10):
        plain = plain_example(view, seed)
        strong = example_of(view, seed, **{**OFF, name: 1.5})
        changed.append((plain.image != strong.image).any())
    # Some need luck: a second leaf in one of two borders, gas in a loop, a bubble at a free place.
    assert np.mean(changed) >= 0.5


@pytest.mark.parametrize("name", PICTURE_FACTORS)
def test_factors_of_the_picture_leave_the_truth_alone(name: str) -> None:
    for view in View:
        plain = example_of(view, 3, **{name: 0.0})
        strong = example_of(view, 3, **{name: 1.0})
        assert (plain.image != strong.image).any()
        np.testing.assert_array_equal(plain.label, strong.label)


def test_forced_factors_stay_and_drawn_ones_fill_their_range() -> None:
    drawn = [draw_factors(seeded(seed), {"noise": 1.4, "gain": -2.0}) for seed in range(600)]
    for name, share in SHARES.items():
        values = np.array([getattr(factors, name) for factors in drawn])
        if name in ("noise", "gain"):
            assert set(values) == {1.4 if name == "noise" else -2.0}
            continue
        acting = values[values != 0]
        # Four standard deviations of a binomial share.
        spread = 4 * np.sqrt(share * (1 - share) / values.size)
        assert abs(acting.size / values.size - share) <= spread
        low = -1 if name in TWO_SIDED else 0
        assert low <= values.min() and values.max() <= 1
        assert acting.mean() == pytest.approx((1 + low) / 2, abs=4 / np.sqrt(12 * acting.size) * 2)
    assert draw_factors(seeded(1)) == draw_factors(seeded(1), DRAWN)


@pytest.mark.parametrize(
    ("forced", "message"),
    [({"sparkle": 1.0}, "no factor sparkle"), ({"noise": -0.1}, "noise has one side only")],
)
def test_impossible_factors_are_refused(forced: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        draw_factors(seeded(1), forced)


def test_fat_and_muscles_reach_their_ends() -> None:
    for side, fat_mm, tra_mm in ((-1.0, 2.5, 1.7), (0.0, None, None), (1.0, 60.0, 8.5)):
        forced = {"fat_thickness": side, "muscle_thickness": side, "layer_shape": 0.0}
        stack = draw_with(draw_wall, 5, medial_end=0.0, **forced)
        if fat_mm is not None:
            assert np.median(profile(stack, Structure.FAT)) == pytest.approx(fat_mm, rel=0.35)
            assert np.median(profile(stack, Structure.TRA)) == pytest.approx(tra_mm, rel=0.25)
        else:
            assert np.median(profile(stack, Structure.FAT)) == pytest.approx(
                log_between(2.5, 60.0, 0.0), rel=0.2
            )


def levels_db(seed: int, **forced: float) -> dict[str, float]:
    stack = draw_with(draw_wall, seed, **forced)
    return {layer.name: layer.tissue.level_db for layer in stack.layers}


def test_echo_factors_move_what_they_name() -> None:
    for seed in range(20):
        plain = levels_db(seed, bright_muscle=0.0, isoechoic_fat=0.0, faint_fascia=0.0)
        bright = levels_db(seed, bright_muscle=1.0, isoechoic_fat=0.0, faint_fascia=0.0)
        assert bright["io"] - plain["io"] == pytest.approx(9)
        assert bright["fat"] == pytest.approx(plain["fat"])
        assert bright["eo superficial fascia"] - bright["io"] < (
            plain["eo superficial fascia"] - plain["io"]
        )
        alike = levels_db(seed, bright_muscle=0.5, isoechoic_fat=1.0, faint_fascia=0.0)
        # Each muscle has its own level, 3 dB (standard deviation) around the common one.
        assert abs(alike["fat"] - alike["io"]) < 12
        faint = levels_db(seed, bright_muscle=0.0, isoechoic_fat=0.0, faint_fascia=1.0)
        assert faint["eo superficial fascia"] < plain["eo superficial fascia"]
        assert faint["io"] == pytest.approx(plain["io"])


BORDERS = ("eo superficial fascia", "fascia above io", "fascia above tra", "transversalis fascia")


def test_borders_drawn_on_their_own_differ_in_one_picture() -> None:
    spreads = {}
    for own in (0.0, 1.0):
        walls = [
            levels_db(seed, own_borders=own, own_greys=0.0, faint_fascia=0.0) for seed in range(60)
        ]
        levels = np.array([[wall[name] for name in BORDERS] for wall in walls])  # (60, 4)
        spreads[own] = levels.std(axis=1).mean()
    # Even over 28 dB has a spread of 8 dB; together they differ by 2 dB (standard deviation).
    assert spreads[0.0] < 2.5 and 6 < spreads[1.0] < 9


def test_greys_drawn_on_their_own_leave_eo_brightest_and_tra_darkest_on_average() -> None:
    walls = [levels_db(seed, own_greys=1.0) for seed in range(120)]
    eo, io, tra, fat = (np.array([w[name] for w in walls]) for name in ("eo", "io", "tra", "fat"))
    assert np.mean(eo - io) > 1 and np.mean(io - tra) > 1
    assert np.mean(fat > io) > 0.2 and np.mean(fat < io) > 0.2


def amplitude_db(seed: int, name: str, **forced: float) -> np.ndarray:
    """Level of one layer's band, shape (rows, columns), dB."""
    scene = draw_scene(seeded(seed), View.ABDOMINAL_WALL, {**OFF, **forced})
    k = scene.stack.index(name)
    top, bottom = scene.texture.band_top[k : k + 2].astype(int)
    level: np.ndarray = 20 * np.log10(scene.texture.echo[top:bottom, :, 2])
    return level


def test_fading_borders_vanish_in_long_stretches_only() -> None:
    name, column_shares = "fascia above io", []
    for seed in range(12):
        plain = amplitude_db(seed, name).mean(axis=0)
        fading = amplitude_db(seed, name, fading_borders=1.0).mean(axis=0)
        lost = plain - fading
        assert lost.min() >= -0.01
        column_shares.append(np.mean(lost > 6))
    assert 0.02 < np.mean(column_shares) < 0.4


@pytest.mark.parametrize("name", ["fat", "eo", "io"])
def test_bright_lines_are_as_bright_as_a_border(name: str) -> None:
    bright = 0
    for seed in range(12):
        border = np.median(amplitude_db(seed, "eo superficial fascia"))
        plain, lined = (amplitude_db(seed, name, bright_lines=s) for s in (0.0, 1.0))
        # Lines lie upon what is there: a border more bright than that would be no fascia's.
        assert lined.max() <= max(plain.max(), border + 6)
        changed = lined - plain > 1
        bright += changed.mean() > 0.002 and lined[changed].max() > border - 8
    assert bright >= 4


def test_aponeuroses_take_over_from_muscles_gently() -> None:
    for seed in range(12):
        forced = {**OFF, "aponeurosis": 1.0}
        stack, plain = (draw_with(draw_wall, seed, **f) for f in (forced, OFF))
        for muscle in (Structure.IO, Structure.TRA):
            border = f"fascia above {muscle}"
            left = profile(stack, muscle) / profile(plain, muscle)
            assert left[0] < 0.3 and left[-1] > 0.9
            assert profile(stack, border)[0] > profile(plain, border)[0]
        tops = layer_tops(stack, rest_pose(stack), stack.x_mm)
        deepest = tops[stack.index("transversalis fascia")]
        flat = layer_tops(plain, rest_pose(plain), plain.x_mm)
        added = deepest - flat[plain.index("transversalis fascia")]
        # The wall thins out over centimetres: no step, and none steeper than about 1 in 1.
        assert np.abs(np.diff(added)).max() / 0.5 < 1.1


def test_fading_depth_is_black_where_noise_hides_the_echoes() -> None:
    noisy = {"noise": 1.4, "extra_depth": 1.0, "haze": 0.0}
    for seed in (3, 30):
        shown, faded = (
            example_of(View.ABDOMINAL_WALL, seed, fading_depth=s, **noisy).image for s in (0.0, 1.0)
        )
        assert faded.mean() < 0.9 * shown.mean()
        assert np.mean(faded < 20) > np.mean(shown < 20)


def test_the_share_seen_is_a_share_beside_the_strongest_echoes() -> None:
    rng = seeded(2)
    power = (1e-14 * 10 ** rng.uniform(-6, 0, (384, 200))).astype(np.float32)
    power[40:60] = 1e5 * 10 ** rng.uniform(-12, 0, (20, 200))
    share = seen_share(power, np.full((384, 1), 1e-12, np.float32), 1.2)
    assert np.isfinite(share).all() and share.min() >= 0 and share.max() <= 1 + 1e-5
    assert share[50].min() > 0.9


def test_split_screen_shows_and_labels_both_pictures() -> None:
    example = example_of(View.ABDOMINAL_WALL, 2, split_screen=1.0, medial_end=0.0, bone=0.0)
    halves = np.hsplit(example.label, 2)
    for half in halves:
        assert {1, 2, 3, 4} <= set(np.unique(half).tolist())


def test_grabbed_screens_lose_detail_with_strength() -> None:
    image = example_of(View.ABDOMINAL_WALL, 4, 160, screen_grab=0.0).image
    errors = []
    for strength in (0.05, 0.4, 0.8, 1.2):
        shown = grab(seeded(1), image, strength)
        assert shown.shape == image.shape and shown.dtype == np.uint8
        errors.append(float(np.abs(shown.astype(float) - image).mean()))
    assert errors == sorted(errors) and errors[0] < 0.5 * errors[-1]


@pytest.mark.parametrize("smoothing", FILTERS)
def test_speckle_filters_calm_speckle_and_keep_a_step(smoothing: str) -> None:
    display = Display(60.0, 0.0, 1.0, 0.0, smoothing, 0.8, 0.0)
    step = np.where(np.arange(80) < 40, 60, 160)[:, None] + np.zeros((80, 80))
    noisy = np.clip(step + seeded(1).normal(0, 12, step.shape), 0, 255).astype(np.uint8)
    shown = smooth_and_sharpen(noisy, display).astype(float)
    assert shown[5:30].std() < 0.75 * noisy[5:30].std()
    profile_down = shown.mean(axis=1)
    assert np.argmin(np.abs(profile_down - 110)) in (39, 40)
    off = smooth_and_sharpen(noisy, replace(display, strength=0.0))
    np.testing.assert_array_equal(off, noisy)


def test_bowel_moves_in_clips_and_the_layers_do_not() -> None:
    plans = [
        draw_clip(
            seeded(3),
            View.ABDOMINAL_WALL,
            {"peristalsis": strength, "probe_motion": 0.0, "breathing": 0.0},
            task=Task.REST,
            screen_px=(97, 131),
            frame_rate_hz=4.0,
        )
        for strength in (0.0, 1.0)
    ]
    still, moving = ([pose.shift_mm for pose in plan.motion.poses] for plan in plans)
    assert not np.any(still) and np.ptp([shift[-1] for shift in moving]) > 0.5
    assert not np.any([shift[:-1] for shift in moving])
    np.testing.assert_array_equal(*(clip_truth(plan).edges_mm for plan in plans))


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_clips_have_the_pixels_that_were_asked_for(side: float) -> None:
    forced = {"pixel_aspect": side, "decorrelation": 0.0}
    plan = draw_clip(seeded(3), View.BLADDER, forced, task=Task.REST, frame_rate_hz=4.0)
    assert plan.grid.column_mm / plan.grid.row_mm == pytest.approx(np.exp(0.3 * side), rel=0.02)
    assert plan.area.top + plan.area.height <= 480 and plan.area.left + plan.area.width <= 640
    again = draw_clip(
        seeded(3), View.BLADDER, {**forced, "decorrelation": 1.0}, task=Task.REST, frame_rate_hz=4.0
    )
    np.testing.assert_allclose(again.motion.turn_rad, 4 * plan.motion.turn_rad)


@pytest.mark.parametrize(("rate_hz", "shares"), [(30.0, 1), (60.0, 1), (10.0, 3)])
def test_persistence_fades_in_the_same_time_at_any_rate(rate_hz: float, shares: int) -> None:
    plan = draw_clip(seeded(3), View.BLADDER, {"persistence": 1.0}, frame_rate_hz=rate_hz)
    assert plan.persistence == pytest.approx(0.6**shares)


def test_clip_of_neither_view_has_no_truth_to_measure() -> None:
    plan = draw_clip(seeded(2), None, screen_px=(97, 131), frame_rate_hz=4.0)
    truth = clip_truth(plan)
    assert plan.view is None and plan.motion.task is Task.REST
    assert np.isnan(truth.slide_mm).all() and np.isnan(truth.base_displacement_mm).all()
    assert np.isnan(truth.edges_mm[:, 1:]).all()


def test_callipers_span_the_structures_and_change_no_label() -> None:
    label = np.zeros((120, 100), np.uint8)
    label[30:60], label[70:90] = 2, 4
    marked = 0
    for seed in range(40):
        screen, kept = np.zeros((120, 100), np.uint8), label.copy()
        mark_layers(seeded(seed), screen, kept)
        np.testing.assert_array_equal(kept, label)
        marked += bool(screen.any())
        # Nothing is drawn far above the first layer or below the last.
        assert not screen[:12].any() and not screen[108:].any()
    assert marked > 20
    empty = np.zeros((120, 100), np.uint8)
    mark_layers(seeded(1), empty, np.zeros_like(label))
    assert not empty.any()


def test_echoes_that_fade_beside_strong_ones_leave_a_picture() -> None:
    picture = draw_example(np.random.default_rng([9, 10]), 320).image
    assert np.ptp(picture) > 100
