"""The public Python interface: what a researcher's script may rely on, with nothing private."""

import ast
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import layermotion as lm
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.write import write_clip

HERE = Path(__file__)


def test_this_test_imports_nothing_private() -> None:
    tree = ast.parse(HERE.read_text(encoding="utf-8"))
    names = [
        name
        for node in ast.walk(tree)
        for name in (
            [node.module]
            if isinstance(node, ast.ImportFrom)
            else [part.name for part in node.names]
            if isinstance(node, ast.Import)
            else []
        )
    ]
    own = [name for name in names if str(name).partition(".")[0] == "layermotion"]
    assert own == ["layermotion"]


def test_every_public_name_is_there_and_documented() -> None:
    for name in lm.__all__:
        found = getattr(lm, name)
        assert name in ("__version__", "STRUCTURES") or found.__doc__
    assert set(dir(lm)) == set(lm.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = lm.nothing


def test_importing_the_package_loads_nothing_heavy() -> None:
    program = "import sys, layermotion; print(*sorted(sys.modules))"
    ended = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    heavy = {"numpy", "cv2", "onnxruntime", "av", "pydicom", "torch", "matplotlib"}
    assert heavy.isdisjoint(ended.stdout.split())


def test_a_clip_is_opened_measured_and_read_as_arrays(tmp_path: Path) -> None:
    rng = np.random.Generator(np.random.SFC64(30))
    plan = draw_clip(
        rng, lm.View.ABDOMINAL_WALL, PLAIN, task=lm.Task.DRAW_IN, frame_rate_hz=6.0, repeats=1
    )
    truth = write_clip(tmp_path, "clip", plan, video=False)
    clip = lm.open_clip(tmp_path / "clip.dcm", task=lm.Task.DRAW_IN)
    assert isinstance(clip, lm.Clip) and clip.spacing is not None
    assert clip.spacing.row_mm == pytest.approx(plan.grid.row_mm, abs=1e-4)
    found = lm.measure(clip)
    frames = truth.time_s.size
    assert found.series.time_s.shape == (frames,)
    thickness = found.series.get("thickness", lm.Structure.TRA)
    assert thickness is not None and thickness.unit == "mm"
    assert thickness.value.shape == thickness.confidence.shape == (frames,)
    changes = [
        m
        for m in found.measures
        if (m.name, m.structure, m.unit) == ("thickness_change", "tra", "mm")
    ]
    assert len(changes) == found.efforts.count.number == 1
    change = changes[0]
    assert change.status is lm.Status.DRAFT
    assert change.value is not None and change.low is not None and change.high is not None
    assert change.low < change.value < change.high
    assert {window.state for window in found.efforts.windows} == {"rest", "contracted"}


def test_a_grey_array_is_segmented_in_three_lines() -> None:
    rng = np.random.Generator(np.random.SFC64(30))
    plan = draw_clip(rng, lm.View.ABDOMINAL_WALL, PLAIN, task=lm.Task.REST)
    screen, truth = next(iter(render_clip(plan)))
    grey, true = screen[plan.area.slices], truth[plan.area.slices]

    segmenter = lm.load_segmenter()
    labels = lm.segment(grey, segmenter, mm_per_pixel=(plan.grid.row_mm, plan.grid.column_mm))

    assert labels.shape == grey.shape and labels.dtype == np.uint8
    for structure in (lm.Structure.EO, lm.Structure.IO, lm.Structure.TRA):
        value = lm.STRUCTURES.index(structure) + 1
        own, other = labels == value, true == value
        assert 2 * (own & other).sum() / (own.sum() + other.sum()) > 0.85


@pytest.mark.parametrize("pixels", [np.zeros((64, 64)), np.zeros((64, 64, 3), np.uint8)])
def test_what_is_no_grey_image_is_refused(pixels: np.ndarray) -> None:
    with pytest.raises(lm.InputError, match=r"is no grey image; give uint8 with shape"):
        lm.segment(pixels, lm.load_segmenter())


def test_errors_say_what_is_wrong(tmp_path: Path) -> None:
    with pytest.raises(lm.LayermotionError, match="does not exist"):
        lm.open_clip(tmp_path / "nothing.dcm")


def test_a_view_and_a_task_go_by_their_names_too(tmp_path: Path) -> None:
    """A view in letters was taken for the other one, and measured as it."""
    plan = draw_clip(np.random.Generator(np.random.SFC64(30)), lm.View.ABDOMINAL_WALL, PLAIN)
    write_clip(tmp_path, "clip", plan, video=False)
    path = tmp_path / "clip.dcm"
    clip = lm.open_clip(path, view="abdominal_wall", task="draw_in")
    assert clip.view is lm.View.ABDOMINAL_WALL and clip.task is lm.Task.DRAW_IN
    for words, said in (
        ({"view": "wall"}, "There is no view wall; give one of abdominal_wall, bladder."),
        ({"task": "lift"}, "There is no task lift; give one of rest, .*, "),
        ({"mm_per_pixel": 0.1}, r"The pixel size 0.1 is no pair of numbers; .* \(row, column\)"),
        ({"mm_per_pixel": (0.1,)}, r"The pixel size \(0.1,\) is no pair of numbers"),
    ):
        with pytest.raises(lm.InputError, match=said):
            lm.open_clip(path, **words)
    grey = np.zeros((64, 64), np.uint8)
    with pytest.raises(lm.InputError, match="is no pair of numbers"):
        lm.segment(grey, lm.load_segmenter(), mm_per_pixel=0.1)
