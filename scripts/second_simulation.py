"""Measure pictures of another kind of simulation than the one that made the training pictures.

Echoes of point scatterers are received by an array of elements and beamformed; image formation,
texture and anatomy share nothing with the generator.

python scripts/second_simulation.py                  prints the figures
python scripts/second_simulation.py --show FILE.png  also draws measured and true edges
python scripts/second_simulation.py --write          also stores the figures with the weights
"""

import argparse
import multiprocessing
import os
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from evaluate import store
from layer_names import WRONG_SHARE, other_names
from numpy.typing import NDArray
from picture import Still, draw_still
from scipy.optimize import brentq

from layermotion.analysis.analysis import analyse
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import LayermotionError
from layermotion.evaluation.clips import load_unjudged
from layermotion.files import atomic_path
from layermotion.labels import WALL_LAYERS, Structure, View, label_of
from layermotion.network.segmenter import load_segmenter

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# What is compared: thickness of the layers, and depth of the bladder's base below the probe.
WHAT = {**{str(layer): "thickness" for layer in WALL_LAYERS}, "bladder": "depth of base"}
# An error beyond this is gross, mm (our choice: a third of a thin TrA; half of a small lift).
GROSS_MM = {**dict.fromkeys(map(str, WALL_LAYERS), 1.0), "bladder": 3.0}
# Half of the stretch of base that is compared, and of the one that gives a layer's slope, mm.
BASE_HALF_MM, SLOPE_MM = 5.0, 2.0
# Height of a picture on the sheet, width of a row of them, and of the words beside each, px.
TILE_PX, ROW_PX, MARGIN_PX = 520, 2600, 150
FOUND_COLOUR, TRUE_COLOUR = (255, 220, 60), (255, 60, 60)


@dataclass(frozen=True)
class Value:
    """One structure of one still; ``found`` and its interval are NaN where it was withheld."""

    structure: str
    true: float
    found: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")


@dataclass(frozen=True, eq=False)
class StillResult:
    """What one still gave; ``failure`` says why it was refused or not recognised.

    ``named_wrongly`` has the layers whose outline bears another layer's name, given or withheld.
    """

    number: int
    view: str
    failure: str
    values: list[Value]
    named_wrongly: frozenset[str] = frozenset()
    tile: Grey | None = field(default=None)


def thickness_mm(still: Still, structure: str, x_mm: float) -> float:
    """Measure the true distance of two edges along the normal of their middle at ``x_mm``."""
    x, (top, bottom) = still.phantom.x_mm, still.phantom.edges[structure]
    middle = (top + bottom) / 2
    before, at, after = np.interp([x_mm - SLOPE_MM, x_mm, x_mm + SLOPE_MM], x, middle)
    turn = np.arctan2(after - before, 2 * SLOPE_MM)

    def beyond(way: float, edge: Array) -> float:
        return float(at + way * np.cos(turn) - np.interp(x_mm - way * np.sin(turn), x, edge))

    reach = 1 + 2 * float(np.interp(x_mm, x, bottom - top))
    return float(brentq(beyond, 0, reach, (bottom,)) - brentq(beyond, -reach, 0, (top,)))


def measure_still(number: int, is_drawn: bool) -> StillResult:
    """Draw, save, measure and compare one still, as a user would who states the scale alone."""
    cv2.setNumThreads(1)
    still = draw_still(number)
    names = [name for name in WHAT if name in still.phantom.edges]
    centre_px = -still.left_mm / still.mm_per_pixel
    failure, edges, site_px, found = "", None, centre_px, {}
    with tempfile.TemporaryDirectory() as folder, Recording() as recording:
        path = Path(folder) / "still.png"
        path.write_bytes(cv2.imencode(".png", still.pixels)[1].tobytes())
        try:
            size = (still.mm_per_pixel, still.mm_per_pixel)
            clip = open_clip(path, SourceOptions(mm_per_pixel=size))
            analysis = analyse(clip, load_unjudged(), parse_site("image-centre"), recording)
            edges = recording[0]
            if analysis.view is not still.view:
                failure = f"taken for {analysis.view}"
            elif still.view is View.ABDOMINAL_WALL:
                site_px = analysis.site_px or centre_px
            found = {m.structure: m for m in analysis.measures if m.name == "thickness_rest"}
        except LayermotionError as error:
            failure = str(error)
    values = []
    for name in names:
        if still.view is View.BLADDER:
            values.append(compare_base(still, None if failure else edges))
            continue
        true = thickness_mm(still, name, still.left_mm + site_px * still.mm_per_pixel)
        one = None if failure else found.get(Structure(name))
        if one is None or one.value is None or one.low is None or one.high is None:
            values.append(Value(name, true))
        else:
            values.append(Value(name, true, one.value, one.low, one.high))
    tile = draw_tile(number, still, edges, values, failure) if is_drawn else None
    wrong = frozenset[str]()
    if edges is not None and not failure and still.view is View.ABDOMINAL_WALL:
        shares = other_names(still.labels(), edges)[:, 0]
        wrong = frozenset(np.array(names)[shares > WRONG_SHARE].tolist())
    return StillResult(number, still.view, failure, values, wrong, tile)


