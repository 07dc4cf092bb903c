"""Measure error and refusals against each factor of the generator, one at a time and all at once.

python scripts/robustness.py --out out/robustness       prints tables; writes CSV and one page
python scripts/robustness.py --scenes 4 --kinds still   a quick look, at stills alone
python scripts/robustness.py --factors gain noise       at two factors
python scripts/robustness.py --factors --kinds --scenes 100   at 1,000 pictures of neither view
"""

import argparse
import csv
import io
import itertools
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, fields, replace
from pathlib import Path

import cv2
import numpy as np
from robustness_page import ALL_DRAWN, ALL_OFF, NEITHER, Bin, Point, draw_page

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import LayermotionError
from layermotion.evaluation.clips import load_unjudged
from layermotion.evaluation.compare import Comparison, compare_frames
from layermotion.files import write_text
from layermotion.labels import WALL_LAYERS, Structure, Task, View
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import load_segmenter
from layermotion.normal import Z95
from layermotion_synthetic.clips import ClipPlan, clip_truth, draw_clip, render_clip
from layermotion_synthetic.factors import PLAIN, SHARES, TWO_SIDED
from layermotion_synthetic.write import write_still, write_video

# No other use of the generator starts its seeds with this word.
ROBUSTNESS_STREAM = 20_261_125_3
ONE_SIDED_AT, TWO_SIDED_AT = (0.0, 0.5, 1.0, 1.5), (-1.5, -1.0, 0.0, 1.0, 1.5)
CLIPS_ONLY = ("persistence", "probe_motion", "breathing", "peristalsis", "decorrelation")
BLADDER_ONLY = (
    "small_bladder",
    "thick_bladder_wall",
    "indented_bladder",
    "bladder_out_of_view",
)
WALL_ONLY = (
    "fat_thickness",
    "muscle_thickness",
    "cut_below",
    "extra_depth",
    "double_fascia",
    "medial_end",
    "thin_eo",
)
# Two pictures side by side are told apart before measuring, so they are no factor here.
FACTORS = tuple(name for name in SHARES if name != "split_screen")
# Slow efforts need few frames, a still one; persistence shows over the times of a scanner's frames.
RATE_HZ, STILL_RATE_HZ, PERSISTENCE_RATE_HZ = 3.0, 1.0, 10.0
STILLS = ("still", "neither")
KINDS = ("still", "clip", "bladder")
FRAMES_COMPARED = 8
# Edges of the groups by confidence in which stated and true error are compared.
CONFIDENCES = (0.0, 0.87, 0.9, 0.925, 0.95, 1.0)
# Share of views of neither kind that may yield a measure, percent (our choice).
MOST_INVENTED = 2.0


@dataclass(frozen=True)
class Job:
    """One picture or clip to draw and measure; ``strength`` is NaN where factors are drawn."""

    kind: str
    factor: str
    strength: float
    number: int


@dataclass(frozen=True)
class Row:
    """One value asked for.

    Parameters
    ----------
    error_mm
        Measured minus true; NaN where it was withheld or the clip refused.
    confidence, stated_mm
        Confidence of a value that was given, and the error that 95 % of such values are said to
        stay within; else NaN.
    """

    kind: str
    factor: str
    strength: float
    number: int
    structure: str
    error_mm: float
    reason: str
    confidence: float = float("nan")
    stated_mm: float = float("nan")


def jobs(names: Sequence[str], scenes: int, wanted: Sequence[str] = KINDS) -> Iterator[Job]:
    """Every factor at every strength, then all off, all drawn, and views of neither kind."""
    for name in names:
        levels = TWO_SIDED_AT if name in TWO_SIDED else ONE_SIDED_AT
        kinds = [] if name in BLADDER_ONLY else ["clip" if name in CLIPS_ONLY else "still"]
        kinds += [] if name in WALL_ONLY else ["bladder"]
        for kind in (kind for kind in kinds if kind in wanted):
            for level in levels:
                # At its plain strength a factor is one with all the others.
                if level != PLAIN[name]:
                    yield from (Job(kind, name, level, k) for k in range(scenes))
    for kind in wanted:
        yield from (Job(kind, ALL_OFF, 0.0, k) for k in range(scenes))
        yield from (Job(kind, ALL_DRAWN, float("nan"), k) for k in range(4 * scenes))
    yield from (Job("neither", NEITHER, float("nan"), k) for k in range(10 * scenes))


