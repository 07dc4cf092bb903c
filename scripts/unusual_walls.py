"""Judge whether each layer keeps its name in walls that look unlike those trained on.

A wall of the generator is drawn, then its echoes are changed: borders fainter, bright lines in fat
or muscle, greys exchanged. Thickness, place and everything else stay, so the truth is exact.

python scripts/unusual_walls.py            200 stills of looks outside what is trained on
python scripts/unusual_walls.py --causes   one property changed at a time, the same walls each time
python scripts/unusual_walls.py --write    also stores the table of looks with the weights
"""

import argparse
import multiprocessing
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from evaluate import store
from layer_names import WRONG_SHARE, other_names
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.edges.frame import wall_edges
from layermotion.evaluation.clips import load_unjudged
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import WALL_LAYERS, View
from layermotion.network.grid import ModelGrid
from layermotion.network.look import look_at
from layermotion.network.segmenter import load_segmenter
from layermotion_synthetic.anatomy import Stack
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.pose import rest_pose
from layermotion_synthetic.scene import Picture, Scene, draw_scene, picture_grid, render
from layermotion_synthetic.texture import Texture, draw_texture

Span = tuple[float, float]

# No other use of the generator starts its seeds with this word.
LOOKS_STREAM = 20_261_128_3
# Pixels of a picture, before they are brought to the network's size.
ROWS, COLUMNS = 420, 520
# Borders in the order of depth, as the generator calls them.
BORDERS = ("eo superficial fascia", "fascia above io", "fascia above tra", "transversalis fascia")
MUSCLES = ("eo", "io", "tra")
# Thickness of a stamped line and of its waves, mm, and the length of these.
LINE_MM, WAVE_MM, WAVE_LENGTH_MM = (0.3, 0.8), 0.3, (15.0, 60.0)


@dataclass(frozen=True)
class Look:
    """What is changed in a wall; every span is drawn in evenly, dB.

    Parameters
    ----------
    borders
        Contrast of each named border to the brighter of its neighbours; or, with ``is_added``, what
        its drawn level changes by.
    greys
        Level of a layer above the mean of the muscles.
    lines
        Brightness of a line through a layer: above the brightest border.
    line_share
        Length of such a line as a share of the picture.
    line_least
        How far such a line stands out of its layer at least, dB.
    """

    words: str
    borders: Mapping[str, Span] = field(default_factory=dict)
    is_added: bool = False
    greys: Mapping[str, Span] = field(default_factory=dict)
    lines: Mapping[str, Span] = field(default_factory=dict)
    line_share: Span = (1.2, 1.2)
    line_least: float = -np.inf


# Each lies outside what is trained on. There a border's contrast is drawn on its own, so that all
# four are below 4 dB in 1 of 10,000 walls at most; no line stands out of its layer by more than
# 26.4 dB; and EO 5 dB darker with TrA 5 dB brighter than the mean comes in 1 of 1000, with fat as
# dark as here in 1 of 20 of these.
LOOKS = {
    "faint borders": Look(
        "all borders 1 to 4 dB brighter than their brighter neighbour",
        borders=dict.fromkeys(BORDERS, (1.0, 4.0)),
    ),
    "lines in fat": Look(
        "a line through the whole fat, 4 to 10 dB brighter than the brightest border and at least "
        "27 dB than the fat",
        lines={"fat": (4.0, 10.0)},
        line_least=27.0,
    ),
    "lines in muscle": Look(
        "a line along 75 to 90 % of EO, 3 to 8 dB brighter than the brightest border and at least "
        "27 dB than the muscle",
        lines={"eo": (3.0, 8.0)},
        line_share=(0.75, 0.9),
        line_least=27.0,
    ),
    "greys exchanged": Look(
        "fat 12 to 18 dB darker than the muscles' mean, EO 5 to 9 dB darker, TrA 5 to 9 brighter",
        greys={"fat": (-18.0, -12.0), "eo": (-9.0, -5.0), "tra": (5.0, 9.0)},
    ),
}
CAUSES = {
    "as drawn": Look("nothing changed"),
    **{
        f"{name} -8 dB": Look("one border fainter", {name: (-8.0, -8.0)}, is_added=True)
        for name in BORDERS
    },
    "all borders -8 dB": Look("", dict.fromkeys(BORDERS, (-8.0, -8.0)), is_added=True),
    "EO's border 1 to 4 dB": Look("", {BORDERS[0]: (1.0, 4.0)}),
    "the same, and a line in fat": Look("", {BORDERS[0]: (1.0, 4.0)}, lines={"fat": (0.0, 0.0)}),
    "IO's border 1 to 4 dB": Look("", {BORDERS[1]: (1.0, 4.0)}),
    "bright line in fat": Look("", lines={"fat": (0.0, 0.0)}),
    "bright line in EO": Look("", lines={"eo": (0.0, 0.0)}),
    "bright line in IO": Look("", lines={"io": (0.0, 0.0)}),
    "short line in EO": Look("", lines={"eo": (0.0, 0.0)}, line_share=(0.5, 0.5)),
    "all of one grey": Look("", greys=dict.fromkeys(("fat", *MUSCLES), (0.0, 0.0))),
    "fat as muscle": Look("", greys={"fat": (0.0, 0.0)}),
    "fat 10 dB darker": Look("", greys={"fat": (-10.0, -10.0)}),
    "fat 10 dB brighter": Look("", greys={"fat": (10.0, 10.0)}),
    "EO 8 dB darker": Look("", greys={"eo": (-8.0, -8.0)}),
    "EO 8 dB brighter": Look("", greys={"eo": (8.0, 8.0)}),
    "IO 8 dB brighter": Look("", greys={"io": (8.0, 8.0)}),
    "TrA 8 dB darker": Look("", greys={"tra": (-8.0, -8.0)}),
    "TrA 8 dB brighter": Look("", greys={"tra": (8.0, 8.0)}),
}


