"""Tell how far a place of measurement errs where muscles taper and slide, from geometry alone.

python scripts/sites.py --clips 250

The true change of a muscle is how much its tissue thickens; at a fixed place of the picture another
part of it lies at the height of a draw-in. No picture is rendered and nothing is segmented.
"""

import argparse
from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.site import MOST_EVEN, MUSCLE_CENTRE, parse_site
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import MUSCLES, Structure, Task, View, label_of
from layermotion_synthetic.clips import ClipTruth, clip_truth, draw_clip
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.truth import perpendicular_thickness_mm

# No other use of the generator starts its seeds with this word.
STREAM = 20_261_130
SITES = (MUSCLE_CENTRE, MOST_EVEN)
# Below this change, per cent, its sign tells nothing.
LEAST_PERCENT = 5.0


def seen_at(truth: ClipTruth, frame: int) -> tuple[Boundaries, Clip]:
    """Edges of one frame as they would be found, in a clip whose pixels are its columns."""
    edges = truth.edges_mm[frame].astype(np.float32)  # (5, 2, C)
    columns = truth.x_mm.size
    column_px = np.arange(columns, dtype=np.float32)
    sure = np.isfinite(edges).all(axis=1).astype(np.float32)
    found = Boundaries(column_px, edges[:, 0].copy(), edges[:, 1].copy(), sure)
    spacing = Spacing(1.0, float(truth.x_mm[1] - truth.x_mm[0]), "drawn")
    clip = Clip(
        clip_id="drawn", source_name="drawn", frame_shape=(columns, columns), frame_count=1,
        spacing=spacing, spacing_reason="", area=ImageArea(0, 0, columns, columns),
        view=View.ABDOMINAL_WALL, task=Task.DRAW_IN, is_still=False, read=lambda: iter(()),
    )  # fmt: skip
    return found, clip


def errors_of(number: int) -> dict[tuple[str, Structure], tuple[float, float]]:
    """Change that each place shows and the true one, %, by place and muscle."""
    rng = np.random.Generator(np.random.SFC64([STREAM, number]))
    plan = draw_clip(rng, View.ABDOMINAL_WALL, USUAL, task=Task.DRAW_IN, frame_rate_hz=5.0)
    truth = clip_truth(plan)
    full = int(np.argmax(plan.motion.activation))
    boundaries, clip = seen_at(truth, 0)
    found = {}
    for name in SITES:
        column, _ = parse_site(name).place([boundaries], clip)
        if column is None:
            continue
        x_mm = float(np.interp(column, np.arange(truth.x_mm.size), truth.x_mm))
        for muscle in MUSCLES:
            rest_mm, full_mm = (
                perpendicular_thickness_mm(
                    truth.edges_mm[f, label_of(muscle) - 1], truth.x_mm, x_mm
                )
                for f in (0, full)
            )
            k = plan.scene.stack.index(muscle)
            ratio = plan.motion.poses[full].ratio[k] / plan.motion.poses[0].ratio[k]
            found[name, muscle] = (100 * (full_mm / rest_mm - 1), 100 * (ratio - 1))
    return found


def main() -> None:
    """Draw clips and print the errors of each place."""
    parser = argparse.ArgumentParser(description="Errors of the place of measurement.")
    parser.add_argument("--clips", type=int, default=250)
    options = parser.parse_args()
    rows: dict[tuple[str, Structure], list[tuple[float, float]]] = defaultdict(list)
    for number in range(options.clips):
        for key, pair in errors_of(number).items():
            if np.isfinite(pair).all():
                rows[key].append(pair)
    print(f"{'place':16}{'muscle':>7}{'clips':>7}   error of change, points: median, 90 %   "
          f"wrong way")  # fmt: skip
    for (name, muscle), pairs in rows.items():
        shown, true = np.array(pairs).T
        error: NDArray[np.float64] = np.abs(shown - true)
        moved = np.abs(true) > LEAST_PERCENT
        wrong = 100 * float(np.mean((shown * true < 0)[moved]))
        low, high = np.percentile(error, (50, 90))
        print(f"{name:16}{muscle:>7}{len(pairs):7}{low:35.1f}{high:7.1f}{wrong:10.0f} %")


if __name__ == "__main__":
    main()
