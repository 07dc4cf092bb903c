"""A visit of generated clips through the command line, with the shipped weights."""

import csv
import json
from pathlib import Path

import numpy as np
import pydicom
import pytest

from layermotion.agreement.auto import read_auto
from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.cli import main
from layermotion.labels import Task, View
from layermotion.measures.measure import Status
from layermotion.session.against import LARGER
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.write import write_dicom, write_video

PLAN = (
    ("left", Task.DRAW_IN, View.ABDOMINAL_WALL),
    ("midline", Task.COUGH, View.BLADDER),
    ("midline", Task.COUGH_PRELIFT, View.BLADDER),
)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["session", *(str(argument) for argument in arguments)])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.mark.slow
def test_visit_of_generated_clips_end_to_end(tmp_path: Path) -> None:
    clips, table = tmp_path / "clips", tmp_path / "visit.csv"
    clips.mkdir()
    lines = ["file,task,side,repeat"]
    for number, (side, task, view) in enumerate(PLAN):
        # Few and small frames: what is tested is the way, not the accuracy.
        plan = draw_clip(
            np.random.default_rng([11, number]),
            view,
            task=task,
            frame_rate_hz=4.0,
            screen_px=(240, 320),
        )
        frames = [screen for screen, _ in render_clip(plan)]
        write_dicom(clips / f"clip-{number}.dcm", frames, plan, compress=False)
        lines.append(f"clips/clip-{number}.dcm,{task},{side},1")
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    command = (table, "--out", out, "--no-overlay", "--export", "sr,fhir")
    assert run(*command) == 0
    with (out / "visit.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {(row["side"], row["task"]) for row in rows} >= {(s, t) for s, t, _ in PLAN}
    for row in rows:
        if row["value"]:
            assert float(row["low"]) <= float(row["value"]) <= float(row["high"])
            assert row["status"] == Status.DRAFT
            # Only a slide may have a value that must not be compared.
            assert row["reason"] in (("", LATERAL_UNKNOWN) if row["measure"] == "slide" else ("",))
        else:
            assert row["status"] == Status.NEEDS_MANUAL and row["reason"].endswith(".")
    measured = 0
    for side, task, _ in PLAN:
        folder = out / f"{side}-{task}-1"
        bundle = json.loads((folder / "observations.fhir.json").read_text(encoding="utf-8"))
        measures = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
        assert len(bundle["entry"]) == len(measures["measures"])
        measured += len(measures["measures"])
        assert pydicom.dcmread(folder / "measures.sr.dcm").PatientName == ""
    # The bench reads what a visit wrote, every unit of it.
    found = read_auto([out])
    assert len(found.readings) + len(found.unused) == measured
    # Against itself nothing has changed, and nothing is measured again.
    made = {path: path.stat().st_mtime_ns for path in out.glob("*/measures.json")}
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    document = json.loads((out / "visit.json").read_text(encoding="utf-8"))
    document["recordings"] = []
    (earlier / "visit.json").write_text(json.dumps(document), encoding="utf-8")
    assert run(*command, "--against", earlier) == 0
    assert made == {path: path.stat().st_mtime_ns for path in made}
    with (out / "changes.csv").open(encoding="utf-8", newline="") as stream:
        changes = list(csv.DictReader(stream))
    assert changes
    assert {float(change["change"]) for change in changes} == {0.0}
    assert LARGER not in {change["verdict"] for change in changes}


@pytest.mark.slow
def test_the_scale_of_the_visit_is_for_files_without_one(tmp_path: Path) -> None:
    plan = draw_clip(
        np.random.default_rng(30), View.ABDOMINAL_WALL, PLAIN, task=Task.REST, frame_rate_hz=2.0
    )
    visit = tmp_path / "visit"
    visit.mkdir()
    frames = [screen for screen, _ in render_clip(plan)]
    write_dicom(visit / "left_rest_1.dcm", frames, plan, compress=False)
    write_video(visit / "right_rest_1.mp4", frames, plan.frame_rate_hz)
    given = f"{1.2 * plan.grid.row_mm:.6f},{1.2 * plan.grid.column_mm:.6f}"
    assert run(visit, "--out", tmp_path / "out", "--no-overlay", "--mm-per-pixel", given) == 0
    with (tmp_path / "out" / "visit.csv").open(encoding="utf-8", newline="") as stream:
        rows = {
            row["side"]: float(row["value"])
            for row in csv.DictReader(stream)
            if (row["structure"], row["measure"], row["repeat"]) == ("eo", "thickness_rest", "1")
        }
    # The video shows the same wall a fifth larger; the file in DICOM keeps its own scale.
    assert rows["right"] / rows["left"] == pytest.approx(1.2, abs=0.03)
