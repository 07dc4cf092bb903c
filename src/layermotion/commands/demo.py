"""Owns the demonstration: two invented clips made, measured and set beside their known truth."""

import csv
import shutil
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from layermotion.analysis.analysis import analyse
from layermotion.clip.source import open_clip
from layermotion.commands.measure import MeasureOptions
from layermotion.commands.results import Output, write_results
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.evaluation.compare import Comparison, compare_measures
from layermotion.files import atomic_path
from layermotion.labels import Task, View
from layermotion.network.segmenter import load_segmenter
from layermotion.session.plan import TABLE, Side
from layermotion_synthetic.clips import draw_clip
from layermotion_synthetic.factors import PLAIN
from layermotion_synthetic.write import write_clip

# The scenario: a person draws in the abdominal wall twice, then lifts the pelvic floor. Seeds
# were chosen for a plain picture of each; nothing else depends on them.
FRAME_RATE_HZ = 20.0
DEMO_CAUTION = (
    "Not a medical device. Invented clips; every number is a draft until a licensed clinician "
    "confirms it."
)


@dataclass(frozen=True)
class _Part:
    name: str
    side: Side
    view: View
    task: Task
    seed: int
    repeats: int
    is_dicom: bool


PARTS = (
    _Part("wall-draw-in", Side.LEFT, View.ABDOMINAL_WALL, Task.DRAW_IN, 30, 2, True),
    _Part(
        "bladder-pelvic-floor-lift",
        Side.MIDLINE,
        View.BLADDER,
        Task.PELVIC_FLOOR_LIFT,
        28,
        2,
        False,
    ),
)


def run_demo(out: Path) -> None:
    """Make both clips below ``out``, measure them, and print measured against true values."""
    console = Console()
    console.print(DEMO_CAUTION)
    segmenter = load_segmenter(threads=1)
    reports, planned = [], []
    for part in PARTS:
        started_s = time.monotonic()
        rng = np.random.Generator(np.random.SFC64(part.seed))
        plan = draw_clip(
            rng, part.view, PLAIN, task=part.task, frame_rate_hz=FRAME_RATE_HZ, repeats=part.repeats
        )
        truth = write_clip(
            out / "clips", part.name, plan, dicom=part.is_dicom, video=not part.is_dicom
        )
        source = out / "clips" / f"{part.name}.{'dcm' if part.is_dicom else 'mp4'}"
        made_s = time.monotonic() - started_s
        # The mp4 states no scale, so it is given, as a user would from the ruler on the screen.
        spacing = None if part.is_dicom else f"{plan.grid.row_mm:.6f},{plan.grid.column_mm:.6f}"
        options = MeasureOptions(mm_per_pixel=spacing, task=part.task)
        planned.append(
            {
                "file": source.relative_to(out).as_posix(),
                "task": part.task,
                "side": part.side,
                "repeat": 1,
                "mm_per_pixel": spacing or "",
            }
        )
        clip = open_clip(source, options.of_source())
        with Recording() as recording:
            analysis = analyse(clip, segmenter, parse_site(options.site), recording)
            folder = out / part.name
            reports.append(write_results(folder, analysis, segmenter, Output()))
        total_s = time.monotonic() - started_s
        console.print(
            f"\n{source.name}: {len(recording)} frames, made in {made_s:.1f} s, "
            f"measured in {total_s - made_s:.1f} s, {analysis.view} {analysis.footage.view_reason}"
        )
        console.print(_table(compare_measures(analysis, plan, truth)))
    with (
        atomic_path(out / TABLE) as target,
        target.open("w", encoding="utf-8", newline="") as table,
    ):
        writer = csv.DictWriter(table, list(planned[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(planned)
    for report in reports:
        print(report)
    print(f"To look at the clips, correct and sign: {command_here()} review {out}")


def command_here() -> str:
    """Give what starts layermotion when typed: its path where no folder of PATH holds it."""
    beside = shutil.which("layermotion", path=str(Path(sys.executable).parent))
    if shutil.which("layermotion") or not beside:
        return "layermotion"
    here = Path.cwd()
    return str(Path(beside).relative_to(here) if Path(beside).is_relative_to(here) else beside)


def _table(rows: list[Comparison]) -> Table:
    table = Table("measure", "repeat", "measured", "true", "error", "interval")
    for row in rows:
        if row.measured is None or row.low is None or row.high is None or row.unit == "ratio":
            continue
        digits = 1 if row.unit == "%" else 2
        table.add_row(
            f"{row.structure} {row.name.replace('_', ' ')}",
            row.repeat,
            f"{row.measured:.{digits}f} {row.unit}",
            f"{row.true:.{digits}f}",
            f"{row.error:+.{digits}f}",
            f"{row.low:.{digits}f} to {row.high:.{digits}f}",
        )
    return table
