"""Measure motion and time in fresh synthetic clips with everything moving, beside their truth.

python scripts/motion.py                prints the figures, each with its limit
python scripts/motion.py --truth-edges  takes the edges from the truth: what tracking alone does
python scripts/motion.py --write        also stores the figures with the weights
"""

import argparse
import hashlib
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from evaluate import store
from numpy.typing import NDArray

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.second_look import cut_below
from layermotion.edges.site import parse_site
from layermotion.errors import LayermotionError
from layermotion.evaluation.clips import load_unjudged
from layermotion.evaluation.compare import (
    Comparison,
    compare_measures,
    compare_timing,
    slide_truth_mm,
)
from layermotion.labels import CLASS_COUNT, MUSCLES, Structure, Task, View
from layermotion.measures.bladder import MUCH_UNSEEN
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import VIEW_CLASSES, Segmenter, load_segmenter
from layermotion.tissue.tracker import MotionTracker
from layermotion_synthetic.clips import ClipPlan, ClipTruth, clip_truth, draw_clip, render_clip
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.motion import BLADDER_TASKS
from layermotion_synthetic.variants import frames_shown, with_breathing, with_slip
from layermotion_synthetic.write import write_video

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# No other use of the generator starts its seeds with this word.
MOTION_STREAM = 20_261_204
KINDS = ("draw_in", "bladder", "cough", "rest", "slip")
RATE_HZ = 30.0
COUGH_RATES_HZ = (25.0, 50.0)
LOST_FRAMES = 0.02
SLIP_MM = 10.0
REST_SECONDS = 10.0
# Slide is asked for up to this, mm.
MOST_SLIDE_MM = 20.0


@dataclass(frozen=True)
class Figure:
    """One line of the result: how values become a number, and the limit it must keep."""

    name: str
    unit: str
    take: Callable[[Array], float]
    limit: float
    is_floor: bool = False

    def is_met(self, value: float) -> bool:
        """Tell whether a value keeps the limit."""
        return value >= self.limit if self.is_floor else value <= self.limit


def _mean(values: Array) -> float:
    return float(np.abs(values).mean())


def _median(values: Array) -> float:
    return float(np.median(np.abs(values)))


def _percent(values: Array) -> float:
    return 100 * float(values.mean())


FIGURES = (
    Figure("slide, mean error", "mm", _mean, 0.5),
    Figure("base displacement, mean error", "mm", _mean, 0.4),
    Figure("base displacement in coughs, mean error", "mm", _mean, 0.4),
    Figure("probe shift, mean error", "mm", _mean, 0.3),
    Figure("base displacement, mean change by a 10 mm slip", "mm", _mean, 0.5),
    Figure("slide, mean change by a 10 mm slip", "mm", _mean, 0.5),
    Figure("onset, median error", "s", _median, 0.1),
    Figure("hold time, median error", "s", _median, 0.2),
    Figure("repeats counted right", "%", _percent, 98, is_floor=True),
    Figure("change of TrA thickness, median error", "points", _median, 5),
    Figure("activation ratio, median error", "", _median, 0.02),
    Figure("rest clips with a false contraction", "%", _percent, 0),
)
# What is not asked for but must be known: values given at all, and how wrong they can be.
SHOWN = (
    Figure("slide given", "% of frames", _percent, 0, is_floor=True),
    Figure("slide given where TrA and EO are seen", "% of frames", _percent, 0, is_floor=True),
    Figure("true slide in its interval", "%", _percent, 0, is_floor=True),
    Figure("slide, 95 % of errors within", "mm", lambda v: float(np.quantile(np.abs(v), 0.95)), 0),
    Figure("repeats counted right where seen", "%", _percent, 0, is_floor=True),
    Figure("number of repeats given as sure", "% of clips", _percent, 0, is_floor=True),
    Figure("repeats counted right where sure", "%", _percent, 0, is_floor=True),
    Figure("true onset in its interval", "%", _percent, 0, is_floor=True),
    Figure("true hold time in its interval", "%", _percent, 0, is_floor=True),
)


@dataclass(frozen=True)
class ClipResult:
    """What one clip gave.

    Parameters
    ----------
    values
        Errors, or 0 and 1, by the name of the figure they belong to.
    cost_ms
        CPU time of tracking for each frame; NaN where it was not timed.
    """

    kind: str
    number: int
    failure: str = ""
    values: dict[str, list[float]] = field(default_factory=dict)
    cost_ms: float = float("nan")


