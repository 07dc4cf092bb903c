"""Compare ways of placing the edges of the wall's layers, on fresh synthetic stills.

python scripts/edges.py             prints the errors of thickness
python scripts/edges.py --write     also stores them with the weights
"""

import argparse
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from evaluate import store
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.edges.boundaries import THINNEST_PX, Boundaries, find_boundaries
from layermotion.edges.refine import refine_edges
from layermotion.edges.site import tra_centre_px
from layermotion.evaluation.clips import load_unjudged
from layermotion.geometry import Spacing
from layermotion.labels import STRUCTURES, WALL_LAYERS, View, label_of
from layermotion.network.grid import ModelGrid
from layermotion.network.look import Look, look_at
from layermotion.network.segmenter import Segmenter, load_segmenter
from layermotion.series.series import Scale
from layermotion.series.thickness import thickness_at
from layermotion_synthetic.clips import clip_truth, draw_clip, render_clip
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.truth import wall_thickness_mm

# No other use of the generator starts its seeds with this word.
EDGES_STREAM = 20_261_125_5
# Few frames a second: each still shows another phase of the effort.
RATE_HZ = 0.7
STILLS_OF_A_CLIP = 3

Place = Callable[[Look, Segmenter, ModelGrid], Boundaries]


def mask_edges(look: Look, _: Segmenter, grid: ModelGrid) -> Boundaries:
    """Take the first and last row of each layer's mask in every column, whole model rows."""
    edges = find_boundaries(look.probabilities, grid, View.ABDOMINAL_WALL, look.lowest)
    rows, columns = grid.slices
    mask = look.probabilities[:, rows, columns].argmax(axis=0)
    top, bottom = edges.superficial_px.copy(), edges.deep_px.copy()
    for layer in WALL_LAYERS:
        inside = mask == label_of(layer)  # (R, C)
        first = inside.argmax(axis=0).astype(np.float32)
        last = (inside.shape[0] - inside[::-1].argmax(axis=0)).astype(np.float32)
        # Where the path withholds a layer, masks do too: the same values are compared.
        missing = np.isnan(top[label_of(layer) - 1]) | (inside.sum(axis=0) < THINNEST_PX)
        for target, place in ((top, first), (bottom, last)):
            frame_rows = grid.row_to_frame(place - 0.5 + rows.start)
            target[label_of(layer) - 1] = np.where(missing, np.nan, frame_rows)
    return Boundaries(edges.column_px, top, bottom, edges.confidence.copy())


def path_edges(look: Look, _: Segmenter, grid: ModelGrid) -> Boundaries:
    """Seek the best ordered path over neighbouring columns, sub-pixel."""
    return find_boundaries(look.probabilities, grid, View.ABDOMINAL_WALL, look.lowest)


def refined_edges(look: Look, segmenter: Segmenter, grid: ModelGrid) -> Boundaries:
    """Move the path's edges onto the borders in the picture; what ``measure`` does."""
    return refine_edges(path_edges(look, segmenter, grid), look.frame.pixels, grid)


def flipped_too(look: Look, segmenter: Segmenter, grid: ModelGrid) -> Boundaries:
    """Average the answers to the picture and to its mirror image first, twice the time."""
    mirrored = np.ascontiguousarray(grid.to_model(look.frame.pixels)[:, ::-1])
    other, _ = segmenter.run(mirrored[None])
    both = (look.probabilities + other[0][:, :, ::-1]) / 2
    return refined_edges(replace(look, probabilities=both), segmenter, grid)


WAYS: dict[str, Place] = {
    "masks alone": mask_edges,
    "ordered path": path_edges,
    "path, then picture (used)": refined_edges,
    "the same, also mirrored": flipped_too,
}


def study(number: int) -> list[tuple[int, int, float]]:
    """Measure the stills of one clip: (way, layer, error in mm), NaN where withheld."""
    cv2.setNumThreads(1)
    rng = np.random.Generator(np.random.SFC64([EDGES_STREAM, number]))
    plan = draw_clip(rng, View.ABDOMINAL_WALL, USUAL, frame_rate_hz=RATE_HZ)
    truth = clip_truth(plan)
    spacing = Spacing(plan.grid.row_mm, plan.grid.column_mm, "known")
    segmenter = load_unjudged()
    grid = ModelGrid.for_area(plan.area, spacing, segmenter.size_px)
    scale = Scale.of(spacing, plan.area.width)
    chosen = np.unique(np.linspace(0, truth.time_s.size - 1, STILLS_OF_A_CLIP).astype(int))
    looks = {
        i: look_at(Frame(i, float(truth.time_s[i]), screen), segmenter, grid)
        for i, (screen, _) in enumerate(render_clip(plan))
        if i in chosen
    }
    site_px = tra_centre_px([path_edges(look, segmenter, grid) for look in looks.values()])
    if site_px is None:
        return []
    x_mm = float(np.interp(site_px - plan.area.left, np.arange(truth.x_mm.size), truth.x_mm))
    rows = []
    for i, look in looks.items():
        true_mm = wall_thickness_mm(truth.edges_mm[i], truth.x_mm, x_mm)
        for way, place in enumerate(WAYS.values()):
            edges = place(look, segmenter, grid)
            for k, layer in enumerate(WALL_LAYERS):
                value, _ = thickness_at(edges, layer, site_px, scale)
                rows.append((way, k, value - true_mm[layer]))
    return rows


def summarise(rows: Sequence[tuple[int, int, float]]) -> list[dict[str, Any]]:
    """Mean and median error of each way, over the values that every way gives."""
    table: NDArray[np.float64] = np.array(rows)
    errors = np.stack([table[table[:, 0] == way, 2] for way in range(len(WAYS))])  # (W, N)
    layer = table[table[:, 0] == 0, 1]
    shared = np.isfinite(errors).all(axis=0)
    result = []
    for way, name in enumerate(WAYS):
        row: dict[str, Any] = {"way": name}
        for k, structure in enumerate(STRUCTURES[: len(WALL_LAYERS)]):
            size = np.abs(errors[way, shared & (layer == k)])
            row[str(structure)] = [float(size.mean()), float(np.median(size)), int(size.size)]
        result.append(row)
    return result


def main() -> None:
    """Measure, print, and store if asked."""
    parser = argparse.ArgumentParser(description="Compare ways of placing edges.")
    parser.add_argument("--clips", type=int, default=150)
    parser.add_argument("--first", type=int, default=0, help="number of the first clip")
    parser.add_argument("--write", action="store_true", help="store the table with the weights")
    options = parser.parse_args()
    numbers = range(options.first, options.first + options.clips)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        rows = [row for part in pool.map(study, numbers) for row in part]
    result = summarise(rows)
    name = load_segmenter().name
    print(f"weights {name}: mean and median absolute error of thickness, mm")
    print(f"{'':28}" + "".join(f"{layer:>16}" for layer in WALL_LAYERS))
    for row in result:
        cells = "".join(f"{row[layer][0]:9.3f}{row[layer][1]:7.3f}" for layer in WALL_LAYERS)
        print(f"{row['way']:28}{cells}")
    print("values:" + " " * 21 + "".join(f"{result[0][layer][2]:16d}" for layer in WALL_LAYERS))
    if options.write:
        command = f"python scripts/edges.py --clips {options.clips} --first {options.first}"
        store(name, {"edges": {"command": command, "rows": result}})


if __name__ == "__main__":
    main()
