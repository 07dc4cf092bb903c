"""Frames between two looks: which ones the network sees, and what is taken of the others."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from layermotion.analysis.footage import watch
from layermotion.clip import Frame
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.geometry import ImageArea
from layermotion.labels import Structure, Task, View, label_of
from layermotion.network.between import APART_S, Between, looks_apart, seen_in
from layermotion.network.grid import ModelGrid
from layermotion.network.look import Look, lowest_shown
from layermotion.network.segmenter import Segmenter, load_segmenter
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.write import write_video

AREA = ImageArea(0, 0, 64, 48)
GRID = ModelGrid.for_area(AREA, None, 64)


def frame(index: int, time_s: float, grey: int = 100) -> Frame:
    return Frame(index, time_s, np.full((AREA.height, AREA.width), grey, np.uint8))


class Looking:
    """Answers with a border at the row ``border`` gives for a time, and notes what it looked at."""

    def __init__(self, border: float = 20.0, rows_a_second: float = 0.0) -> None:
        self.border, self.rows_a_second = border, rows_a_second
        self.looked: list[int] = []

    def __call__(self, shown: Frame) -> Look:
        """Look at one frame."""
        self.looked.append(shown.index)
        image = GRID.to_model(shown.pixels)
        row = self.border + self.rows_a_second * shown.time_s
        above = np.clip(row - np.arange(len(image)), 0, 1).astype(np.float32)
        chances = np.zeros((6, *image.shape), np.float32)
        chances[0], chances[1] = 1 - above[:, None], above[:, None]
        view = np.array([0.0, 1.0, 0.0], np.float32)
        return Look(shown, image, chances, view, lowest_shown(image))


def through(look: Looking, frames: Sequence[Frame]) -> list[Look]:
    """Look through frames of which the first is seen before; give the looks at the others."""
    first = look(frames[0])
    with ThreadPoolExecutor(2) as pool:
        items = list(looks_apart(pool, look, first, frames[1:]))
    return [seen_in(item, look, GRID, 1) for item in items]


@given(st.lists(st.floats(0.004, 0.3), min_size=1, max_size=40))
def test_every_frame_comes_once_in_order_and_looks_are_near(steps_s: list[float]) -> None:
    times_s = np.cumsum([0.0, *steps_s])
    look = Looking()
    found = through(look, [frame(k, float(t)) for k, t in enumerate(times_s)])
    assert [each.frame.index for each in found] == list(range(1, len(times_s)))
    looked = sorted(look.looked)
    assert looked[0] == 0 and looked[-1] == len(times_s) - 1
    for one, other in zip(looked, looked[1:], strict=False):
        assert other == one + 1 or times_s[other] - times_s[one] <= APART_S + 1e-9


def test_at_30_frames_a_second_every_other_one_is_looked_at_and_at_12_each() -> None:
    fast, slow = Looking(), Looking()
    through(fast, [frame(k, k / 30) for k in range(13)])
    through(slow, [frame(k, k / 12) for k in range(13)])
    assert sorted(fast.looked) == list(range(0, 13, 2))
    assert sorted(slow.looked) == list(range(13))


def test_a_frame_between_is_what_lies_between_in_time() -> None:
    look = Looking()
    before, after = look(frame(0, 0.0)), Looking(border=20.4)(frame(2, 0.08))
    seen = seen_in(Between(frame(1, 0.02), before, after), look, GRID, 1)
    assert look.looked == [0]
    np.testing.assert_allclose(seen.probabilities[1].sum(axis=0), 20.1, atol=1e-4)
    assert seen.frame.index == 1 and seen.view.tolist() == [0, 1, 0]


def test_what_moves_is_looked_at_and_more_may_change_where_more_is_shown() -> None:
    frames = [frame(k, k / 30) for k in range(9)]
    calm, quick = Looking(rows_a_second=3.0), Looking(rows_a_second=30.0)
    through(calm, frames)
    found = through(quick, frames)
    assert len(calm.looked) == 5 and len(quick.looked) == 9
    for each in found:
        assert each.probabilities[1, :, 0].sum() == pytest.approx(20 + each.frame.index, abs=0.01)
    four = Looking(rows_a_second=20.0)
    item = Between(frames[1], four(frames[0]), four(frames[2]))
    for structures, looks in ((1, 3), (4, 2)):
        four.looked = [0, 2]
        seen_in(item, four, GRID, structures)
        assert len(four.looked) == looks


@pytest.mark.parametrize("grey", [0, 90, 130])
def test_a_frame_that_is_like_neither_look_is_looked_at(grey: int) -> None:
    frames = [frame(0, 0.0), frame(1, 1 / 30, grey), frame(2, 2 / 30)]
    look = Looking()
    through(look, frames)
    assert 1 in look.looked


def test_a_grey_that_changes_as_from_look_to_look_is_no_reason() -> None:
    look = Looking()
    through(look, [frame(0, 0.0, 100), frame(1, 1 / 30, 106), frame(2, 2 / 30, 112)])
    assert sorted(look.looked) == [0, 2]


class Counting:
    """The network, and how often it was asked."""

    def __init__(self, segmenter: Segmenter) -> None:
        self.segmenter, self.count = segmenter, 0

    def __getattr__(self, name: str) -> object:
        return getattr(self.segmenter, name)

    def run(self, images: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Ask it, and count."""
        self.count += len(images)
        return self.segmenter.run(images)


@pytest.mark.parametrize(
    ("view", "task", "layers"),
    [
        (View.ABDOMINAL_WALL, Task.DRAW_IN, (Structure.IO, Structure.TRA)),
        (View.BLADDER, Task.COUGH, (Structure.BLADDER,)),
    ],
)
def test_edges_are_those_of_a_clip_in_which_every_frame_is_looked_at(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    view: View,
    task: Task,
    layers: tuple[Structure, ...],
) -> None:
    rng = np.random.Generator(np.random.SFC64(4))
    plan = draw_clip(rng, view, task=task, frame_rate_hz=30.0, screen_px=(480, 640))
    path = tmp_path / "clip.mp4"
    frames = [screen for (screen, _), _ in zip(render_clip(plan), range(120), strict=False)]
    write_video(path, frames, 30.0)
    spacing = (plan.grid.row_mm, plan.grid.column_mm)
    rows = [label_of(layer) - 1 for layer in layers]
    found, asked = [], []
    for apart_s in (0.0, APART_S):
        monkeypatch.setattr("layermotion.network.between.APART_S", apart_s)
        network = Counting(load_segmenter(threads=1))
        clip = open_clip(path, SourceOptions(mm_per_pixel=spacing, view=view, task=task))
        with Recording() as recording:
            watch(clip, network, parse_site("muscle-centre"), recording)  # type: ignore[arg-type]
            found.append(np.array([each.deep_px[rows] for each in recording]))
        asked.append(network.count)
    assert asked[1] < 0.75 * asked[0]
    away_mm = spacing[0] * np.abs(np.nanmedian(found[1] - found[0], axis=2))
    assert np.nanmax(away_mm) < 0.15
