"""Names of layers are told by columns, and unusual walls have the look that their words state."""

import sys
from pathlib import Path

import numpy as np
import pytest

# The scripts import each other by name.
sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))

from layer_names import other_names  # noqa: E402
from unusual_walls import BORDERS, CAUSES, LOOKS, change_levels, draw_look  # noqa: E402

from layermotion.edges.boundaries import Boundaries  # noqa: E402
from layermotion.labels import View  # noqa: E402
from layermotion_synthetic.factors import USUAL  # noqa: E402
from layermotion_synthetic.scene import draw_scene  # noqa: E402

TOPS = {1: 10, 2: 30, 3: 50, 4: 70}  # label -> first row; every layer is 20 rows high


def labels() -> np.ndarray:
    picture = np.zeros((100, 40), np.uint8)
    for label, top in TOPS.items():
        picture[top : top + 20] = label
    return picture


def found(tops: dict[int, int | None], heights: int = 20) -> Boundaries:
    """Edges in 40 columns: layer ``label`` begins at its row, or is absent."""
    superficial = np.full((5, 40), np.nan, np.float32)
    deep = superficial.copy()
    for label, top in tops.items():
        if top is not None:
            superficial[label - 1], deep[label - 1] = top, top + heights
    return Boundaries(np.arange(40, dtype=np.float32), superficial, deep, np.ones((5, 40), "f4"))


def test_right_names_absent_layers_and_small_shifts_are_no_wrong_names() -> None:
    np.testing.assert_array_equal(other_names(labels(), found({**TOPS})), 0)
    shifted = {label: top + 8 for label, top in TOPS.items()}
    np.testing.assert_array_equal(other_names(labels(), found(shifted))[:, 0], 0)
    shares = other_names(labels(), found({**TOPS, 2: None}))
    np.testing.assert_array_equal(shares[:, 0], 0)
    np.testing.assert_array_equal(shares[:, 1], [0, 1, 0, 0])


def test_names_shifted_by_one_are_wrong() -> None:
    # EO is called fat, IO EO, and TrA IO; nothing is left for TrA.
    shares = other_names(labels(), found({1: 30, 2: 50, 3: 70, 4: None}))
    np.testing.assert_array_equal(shares[:, 0], [0, 1, 1, 1])
    np.testing.assert_array_equal(shares[:, 1], [1, 0, 0, 0])


def test_a_layer_that_is_not_shown_has_no_name_to_lose() -> None:
    picture = labels()
    picture[picture == 4] = 0
    assert np.isnan(other_names(picture, found({**TOPS}))[3]).all()


def test_unusual_levels_are_those_stated() -> None:
    rng = np.random.default_rng(3)
    stack = draw_scene(np.random.default_rng(4), View.ABDOMINAL_WALL, USUAL).stack

    def level(look: str) -> dict[str, float]:
        changed = change_levels(rng, stack, {**LOOKS, **CAUSES}[look])
        for layer, old in zip(changed.layers, stack.layers, strict=True):
            assert layer.thickness_mm is old.thickness_mm
        return {layer.name: layer.tissue.level_db for layer in changed.layers}

    plain, faint, grey = level("as drawn"), level("faint borders"), level("greys exchanged")
    neighbours = (("fat", "eo"), ("eo", "io"), ("io", "tra"), ("tra", "tra"))
    for border, beside in zip(BORDERS, neighbours, strict=True):
        assert 1 <= faint[border] - max(faint[name] for name in beside) <= 4
    middle = np.mean([plain[name] for name in ("eo", "io", "tra")])
    assert -18 <= grey["fat"] - middle <= -12 and 5 <= grey["tra"] - middle <= 9
    one = level(f"{BORDERS[0]} -8 dB")
    assert one[BORDERS[0]] == pytest.approx(plain[BORDERS[0]] - 8)
    assert one[BORDERS[1]] == pytest.approx(plain[BORDERS[1]])


@pytest.mark.parametrize(("look", "layer"), [("lines in fat", "fat"), ("lines in muscle", "eo")])
def test_unusual_lines_are_brighter_than_every_border(look: str, layer: str) -> None:
    scene, picture, _ = draw_look(5, LOOKS[look])
    usual, as_drawn, _ = draw_look(5, CAUSES["as drawn"])
    k = scene.stack.index(layer)
    top, bottom = scene.texture.band_top[k : k + 2].astype(int)
    line, before = (20 * np.log10(s.texture.echo[top:bottom, :, 2].max()) for s in (scene, usual))
    level = {one.name: one.tissue.level_db for one in scene.stack.layers}
    assert line >= max(level[name] for name in BORDERS) + 2.5
    assert line >= level[layer] + 26.5 and line > before
    np.testing.assert_array_equal(picture.edges_mm, as_drawn.edges_mm)
