"""Rest at the end of a breath out: on drawn signals, on generated anatomy and through a clip."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_efforts import Times, spells_of
from numpy.typing import NDArray
from standin import SPACING, draw_frames, effort, truth_segmenter, wall_labels, write_dicom

from layermotion.cli import main
from layermotion.efforts.breathing import (
    REST_METHOD,
    SMALLEST_BREATH,
    breath_signal,
    rest_after_breath_out,
)
from layermotion.efforts.windows import Window, find_windows
from layermotion.labels import Structure, Task, View
from layermotion.series.series import Quantity
from layermotion_synthetic.clips import clip_truth, draw_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.truth import wall_thickness_mm
from layermotion_synthetic.variants import with_breathing

Array = NDArray[np.float64]

RATE_HZ = 25.0
TIME_S = np.arange(0, 30, 1 / RATE_HZ)


def ease(start_s: float, end_s: float) -> Array:
    share = np.clip((TIME_S - start_s) / (end_s - start_s), 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * share))


def two_efforts() -> Array:
    return sum(
        (ease(at, at + 0.7) - ease(at + 3, at + 3.7) for at in (8.0, 20.0)), np.zeros(TIME_S.size)
    )


# When they begin, are full, are let go and are over.
TWO: list[Times] = [(at, at + 0.7, at + 3, at + 3.7) for at in (8.0, 20.0)]


def windows_of(signal: Array, efforts: list[Times] | None = None) -> tuple[tuple[Window, ...], ...]:
    """Windows as found, and with rest at the end of a breath out."""
    spells = spells_of(TIME_S, TWO if efforts is None else efforts)
    found = find_windows(spells, signal / np.nanmedian(signal) - 1)
    return found, rest_after_breath_out(signal, spells, found, SMALLEST_BREATH)


@pytest.mark.parametrize("period_s", [2.7, 4.0, 6.0])
@pytest.mark.parametrize("phase", [0.0, 1.6, 3.1, 4.7])
def test_rest_is_where_a_breath_has_gone_out(period_s: float, phase: float) -> None:
    breath = np.sin(2 * np.pi * TIME_S / period_s + phase)
    noise = np.random.default_rng(2).normal(0, 0.01, TIME_S.size)
    found, moved = windows_of((1 + 0.05 * breath) * (1 + 0.5 * two_efforts()) + noise)
    assert len(found) == len(moved) == 4
    for before, after in zip(found, moved, strict=True):
        if before.state == "contracted":
            assert after == before
            continue
        assert breath[after.frames].mean() > 0.7
        assert breath[after.frames].min() > 0.2
        assert 0.4 <= TIME_S[after.last] - TIME_S[after.first] <= 2.05
        # Still at rest, and still before its own effort.
        assert not two_efforts()[after.frames].any()
        assert after.repeat == before.repeat


def test_rest_without_breathing_stays_where_it_was() -> None:
    noise = np.random.default_rng(3).normal(0, 0.02, TIME_S.size)
    found, moved = windows_of(1 + 0.5 * two_efforts() + noise)
    assert moved == found


def test_spell_too_short_for_a_whole_breath_out_keeps_its_window() -> None:
    # From the top of one breath down to the bottom: no top with a fall on both sides.
    breath = np.cos(np.pi * TIME_S / 8)
    found, moved = windows_of(
        (1 + 0.05 * breath) * (1 + 0.5 * (ease(8, 8.7) - ease(12, 12.7))), [(8, 8.7, 12, 12.7)]
    )
    assert [window.state for window in found] == ["rest", "contracted"]
    assert moved == found


def test_gaps_are_not_taken_for_rest() -> None:
    breath = np.sin(2 * np.pi * TIME_S / 4)
    signal = (1 + 0.05 * breath) * (1 + 0.5 * two_efforts())
    # The last top before the first effort, at 5 s, is not seen.
    signal[(TIME_S > 4) & (TIME_S < 6)] = np.nan
    _, moved = windows_of(signal)
    first = next(window for window in moved if window.state == "rest")
    seen = ~np.isnan(signal[first.frames])
    assert seen.any() and breath[first.frames][seen].mean() > 0.6


def test_breath_signal_is_the_mean_of_tra_and_io_where_seen() -> None:
    sure = np.ones(3)
    nan = float("nan")
    thickness = [
        Quantity("thickness", Structure.EO, "mm", np.array([9.0, 1.0, 1.0]), sure),
        Quantity("thickness", Structure.IO, "mm", np.array([10.0, 11.0, nan]), sure),
        Quantity("thickness", Structure.TRA, "mm", np.array([4.0, 4.4, nan]), sure),
    ]
    value = breath_signal(thickness)
    assert value[:2] == pytest.approx([(10 / 10.5 + 4 / 4.2) / 2, (11 / 10.5 + 4.4 / 4.2) / 2])
    assert np.isnan(value[2])


@pytest.mark.parametrize("seed", range(6))
def test_generated_breathing_is_met_at_its_end(seed: int) -> None:
    rng = np.random.Generator(np.random.SFC64([77, seed]))
    drawn = draw_clip(rng, View.ABDOMINAL_WALL, PLAIN, task=Task.REST, frame_rate_hz=10.0)
    plan = with_breathing(rng, drawn, 10.0)
    truth = clip_truth(plan)
    each = [wall_thickness_mm(edges, truth.x_mm, 0.0) for edges in truth.edges_mm]
    sure = np.ones(truth.time_s.size)
    tra, io = (
        Quantity("thickness", layer, "mm", np.array([value[layer] for value in each]), sure)
        for layer in (Structure.TRA, Structure.IO)
    )
    whole = (Window("rest", 0, truth.time_s.size - 1, 1),)
    signal = breath_signal([tra, io])
    (moved,) = rest_after_breath_out(signal, spells_of(truth.time_s, []), whole, SMALLEST_BREATH)
    assert moved != whole[0]
    # The generator moves TrA alike, so its true thickness is near its greatest there.
    low, high = np.percentile(tra.value, (2, 98))
    assert tra.value[moved.frames].mean() > low + 0.8 * (high - low)


def test_clip_with_breathing_is_measured_at_the_end_of_a_breath_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count, frame_s = 120, 0.1
    breath = 3 * np.sin(2 * np.pi * np.arange(count) * frame_s / 4)
    rows = np.round(45 + breath + 22 * effort(count, 78, 112))
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(count), FrameTime=1000 * frame_s)
    segmenter = truth_segmenter(wall_labels, rows, View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    with pytest.raises(SystemExit) as ended:
        main(
            [
                "measure",
                str(source),
                "--out",
                str(tmp_path / "out"),
                "--no-overlay",
                "--task",
                "draw_in",
            ]
        )
    assert ended.value.code == 0
    (folder,) = (path for path in (tmp_path / "out").iterdir() if path.is_dir())
    measures = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["measures"]
    (rest,) = [m for m in measures if (m["name"], m["structure"]) == ("thickness_rest", "tra")]
    # At the tops, about 47.5 rows in the mean; over whole breaths it would be 45.
    assert rest["value"] == pytest.approx(47.5 * SPACING.row_mm, abs=0.08)
    assert REST_METHOD in rest["method"]
    first, last = (int(part) for part in rest["frames"].split("-"))
    assert breath[first : last + 1].min() > 0