def change_levels(rng: np.random.Generator, stack: Stack, look: Look) -> Stack:
    """Give layers and borders the levels that a look asks for."""
    level = {layer.name: layer.tissue.level_db for layer in stack.layers}
    middle = float(np.mean([level[name] for name in MUSCLES]))
    for name, span in look.greys.items():
        level[name] = middle + float(rng.uniform(*span))
    beside = dict(zip(BORDERS, ("fat", "eo", "io", "tra"), strict=True))
    for name, span in look.borders.items():
        below = {"transversalis fascia": "tra"}.get(name, _below(name))
        rest = max(level[beside[name]], level[below])
        level[name] = (level[name] if look.is_added else rest) + float(rng.uniform(*span))
    layers = tuple(
        replace(layer, tissue=replace(layer.tissue, level_db=level[layer.name]))
        for layer in stack.layers
    )
    return replace(stack, layers=layers)


def _below(border: str) -> str:
    return "eo" if border == BORDERS[0] else border.rsplit(" ", 1)[1]


def stamp_line(
    rng: np.random.Generator, stack: Stack, texture: Texture, name: str, look: Look
) -> None:
    """Draw one bright line along a layer of a texture, in place."""
    k = stack.index(name)
    top, bottom = texture.band_top[k : k + 2]
    columns = texture.echo.shape[1]
    x = texture.left_mm + np.arange(columns) * texture.column_mm
    share = float(rng.uniform(*look.line_share))
    start = -stack.width_mm / 2 + (1 - share) * stack.width_mm * float(rng.random())
    wave = WAVE_MM * np.sin(2 * np.pi * (x / rng.uniform(*WAVE_LENGTH_MM) + rng.random()))
    row = top + rng.uniform(0.3, 0.7) * (bottom - top) + wave / texture.row_mm
    half = rng.uniform(*LINE_MM) / 2 / texture.row_mm
    brightest = max(layer.tissue.level_db for layer in stack.layers if layer.name in BORDERS)
    level = stack.layers[k].tissue.level_db + look.line_least
    peak = 10 ** (max(brightest + rng.uniform(*look.lines[name]), level) / 20)
    rows = np.arange(int(top), int(bottom))[:, None]
    soft = np.exp(-(((rows - row) / max(half, 0.6)) ** 2))
    soft = soft * ((x > start) & (x < start + share * stack.width_mm))
    band = texture.echo[int(top) : int(bottom), :, 2]
    np.maximum(band, (peak * soft).astype(np.float32), out=band)


def draw_look(number: int, look: Look) -> tuple[Scene, Picture, Spacing]:
    """Draw wall ``number`` with the look of another; the same wall whatever the look."""
    wall, change, material, noise = (
        np.random.Generator(np.random.SFC64([LOOKS_STREAM, number, part])) for part in range(4)
    )
    scene = draw_scene(wall, View.ABDOMINAL_WALL, USUAL)
    stack = change_levels(change, scene.stack, look)
    old = scene.texture
    texture = draw_texture(material, stack, old.row_mm, old.column_mm, -old.left_mm)
    for name in look.lines:
        stamp_line(change, stack, texture, name, look)
    scene = replace(scene, stack=stack, texture=texture)
    grid = picture_grid(scene, ROWS, COLUMNS)
    picture = render(noise, scene, rest_pose(stack), grid)
    return scene, picture, Spacing(grid.row_mm, grid.column_mm, "known")


