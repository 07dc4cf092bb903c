"""The study of motion: its clips, its stand-in for the network, its table."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.efforts.windows import Window
from layermotion.evaluation.compare import slide_truth_mm
from layermotion.geometry import ImageArea
from layermotion.labels import Task, View
from layermotion.network.grid import ModelGrid
from layermotion.series.series import Quantity, Series
from layermotion_synthetic.clips import clip_truth, draw_clip
from layermotion_synthetic.variants import frames_shown, with_breathing, with_slip

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def test_table_takes_means_medians_and_shares_and_judges_them() -> None:
    import motion

    results = [
        motion.ClipResult("draw_in", 0, "", {"slide, mean error": [0.2, -0.4]}, 3.0),
        motion.ClipResult("draw_in", 1, "", {"onset, median error": [0.3, 0.01, -0.02]}, 5.0),
        motion.ClipResult("rest", 0, "", {"rest clips with a false contraction": [1.0]}),
        motion.ClipResult("rest", 1, "", {"rest clips with a false contraction": [0.0]}),
        motion.ClipResult("cough", 0, "It holds no frames."),
    ]
    summary = motion.summarise(results)
    rows = {row["figure"]: row for row in summary["figures"]}
    assert rows["slide, mean error"]["value"] == pytest.approx(0.3)
    assert (rows["slide, mean error"]["values"], rows["slide, mean error"]["clips"]) == (2, 1)
    assert rows["onset, median error"]["value"] == pytest.approx(0.02)
    false = rows["rest clips with a false contraction"]
    assert (false["value"], false["is_met"]) == (50.0, False)
    assert rows["slide, mean error"]["is_met"]
    assert summary["tracking_ms_per_frame"] == pytest.approx(4.0)
    assert summary["not_measured"] == ["cough 0: It holds no frames."]


def test_share_seen_is_that_of_the_best_seen_muscle() -> None:
    import motion

    nan, rate = float("nan"), np.full(4, 30.0)
    rows = {"eo": [1, 1, nan, nan], "io": [1, 1, 1, nan], "tra": [nan] * 4, "fat": [1, 1, 1, 1]}
    quantities = tuple(
        Quantity("thickness", name, "mm", np.array(row, float), np.nan_to_num(np.array(row, float)))
        for name, row in rows.items()
    )
    series = Series("c", np.cumsum(1 / rate), quantities)
    wall = SimpleNamespace(view=View.ABDOMINAL_WALL, series=series)
    assert motion.share_seen(wall) == 0.75


def test_true_slide_counts_from_the_first_rest_that_has_one() -> None:
    plan = draw_clip(np.random.default_rng(5), View.ABDOMINAL_WALL, task=Task.DRAW_IN)
    truth = clip_truth(plan)
    frames = truth.time_s.size
    full = int(plan.motion.activation.argmax())
    shown = np.arange(frames)

    def true_slide(first: int, windows: tuple[Window, ...]) -> NDArray[np.float64]:
        value = np.where(shown < first, np.nan, 0.0)
        slide = Quantity("slide", "tra", "mm", value, np.ones(frames))
        found = SimpleNamespace(
            series=Series("c", truth.time_s.copy(), (slide,)),
            site_px=plan.area.left + plan.area.width / 2,
            is_lateral_known=True,
            efforts=SimpleNamespace(windows=windows),
        )
        return slide_truth_mm(found, plan, truth, shown)

    from_key, late = true_slide(0, ()), true_slide(full, ())
    assert from_key[0] == late[full] == 0
    # What lies at the site once the muscle has slid is another place of it, which slides alike.
    assert np.sign(late[0]) == -np.sign(from_key[full]) != 0
    rest = Window("rest", 10, 29, 1)
    from_rest = true_slide(0, (rest,))
    assert from_rest[10:30].mean() == pytest.approx(0)
    np.testing.assert_allclose(from_rest, from_key - from_key[10:30].mean())
    # A rest without a slide gives no zero.
    np.testing.assert_allclose(true_slide(full, (rest,)), late)


def test_every_figure_that_is_asked_for_has_its_limit() -> None:
    import motion

    limits = {figure.name: figure.limit for figure in motion.FIGURES}
    assert limits["slide, mean error"] == 0.5
    assert limits["base displacement in coughs, mean error"] == 0.4
    assert limits["probe shift, mean error"] == 0.3
    assert limits["hold time, median error"] == 0.2
    counted = next(f for f in motion.FIGURES if f.name == "repeats counted right")
    assert counted.is_met(98.0) and not counted.is_met(97.9)


@pytest.mark.parametrize("kind", ["draw_in", "bladder", "cough", "rest", "slip"])
def test_clips_of_a_kind_are_what_it_says(kind: str) -> None:
    import motion

    plan = motion.draw(kind, 3)
    again = motion.draw(kind, 3)
    np.testing.assert_array_equal(plan.motion.activation, again.motion.activation)
    assert plan.noise_seed == again.noise_seed != motion.draw(kind, 4).noise_seed
    is_wall = kind == "draw_in"
    assert plan.view is (View.ABDOMINAL_WALL if is_wall else View.BLADDER)
    assert bool(plan.motion.repeats) == (kind != "rest")
    if kind == "cough":
        assert plan.motion.task is Task.COUGH and 25 <= plan.frame_rate_hz <= 50


def test_stand_in_answers_with_the_true_labels_of_each_frame() -> None:
    import motion

    area = ImageArea(4, 6, 60, 80)
    grid = ModelGrid.for_area(area, None, 320)
    segmenter = motion.load_unjudged()
    frames, known = [], {}
    for top in (20, 40):
        frame = np.full((70, 90), top, np.uint8)
        label = np.zeros((70, 90), np.uint8)
        label[top:60, 6:80] = 4
        frames.append(grid.to_model(frame))
        known[motion._key(frames[-1])] = (label, grid, 1)
        known[motion._key(frames[-1] + 1)] = (label, grid, -1)
    own = {name: getattr(segmenter, name) for name in segmenter.__dataclass_fields__}
    stand_in = motion.TruthSegmenter(**own, known=known, view=View.ABDOMINAL_WALL)
    for image, top in zip(frames, (20, 40), strict=True):
        probabilities, view = stand_in.run(image[None])
        column = probabilities[0, 4, :, grid.shape[1] // 2]
        edge = int(np.flatnonzero(column > 0.5)[0])
        assert grid.row_to_frame(float(edge)) == pytest.approx(top, abs=0.5)
        assert probabilities[0].sum(axis=0)[grid.slices] == pytest.approx(1, abs=0.02)
        assert int(view.argmax()) == 1
        mirrored, _ = stand_in.run(image[None] + 1)
        np.testing.assert_allclose(mirrored, probabilities[..., ::-1], atol=1e-6)


def test_breathing_thickens_tra_and_io_alone_and_slipping_moves_the_probe_alone() -> None:
    rng = np.random.default_rng(3)
    plan = draw_clip(rng, View.ABDOMINAL_WALL, task=Task.DRAW_IN)
    resting = with_breathing(rng, plan, 12.0)
    stack = plan.scene.stack
    ratio = np.array([pose.ratio for pose in resting.motion.poses])
    assert resting.motion.time_s[-1] == pytest.approx(12.0, abs=0.1)
    for name, moves in (("tra", True), ("io", True), ("eo", False), ("fat", False)):
        assert (np.ptp(ratio[:, stack.index(name)]) > 0.02) == moves
    slipped = with_slip(rng, plan, 10.0)
    for before, after in zip(plan.motion.poses, slipped.motion.poses, strict=True):
        np.testing.assert_array_equal(before.ratio, after.ratio)
    moved = [
        np.hypot(
            after.probe_lateral_mm - before.probe_lateral_mm,
            after.probe_depth_mm - before.probe_depth_mm,
        )
        for before, after in zip(plan.motion.poses, slipped.motion.poses, strict=True)
    ]
    assert moved[0] == 0 and moved[-1] == pytest.approx(10.0)
    assert np.all(np.diff(moved) >= -1e-9)


def test_lost_frames_show_the_one_before() -> None:
    shown = frames_shown(np.random.default_rng(1), 1000, 0.1)
    assert shown[0] == 0 and np.all(np.diff(shown) >= 0)
    lost = shown != np.arange(1000)
    assert 60 < lost.sum() < 140
    for i in np.flatnonzero(lost):
        assert shown[i] == shown[i - 1]