def draw(job: Job) -> ClipPlan:
    """Draw what a job asks for: the same scene at every strength of every factor."""
    seed = [ROBUSTNESS_STREAM, (*KINDS, "neither").index(job.kind), job.number]
    rng = np.random.Generator(np.random.SFC64(seed))
    forced = {} if np.isnan(job.strength) else dict(PLAIN)
    if job.factor in SHARES:
        forced[job.factor] = job.strength
    view = {"bladder": View.BLADDER, "neither": None}.get(job.kind, View.ABDOMINAL_WALL)
    tasks = {"bladder": Task.PELVIC_FLOOR_LIFT, "clip": Task.DRAW_IN}
    rate_hz = STILL_RATE_HZ if job.kind in STILLS else RATE_HZ
    if job.factor == "persistence":
        rate_hz = PERSISTENCE_RATE_HZ
    return draw_clip(rng, view, forced, task=tasks.get(job.kind, Task.REST), frame_rate_hz=rate_hz)


def measure(job: Job) -> list[Row]:
    """Draw, write, measure and compare one job."""
    cv2.setNumThreads(1)
    plan = draw(job)
    segmenter = load_unjudged()
    with tempfile.TemporaryDirectory() as folder, Recording() as recording:
        try:
            clip = open_clip(write(plan, job, Path(folder)), options(plan))
            analysis = analyse(clip, segmenter, parse_site("muscle-centre"), recording)
        except LayermotionError as error:
            reason = str(error).split(": ")[-1]
            return refused(job, plan, reason)
    if plan.view is None:
        return [_row(job, *invented) for invented in _invented(analysis)]
    if analysis.view is not plan.view:
        return refused(job, plan, f"taken for {analysis.view}")
    frames = np.unique(np.linspace(0, plan.motion.time_s.size - 1, FRAMES_COMPARED).astype(int))
    chosen = [0] if job.kind == "still" else frames.tolist()
    compared = compare_frames(analysis, plan, clip_truth(plan), chosen)
    grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)

    def row_of(one: Comparison) -> Row:
        if np.isnan(one.error):
            return _row(job, one.structure, one.error, "withheld")
        is_base = one.structure == Structure.BLADDER
        name = "base_displacement" if is_base else f"thickness_{one.structure}"
        stated_px = Z95 * segmenter.error_px(name, one.confidence)
        row = _row(job, one.structure, one.error, "")
        return replace(
            row, confidence=one.confidence, stated_mm=stated_px * (grid.mm_per_pixel or 1.0)
        )

    return [row_of(one) for one in compared] or refused(job, plan, "no site")


def refused(job: Job, plan: ClipPlan, reason: str) -> list[Row]:
    """Every value asked for, withheld: as many as a clip that is measured gives."""
    structures = (Structure.BLADDER,) if plan.view is View.BLADDER else WALL_LAYERS
    count = 1 if job.kind in STILLS else FRAMES_COMPARED
    return [_row(job, structure, float("nan"), reason) for structure in count * structures]


def write(plan: ClipPlan, job: Job, folder: Path) -> Path:
    """Write what a scanner would give: a picture of the screen, or a video of it."""
    if job.kind in STILLS:
        write_still(folder, "view", plan)
        return folder / "view.png"
    path = folder / "view.mp4"
    write_video(path, (screen for screen, _ in render_clip(plan)), plan.frame_rate_hz)
    return path


def options(plan: ClipPlan) -> SourceOptions:
    """State what a user knows: the scale, and the task where there is an effort; not the view."""
    task = plan.motion.task if plan.motion.repeats else None
    return SourceOptions(mm_per_pixel=(plan.grid.row_mm, plan.grid.column_mm), task=task)


def _row(job: Job, structure: str, error_mm: float, reason: str) -> Row:
    return Row(job.kind, job.factor, job.strength, job.number, str(structure), error_mm, reason)


def _invented(analysis: Analysis) -> list[tuple[str, float, str]]:
    """Values measured where there is nothing to measure; one withheld row where there are none."""
    found = [
        (measure.structure, measure.value, "invented")
        for measure in analysis.measures
        if measure.value is not None and measure.unit == "mm"
    ]
    return found or [("none", float("nan"), "withheld")]


def summarise(rows: Sequence[Row]) -> list[Point]:
    """Mean error and share withheld of each structure at each strength."""
    groups: dict[tuple[str, str, float, str], list[Row]] = {}
    for row in rows:
        if row.factor != NEITHER:
            # NaN is no key: it does not equal itself.
            level = 0.0 if np.isnan(row.strength) else row.strength
            groups.setdefault((row.kind, row.factor, level, row.structure), []).append(row)
    points = []
    for (kind, factor, level, structure), group in groups.items():
        errors = np.array([row.error_mm for row in group])
        kept = np.abs(errors[~np.isnan(errors)])
        points.append(
            Point(
                kind,
                factor,
                level,
                structure,
                values=errors.size,
                mean_error_mm=float(kept.mean()) if kept.size else float("nan"),
                error_95_mm=float(np.quantile(kept, 0.95)) if kept.size else float("nan"),
                withheld_percent=100 * float(np.isnan(errors).mean()),
            )
        )
    return points