def judge(number: int, look: Look) -> NDArray[np.float64]:
    """Draw one still, find its edges and say how much of each layer bears which name."""
    cv2.setNumThreads(1)
    _, picture, spacing = draw_look(number, look)
    segmenter = load_unjudged()
    rows, columns = picture.pixels.shape
    grid = ModelGrid.for_area(ImageArea(0, 0, rows, columns), spacing, segmenter.size_px)
    seen = look_at(Frame(0, 0.0, picture.pixels), segmenter, grid)
    edges = wall_edges(seen.probabilities, seen.lowest, seen.frame, grid)
    return other_names(picture.labels, edges)


def summarise(name: str, words: str, shares: NDArray[np.float64]) -> dict[str, Any]:
    """Table row of one look; ``shares`` has shape (stills, 4, 2)."""
    wrong = shares[..., 0] > WRONG_SHARE
    shown = ~np.isnan(shares[..., 0])
    row: dict[str, Any] = {"look": name, "range": words, "stills": len(shares)}
    for i, layer in enumerate(WALL_LAYERS):
        row[f"{layer}_right_percent"] = 100 * float(1 - wrong[shown[:, i], i].mean())
        row[f"{layer}_nameless_percent"] = 100 * float(np.nanmean(shares[:, i, 1]))
    row["all_right_percent"] = 100 * float(1 - wrong.any(axis=1).mean())
    return row


def show(rows: Sequence[dict[str, Any]]) -> None:
    """Print the table: pictures in which the name is right, columns without a name."""
    print("name right in % of pictures (% of columns without a name)")
    print(f"{'look':32}{'n':>5}" + "".join(f"{layer:>14}" for layer in WALL_LAYERS) + "     all")
    for row in rows:
        cells = "".join(
            f"{row[f'{layer}_right_percent']:8.1f} ({row[f'{layer}_nameless_percent']:3.0f})"
            for layer in WALL_LAYERS
        )
        print(f"{row['look']:32}{row['stills']:5d}{cells}{row['all_right_percent']:8.1f}")


def draw_sheet(path: Path, looks: Mapping[str, Look], first: int, count: int) -> None:
    """Write some pictures of every look as one PNG, a look in a row."""
    lines = [
        np.hstack([draw_look(number, look)[1].pixels for number in range(first, first + count)])
        for look in looks.values()
    ]
    cv2.imwrite(str(path), np.vstack(lines))


def main() -> None:
    """Judge, print, and draw or store if asked."""
    parser = argparse.ArgumentParser(description="Judge the names of layers in unusual walls.")
    parser.add_argument("--stills", type=int, default=200, help="in all; of each with --causes")
    parser.add_argument("--first", type=int, default=0, help="number of the first wall")
    parser.add_argument("--causes", action="store_true", help="change one property at a time")
    parser.add_argument("--show", type=Path, help="also draw four of each look on one PNG")
    parser.add_argument("--write", action="store_true", help="store the table with the weights")
    options = parser.parse_args()
    looks = CAUSES if options.causes else LOOKS
    each = options.stills if options.causes else options.stills // len(looks)
    jobs = []
    for i, look in enumerate(looks.values()):
        start = options.first + (0 if options.causes else i * each)
        jobs += [(number, look) for number in range(start, start + each)]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=context) as pool:
        shares = np.stack(list(pool.map(judge, *zip(*jobs, strict=True), chunksize=8)))
    table = [
        summarise(name, look.words, shares[i * each : (i + 1) * each])
        for i, (name, look) in enumerate(looks.items())
    ]
    if not options.causes:
        table.append(summarise("all", "", shares))
    name = load_segmenter().name
    print(f"weights {name}")
    for row in table:
        if row["range"] and not options.causes:
            print(f"{row['look']}: {row['range']}")
    show(table)
    if options.show:
        draw_sheet(options.show, looks, options.first, 4)
        print(f"drawn in {options.show}")
    if options.write:
        command = (
            f"python scripts/unusual_walls.py --stills {options.stills} --first {options.first}"
        )
        store(name, {"unusual_walls": {"command": command, "rows": table}})


if __name__ == "__main__":
    main()
