"""The shipped weights through the command line, on one wall clip and one bladder clip."""

import csv
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layermotion.labels import MUSCLES, WALL_LAYERS, Task, View
from layermotion.series.slide import REFERENCE
from layermotion_synthetic.clips import draw_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.write import write_clip

pytestmark = pytest.mark.slow

FILES = {"series.csv", "measures.csv", "measures.json", "overlay.mp4", "report.html"}


def measured(source: Path, *options: str) -> tuple[Path, dict[tuple[str, str, str], Any]]:
    """Results folder, and the measures of the first repeat by name, structure and unit."""
    command = [sys.executable, "-m", "layermotion.cli", "measure", str(source), *options]
    done = subprocess.run(
        [*command, "--out", str(source.parent / "out")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    folder = Path(done.stdout.strip()).parent
    assert {path.name for path in folder.iterdir()} == FILES
    assert "DRAFT" in (folder / "report.html").read_text(encoding="utf-8")
    record = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
    first = (m for m in record["measures"] if m["repeat"] == "1")
    return folder, {(m["name"], m["structure"], m["unit"]): m for m in first}


def test_wall_dicom(tmp_path: Path) -> None:
    rng = np.random.Generator(np.random.SFC64(205))
    plan = draw_clip(rng, View.ABDOMINAL_WALL, PLAIN, task=Task.DRAW_IN, frame_rate_hz=5)
    truth = write_clip(tmp_path, "wall", plan, video=False)
    folder, found = measured(tmp_path / "wall.dcm", "--task", "draw_in", "--site", "image-centre")
    tra_mm = truth.edges_mm[:, 3, 1] - truth.edges_mm[:, 3, 0]  # vertical; the layers are flat
    middle_mm = tra_mm[:, tra_mm.shape[1] // 2]
    change_mm = middle_mm[plan.motion.activation > 0.9].mean() - middle_mm[0]
    change = found["thickness_change", "tra", "mm"]
    assert change["status"] == "draft"
    assert change["value"] == pytest.approx(change_mm, abs=0.6)
    assert change["low"] < change["value"] < change["high"]
    assert ("thickness_change", "fat", "mm") not in found
    with (folder / "series.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len({row["frame"] for row in rows}) == plan.motion.time_s.size
    quantities = {(row["quantity"], row["structure"]) for row in rows}
    expected = {("thickness", layer) for layer in WALL_LAYERS}
    expected |= {("slide", muscle) for muscle in MUSCLES if muscle is not REFERENCE}
    expected |= {("probe_shift", "image"), ("medial_edge", "tra")}
    assert expected == quantities


def test_bladder_video(tmp_path: Path) -> None:
    rng = np.random.Generator(np.random.SFC64(13))
    plan = draw_clip(rng, View.BLADDER, PLAIN, task=Task.PELVIC_FLOOR_LIFT, frame_rate_hz=5)
    truth = write_clip(tmp_path, "lift", plan, dicom=False)
    spacing = f"{plan.grid.row_mm:.6f},{plan.grid.column_mm:.6f}"
    _, found = measured(
        tmp_path / "lift.mp4", "--task", "pelvic_floor_lift", "--mm-per-pixel", spacing
    )
    lift = found["base_displacement", "bladder", "mm"]
    held = truth.base_displacement_mm[plan.motion.activation > 0.9].mean()
    assert held > 3  # there is a lift to find
    assert lift["value"] == pytest.approx(held, abs=0.5)
    assert lift["low"] <= held <= lift["high"]