def reliability(rows: Sequence[Row]) -> list[Bin]:
    """Set the error that is stated beside the true one, by confidence, home and away.

    Away are strengths beyond those of training; all factors drawn count as home.
    """
    bins = []
    for away in (False, True):
        given = [row for row in rows if row.confidence > 0 and (abs(row.strength) > 1) == away]
        for low, high in itertools.pairwise(CONFIDENCES):
            group = [row for row in given if low < row.confidence <= high]
            if group:
                size = np.abs([row.error_mm for row in group])
                stated = np.array([row.stated_mm for row in group])
                bins.append(
                    Bin(
                        away,
                        float(np.mean([row.confidence for row in group])),
                        len(group),
                        stated_mm=float(np.median(stated)),
                        error_95_mm=float(np.quantile(size, 0.95)),
                        inside_percent=100 * float(np.mean(size <= stated)),
                    )
                )
    return bins


def invented_percent(rows: Sequence[Row]) -> tuple[float, int]:
    """Share of the pictures of neither view that yield a measure, and their number."""
    numbers = {row.number for row in rows if row.factor == NEITHER}
    wrong = {row.number for row in rows if row.factor == NEITHER and row.reason == "invented"}
    return 100 * len(wrong) / max(len(numbers), 1), len(numbers)


def to_csv(rows: Sequence[Row]) -> str:
    """Every value as one line of text."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(field.name for field in fields(Row))
    for row in rows:
        values = ["" if value != value else value for value in astuple(row)]
        table.writerow(f"{value:.4f}" if isinstance(value, float) else value for value in values)
    return stream.getvalue()


def show(points: Sequence[Point], bins: Sequence[Bin], invented: tuple[float, int]) -> None:
    """Print all strengths of all factors, then reliability, then what was invented."""
    print(
        f"{'':9}{'factor':34}{'strength':>9}{'':>9}{'n':>6}{'MAE mm':>9}{'95 %':>8}{'withheld':>10}"
    )
    for point in points:
        level = "" if point.factor == ALL_DRAWN else f"{point.strength:+.1f}"
        print(
            f"{point.kind:9}{point.factor:34}{level:>9}{point.structure:>9}{point.values:6d}"
            f"{point.mean_error_mm:9.3f}{point.error_95_mm:8.2f}{point.withheld_percent:9.1f}%"
        )
    print(f"{'':9}{'confidence':>11}{'n':>7}{'stated mm':>11}{'true 95 %':>11}{'inside':>9}")
    for row in bins:
        print(
            f"{'beyond' if row.away else 'within':9}{row.confidence:11.3f}{row.values:7d}"
            f"{row.stated_mm:11.2f}{row.error_95_mm:11.2f}{row.inside_percent:8.1f}%"
        )
    share, count = invented
    verdict = "met" if share <= MOST_INVENTED else "MISSED"
    print(f"neither view: {share:.1f} % of {count} yield a measure, "
          f"limit {MOST_INVENTED:g} %, {verdict}")  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description="Error and refusals against each factor.")
    parser.add_argument("--scenes", type=int, default=12, help="scenes at each strength")
    parser.add_argument("--factors", nargs="*", choices=FACTORS, default=FACTORS, metavar="NAME")
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=KINDS, metavar="KIND")
    parser.add_argument("--out", type=Path, default=Path("out/robustness"))
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    asked = parser.parse_args(arguments)
    if asked.scenes < 1:
        parser.error("--scenes must be 1 or more.")
    started_s = time.monotonic()
    work = list(jobs(asked.factors, asked.scenes, asked.kinds))
    with multiprocessing.get_context("spawn").Pool(asked.processes) as pool:
        rows = []
        for done, part in enumerate(pool.imap(measure, work, chunksize=2), start=1):
            rows += part
            if done % 100 == 0:
                print(f"{done} of {len(work)}", file=sys.stderr)
    weights = load_segmenter().name
    print(
        f"weights {weights}, {len(work)} pictures and clips, {time.monotonic() - started_s:.0f} s"
    )
    points, bins, invented = summarise(rows), reliability(rows), invented_percent(rows)
    show(points, bins, invented)
    write_text(asked.out / "robustness.csv", to_csv(rows))
    write_text(asked.out / "robustness.html", draw_page(points, bins, PLAIN, invented, weights))
    print(f"written to {asked.out}")


if __name__ == "__main__":
    main()