def compare_base(still: Still, edges: Boundaries | None) -> Value:
    """Compare the depth of the bladder's deep edge below its middle."""
    x = still.phantom.x_mm
    lumen = still.phantom.edges["bladder"]
    middle = float(x[~np.isnan(lumen[1])].mean())
    mm = still.mm_per_pixel
    columns = (middle - still.left_mm + np.linspace(-BASE_HALF_MM, BASE_HALF_MM, 21)) / mm
    true = float(still.edges_at("bladder", columns)[1].mean())
    if edges is None:
        return Value("bladder", true)
    deep = edges.deep_px[label_of(Structure.BLADDER) - 1]
    known = ~np.isnan(deep)
    near = known & (np.abs(edges.column_px - columns.mean()) * mm <= BASE_HALF_MM)
    if not near.any():
        return Value("bladder", true)
    found = np.interp(columns, edges.column_px[known], deep[known])
    return Value("bladder", true, float(still.top_mm + found.mean() * mm))


def draw_tile(
    number: int, still: Still, edges: Boundaries | None, values: list[Value], failure: str
) -> Grey:
    """Draw one picture with the edges found (yellow lines) and true (red dots)."""
    scale = TILE_PX / still.pixels.shape[0]
    grey = cv2.resize(still.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    tile = cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)
    column = np.arange(0.0, still.pixels.shape[1], 9.0)
    for name in still.phantom.edges:
        for edge in still.edges_at(name, column):
            u, _ = still.aperture.locate(still.left_mm + column * still.mm_per_pixel, edge)
            row = (edge - still.top_mm) / still.mm_per_pixel
            seen = np.isfinite(row) & (np.abs(u) < still.aperture.half_face_mm)
            for c, r in zip(column[seen], row[seen], strict=True):
                cv2.circle(tile, (round(c * scale), round(r * scale)), 1, TRUE_COLOUR, -1)
        if edges is not None:
            k = label_of(Structure(name)) - 1
            for row_px in (edges.superficial_px[k], edges.deep_px[k]):
                line = np.stack([edges.column_px, row_px], axis=1)[~np.isnan(row_px)] * scale
                cv2.polylines(tile, [np.rint(line).astype(np.int32)], False, FOUND_COLOUR, 1)
    words = [f"{number} {still.view}", f"{still.aperture.frequency_mhz:.1f} MHz"]
    words += [f"{v.structure} {v.true:.1f} / {v.found:.1f}" for v in values] + [failure[-20:]]
    margin = np.zeros((TILE_PX, MARGIN_PX, 3), np.uint8)
    for i, text in enumerate(words):
        place = (6, 16 + 16 * i)
        cv2.putText(margin, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.42, (255, 255, 200), 1)
    return np.hstack([margin, tile])


def summarise(results: Sequence[StillResult]) -> dict[str, Any]:
    """Put all stills into one table."""
    rows = []
    for name in WHAT:
        group = [(v, bool(r.failure)) for r in results for v in r.values if v.structure == name]
        if not group:
            continue
        refused = np.array([is_refused for _, is_refused in group])
        errors = np.array([v.found - v.true for v, _ in group])
        kept = errors[~np.isnan(errors)]
        inside = [v.low <= v.true <= v.high for v, _ in group if not np.isnan(v.low)]
        rows.append(
            {
                "structure": name,
                "what": WHAT[name],
                "values": len(group),
                "refused_percent": 100 * float(refused.mean()),
                "named_wrongly_percent": 100
                * float(
                    np.mean(
                        [
                            name in r.named_wrongly
                            for r in results
                            for v in r.values
                            if v.structure == name
                        ]
                    )
                ),
                "withheld_percent": 100 * float((np.isnan(errors) & ~refused).mean()),
                "gross": int(np.count_nonzero(np.abs(kept) > GROSS_MM[name])),
                "mean_absolute_error_mm": _number(np.abs(kept), np.mean),
                "median_absolute_error_mm": _number(np.abs(kept), np.median),
                "bias_mm": _number(kept, np.mean),
                "inside_interval_percent": _number(100.0 * np.array(inside), np.mean),
            }
        )
    views = {}
    for view in View:
        right = [not r.failure for r in results if r.view == view]
        if right:
            views[str(view)] = 100 * float(np.mean(right))
    failures = [f"{r.view} {r.number}: {r.failure}" for r in results if r.failure]
    return {
        "stills": len(results),
        "not_measured": failures,
        "view_right_percent": views,
        "structures": rows,
    }