@dataclass(frozen=True, eq=False)
class TruthSegmenter(Segmenter):
    """Answers with the true labels of the frames of one clip, softened like a network's answer.

    ``known`` holds for each image on the model input the labels of its frame, how they lie there,
    and the step through its columns, -1 where it is mirrored.
    """

    known: dict[bytes, tuple[Grey, ModelGrid, int]] = field(default_factory=dict)
    view: View | None = None

    def run(
        self, images: NDArray[np.uint8] | NDArray[np.float32]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Look the image up."""
        labels, grid, step = self.known[_key(images[0])]
        soft = np.zeros((CLASS_COUNT, *grid.shape), np.float32)
        for value in range(1, CLASS_COUNT):
            mask = grid.to_model(255 * (labels == value).astype(np.uint8))[:, ::step]
            soft[value] = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 1.0)
        soft[0] = 1 - soft[1:].sum(axis=0)
        view = np.full((1, len(VIEW_CLASSES)), 0.02, np.float32)
        view[0, VIEW_CLASSES.index(self.view)] = 0.96
        return soft[None], view


def _key(image: NDArray[Any]) -> bytes:
    return hashlib.sha256(image.tobytes()).digest()


@dataclass(frozen=True, eq=False)
class Filmed:
    """A clip on disk with its truth, frame by frame as shown."""

    plan: ClipPlan
    truth: ClipTruth
    shown: NDArray[np.intp]
    path: Path
    labels: list[Grey]


def draw(kind: str, number: int) -> ClipPlan:
    """Draw clip ``number`` of one kind."""
    rng = seeded(kind, number)
    repeats = int(rng.integers(1, 4))
    if kind == "cough":
        rate_hz = float(rng.uniform(*COUGH_RATES_HZ))
        return draw_clip(
            rng, View.BLADDER, USUAL, task=Task.COUGH, frame_rate_hz=rate_hz, repeats=repeats
        )
    is_bladder = kind == "bladder" or (kind in ("rest", "slip") and number % 2 == 1)
    view = View.BLADDER if is_bladder else View.ABDOMINAL_WALL
    efforts = [task for task in BLADDER_TASKS[1:] if task is not Task.COUGH]
    task = efforts[int(rng.integers(len(efforts)))] if is_bladder else Task.DRAW_IN
    if kind in ("rest", "slip"):
        repeats = 1
    plan = draw_clip(rng, view, USUAL, task=task, frame_rate_hz=RATE_HZ, repeats=repeats)
    return with_breathing(rng, plan, REST_SECONDS) if kind == "rest" else plan


def seeded(kind: str, number: int, use: int = 0) -> np.random.Generator:
    """Give the generator of one clip, or of one more use of it."""
    return np.random.Generator(np.random.SFC64([MOTION_STREAM, KINDS.index(kind), number, use]))


def film(plan: ClipPlan, path: Path, rng: np.random.Generator) -> Filmed:
    """Render a clip, lose some frames, write it as video."""
    rendered = list(render_clip(plan))
    shown = frames_shown(rng, len(rendered), LOST_FRAMES)
    write_video(path, [rendered[i][0] for i in shown], plan.frame_rate_hz)
    truth = clip_truth(plan)
    seen = replace(
        truth,
        edges_mm=truth.edges_mm[shown],
        base_displacement_mm=truth.base_displacement_mm[shown],
        slide_mm=truth.slide_mm[shown],
    )
    return Filmed(plan, seen, shown, path, [rendered[i][1] for i in shown])


def measured(filmed: Filmed, truth_edges: bool, recording: Recording) -> tuple[Clip, Analysis]:
    """Measure a clip as a user would who states the task, except for rest."""
    plan = filmed.plan
    task = plan.motion.task if plan.motion.repeats else None
    spacing = (plan.grid.row_mm, plan.grid.column_mm)
    clip = open_clip(filmed.path, SourceOptions(mm_per_pixel=spacing, task=task, view=plan.view))
    segmenter = load_unjudged()
    if truth_edges:
        grid = ModelGrid.for_area(clip.area, clip.spacing, segmenter.size_px)
        looks = ((grid, 1), (cut_below(grid, clip.spacing), -1))
        known = {
            _key(np.ascontiguousarray(each.to_model(frame.pixels)[:, ::step])): (label, each, step)
            for frame, label in zip(clip.frames(), filmed.labels, strict=True)
            for each, step in looks
        }
        own = {name: getattr(segmenter, name) for name in segmenter.__dataclass_fields__}
        segmenter = TruthSegmenter(**own, known=known, view=plan.view)
    return clip, analyse(clip, segmenter, parse_site("muscle-centre"), recording)


def study_clip(job: tuple[str, int, bool]) -> ClipResult:
    """Draw, film, measure and compare one clip."""
    kind, number, truth_edges = job
    cv2.setNumThreads(1)
    plan = draw(kind, number)
    result = ClipResult(kind, number)
    with tempfile.TemporaryDirectory() as folder:
        filmed = film(plan, Path(folder) / "clip.mp4", seeded(kind, number, 1))
        try:
            with Recording() as recording:
                clip, analysis = measured(filmed, truth_edges, recording)
                cost_ms = time_tracking(clip, analysis, recording)
            values = score(filmed, analysis)
            if kind == "slip":
                moved = with_slip(seeded(kind, number, 2), plan, SLIP_MM)
                slipped = film(moved, Path(folder) / "slipped.mp4", seeded(kind, number, 1))
                with Recording() as recording:
                    _, other = measured(slipped, truth_edges, recording)
                values = {
                    "probe shift, mean error": score(slipped, other)["probe shift, mean error"],
                    **slip_changes(filmed, analysis, other),
                }
        except LayermotionError as error:
            return replace(result, failure=str(error))
    return replace(result, values=values, cost_ms=cost_ms)


def time_tracking(clip: Clip, analysis: Analysis, recording: Recording) -> float:
    """CPU time of tracking in ms for each frame, with the edges found before."""
    site_px = analysis.site_px if analysis.view is View.ABDOMINAL_WALL else None
    tracker = MotionTracker(clip.spacing, clip.area, analysis.view, site_px)
    frames = [(frame.pixels, recording[frame.index]) for frame in clip.frames()]
    started_s = time.thread_time()
    for pixels, edges in frames:
        tracker.update(pixels, edges)
    return 1e3 * (time.thread_time() - started_s) / len(frames)


def score(filmed: Filmed, analysis: Analysis) -> dict[str, list[float]]:
    """Compare one clip with its truth."""
    plan, truth, motion = filmed.plan, filmed.truth, filmed.plan.motion
    contracted = [window for window in analysis.efforts.windows if window.state == "contracted"]
    values: dict[str, list[float]] = {}
    shift = analysis.series.get("probe_shift", "image")
    assert shift is not None
    poses = [motion.poses[i] for i in filmed.shown]
    moved = np.array([[pose.probe_lateral_mm, pose.probe_depth_mm] for pose in poses])
    values["probe shift, mean error"] = _kept(shift.value - np.hypot(*(moved - moved[0]).T))
    if not motion.repeats:
        values["rest clips with a false contraction"] = [float(bool(contracted))]
    else:
        counted = [float(len(contracted) == len(motion.repeats))]
        values["repeats counted right"] = counted
        if share_seen(analysis) >= 1 - MUCH_UNSEEN:
            values["repeats counted right where seen"] = counted
        values["number of repeats given as sure"] = [float(analysis.efforts.count.is_sure)]
        if analysis.efforts.count.is_sure:
            values["repeats counted right where sure"] = counted
    if plan.view is View.BLADDER:
        base = analysis.series.get("base_displacement", Structure.BLADDER)
        rest = next((window for window in analysis.efforts.windows if window.state == "rest"), None)
        assert base is not None
        if rest is not None:
            zero = truth.base_displacement_mm[rest.frames].mean()
            where = " in coughs" if motion.task is Task.COUGH else ""
            values[f"base displacement{where}, mean error"] = _kept(
                base.value - (truth.base_displacement_mm - zero)
            )
    elif motion.repeats:
        slide = analysis.series.get("slide", Structure.TRA)
        assert slide is not None
        true = slide_truth_mm(analysis, plan, truth, filmed.shown)
        error = slide.value - true
        if np.nanmax(np.abs(true), initial=0) <= MOST_SLIDE_MM:
            values["slide, mean error"] = _kept(error)
            values["slide, 95 % of errors within"] = _kept(error)
            given = (~np.isnan(error)).astype(float)
            values["slide given"] = given.tolist()
            layers = [analysis.series.get("thickness", k) for k in (Structure.TRA, Structure.EO)]
            seen = np.all([~np.isnan(layer.value) for layer in layers if layer], axis=0)
            values["slide given where TrA and EO are seen"] = given[seen].tolist()
        for one in compare_measures(analysis, plan, truth):
            if (one.name, one.structure, one.unit) == ("thickness_change", "tra", "%"):
                values.setdefault("change of TrA thickness, median error", []).append(one.error)
            if one.name == "preferential_activation_ratio":
                values.setdefault("activation ratio, median error", []).append(one.error)
            if one.name == "slide":
                values.setdefault("true slide in its interval", []).append(_is_inside(one))
    for one in compare_timing(analysis, motion):
        name = {"onset_time": "onset", "hold_time": "hold time"}.get(one.name)
        if name and not np.isnan(one.error):
            values.setdefault(f"{name}, median error", []).append(one.error)
            values.setdefault(f"true {name} in its interval", []).append(_is_inside(one))
    return values


def _is_inside(one: Comparison) -> float:
    """1 where the truth lies in the interval of a measure that has one, else 0."""
    assert one.is_inside is not None
    return float(one.is_inside)


def share_seen(analysis: Analysis) -> float:
    """Share of the frames in which the bladder base, or the best seen muscle, has a value."""
    wanted = (
        [analysis.series.get("base_displacement", Structure.BLADDER)]
        if analysis.view is View.BLADDER
        else [analysis.series.get("thickness", muscle) for muscle in MUSCLES]
    )
    return max(float((~np.isnan(quantity.value)).mean()) for quantity in wanted if quantity)


def slip_changes(filmed: Filmed, one: Analysis, other: Analysis) -> dict[str, list[float]]:
    """Change of the displacement that a slip of the probe brings, frame by frame."""
    name, structure = (
        ("base_displacement", Structure.BLADDER)
        if filmed.plan.view is View.BLADDER
        else ("slide", Structure.TRA)
    )
    first, second = (analysis.series.get(name, structure) for analysis in (one, other))
    assert first is not None and second is not None
    words = name.replace("_", " ")
    return {f"{words}, mean change by a 10 mm slip": _kept(second.value - first.value)}


def _kept(values: Array) -> list[float]:
    kept: list[float] = values[~np.isnan(values)].tolist()
    return kept


def summarise(results: Sequence[ClipResult]) -> dict[str, Any]:
    """Put all clips into one table."""
    rows = []
    for figure in (*FIGURES, *SHOWN):
        groups = [r.values[figure.name] for r in results if r.values.get(figure.name)]
        values = np.array([value for group in groups for value in group])
        if values.size:
            rows.append(
                {
                    "figure": figure.name,
                    "unit": figure.unit,
                    "value": figure.take(values),
                    "limit": figure.limit if figure in FIGURES else None,
                    "is_met": figure.is_met(figure.take(values)) if figure in FIGURES else None,
                    "values": int(values.size),
                    "clips": len(groups),
                }
            )
    costs = np.array([r.cost_ms for r in results])
    return {
        "clips": len(results),
        "not_measured": [f"{r.kind} {r.number}: {r.failure}" for r in results if r.failure],
        "figures": rows,
        "tracking_ms_per_frame": float(np.nanmean(costs)),
    }


def show(summary: dict[str, Any]) -> None:
    """Print the table."""
    print(f"not measured: {len(summary['not_measured'])} of {summary['clips']} clips")
    for failure in summary["not_measured"]:
        print(f"  {failure}")
    print(f"{'figure':48}{'value':>9}  {'unit':12}{'limit':>6}{'values':>8}{'clips':>7}")
    for row in summary["figures"]:
        limit = "" if row["limit"] is None else f"{row['limit']:g}"
        verdict = {True: "met", False: "MISSED", None: ""}[row["is_met"]]
        print(f"{row['figure']:48}{row['value']:9.3f}  {row['unit']:12}{limit:>6}"
              f"{row['values']:8d}{row['clips']:7d}  {verdict}")  # fmt: skip
    print(f"tracking: {summary['tracking_ms_per_frame']:.1f} ms of processor time a frame")


def show_worst(results: Sequence[ClipResult]) -> None:
    """Print mean size of the errors of every clip, the largest first."""
    for figure in FIGURES:
        rows = [(_mean(np.array(v)), r) for r in results if (v := r.values.get(figure.name))]
        if figure.is_floor or not rows:
            continue
        worst = sorted(rows, key=lambda row: -row[0])[:6]
        print(f"{figure.name}: " + ", ".join(f"{r.kind} {r.number} {e:.2f}" for e, r in worst))


def main() -> None:
    """Measure, print, and store if asked."""
    parser = argparse.ArgumentParser(description="Compare measured with true motion.")
    parser.add_argument("--clips", type=int, default=100, help="clips of each kind")
    parser.add_argument("--first", type=int, default=0, help="number of the first clip")
    parser.add_argument(
        "--step", type=int, default=1, help="from one clip to the next; 2: slips of one view alone"
    )
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--truth-edges", action="store_true", help="edges from the truth")
    parser.add_argument("--worst", action="store_true", help="also print the worst clips")
    parser.add_argument("--write", action="store_true", help="store the figures with the weights")
    options = parser.parse_args()
    if options.write and (
        options.truth_edges or options.step != 1 or tuple(options.kinds) != KINDS
    ):
        parser.error("--write stores the whole study with the edges that the weights find")
    started_s = time.monotonic()
    numbers = range(options.first, options.first + options.step * options.clips, options.step)
    jobs = [(kind, number, options.truth_edges) for number in numbers for kind in options.kinds]
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        results = list(pool.imap(study_clip, jobs))
    name = load_segmenter().name
    edges = "true edges" if options.truth_edges else f"weights {name}"
    print(f"{edges}, {time.monotonic() - started_s:.0f} s")
    summary = summarise(results)
    show(summary)
    if options.worst:
        show_worst(results)
    if options.write:
        command = f"python scripts/motion.py --clips {options.clips} --first {options.first}"
        store(name, {"motion": {"command": command, **summary}})


if __name__ == "__main__":
    main()