def _number(values: Array, take: Any) -> float | None:
    return float(take(values)) if values.size else None


def show(summary: dict[str, Any]) -> None:
    """Print the table."""
    print(f"not measured: {len(summary['not_measured'])} of {summary['stills']} stills")
    for failure in summary["not_measured"]:
        print(f"  {failure}")
    for view, percent in summary["view_right_percent"].items():
        print(f"view recognised right: {view} {percent:.0f} %")
    print(f"{'structure':10}{'n':>5}{'refused':>9}{'named wrongly':>15}{'withheld':>10}{'gross':>7}"
          f"{'MAE':>8}{'median':>8}{'bias':>8}{'in interval':>13}  mm")  # fmt: skip
    for row in summary["structures"]:
        names = ("mean_absolute_error_mm", "median_absolute_error_mm", "bias_mm")
        mae, median, bias = ("" if row[n] is None else f"{row[n]:.2f}" for n in names)
        inside = row["inside_interval_percent"]
        held = "" if inside is None else f"{inside:.0f} %"
        print(f"{row['structure']:10}{row['values']:5d}{row['refused_percent']:8.0f}%"
              f"{row['named_wrongly_percent']:14.1f}%"
              f"{row['withheld_percent']:9.0f}%{row['gross']:7d}{mae:>8}{median:>8}{bias:>8}"
              f"{held:>13}  {row['what']}")  # fmt: skip


def draw_sheet(path: Path, tiles: Sequence[Grey]) -> None:
    """Write all pictures side by side as one PNG."""
    rows: list[list[Grey]] = [[]]
    for tile in tiles:
        if rows[-1] and sum(t.shape[1] for t in rows[-1]) + tile.shape[1] > ROW_PX:
            rows.append([])
        rows[-1].append(tile)
    lines = [np.hstack(row) for row in rows]
    width = max(line.shape[1] for line in lines)
    padded = [np.pad(line, ((0, 4), (0, width - line.shape[1]), (0, 0))) for line in lines]
    sheet = np.vstack(padded)
    with atomic_path(path) as part:
        part.write_bytes(cv2.imencode(".png", sheet[..., ::-1])[1].tobytes())


def main() -> None:
    """Measure, print, and draw or store if asked."""
    parser = argparse.ArgumentParser(description="Compare with the truth of a second simulation.")
    parser.add_argument("--stills", type=int, default=120)
    parser.add_argument("--first", type=int, default=0, help="number of the first still")
    parser.add_argument("--show", type=Path, help="also draw them all on one PNG")
    parser.add_argument("--each", action="store_true", help="also print the values of every still")
    parser.add_argument("--write", action="store_true", help="store the table with the weights")
    options = parser.parse_args()
    started_s = time.monotonic()
    numbers = range(options.first, options.first + options.stills)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        is_drawn = [options.show is not None] * len(numbers)
        results = list(pool.map(measure_still, numbers, is_drawn))
    name = load_segmenter().name
    print(f"weights {name}, {time.monotonic() - started_s:.0f} s")
    if options.each:
        for r in results:
            words = ", ".join(f"{v.structure} {v.true:.2f} found {v.found:.2f}" for v in r.values)
            names = " ".join(f"[{name} named wrongly]" for name in sorted(r.named_wrongly))
            print(f"{r.number:4d} {r.view}: {words} {names}{r.failure}")
    summary = summarise(results)
    show(summary)
    if options.show:
        draw_sheet(options.show, [r.tile for r in results if r.tile is not None])
        print(f"drawn in {options.show}")
    if options.write:
        command = (
            f"python scripts/second_simulation.py --stills {options.stills} --first {options.first}"
        )
        store(name, {"second_simulation": {"command": command, **summary}})


if __name__ == "__main__":
    main()
