"""Which side is lateral: the medial end of the TrA, and what only looks like it."""

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.lateral import lateral_side, lateral_sign
from layermotion.labels import Structure, label_of

Edge = NDArray[np.float32]

COLUMNS = 400
# Rows of the upper and lower edges of fat, EO, IO and TrA, and of the bottom of the picture.
EDGES_PX = ((20, 90), (100, 160), (170, 250), (260, 330))
BOTTOM_PX = 360
FAT, EO, IO, TRA = (
    label_of(layer) - 1 for layer in (Structure.FAT, Structure.EO, Structure.IO, Structure.TRA)
)
COLUMN = np.arange(COLUMNS)


def edges() -> tuple[Edge, Edge]:
    """Flat layers over the whole width: upper and lower edges, shape (5, C) each."""
    both = np.full((2, 5, COLUMNS), np.nan, np.float32)
    for layer, pair in enumerate(EDGES_PX):
        both[:, layer] = np.array(pair)[:, None]
    return both[0], both[1]


def seen(superficial: Edge, deep: Edge, *, mirrored: bool = False) -> Boundaries:
    step = -1 if mirrored else 1
    column = COLUMN.astype(np.float32)
    known = np.isfinite(superficial).astype(np.float32)
    return Boundaries(column, superficial[:, ::step].copy(), deep[:, ::step].copy(), known)


def end(superficial: Edge, deep: Edge, layer: int, end_px: int, over_px: int = 80) -> None:
    """Let a layer thin out over some columns and end at one."""
    share = np.clip((COLUMN - end_px) / over_px, 0, 1)
    thick = deep[layer] - superficial[layer]
    deep[layer] = np.where(share > 0, superficial[layer] + share * thick, np.nan)
    superficial[layer][share == 0] = np.nan


def medial(end_px: int = 120, *, mirrored: bool = False, shadow_px: int = 0) -> Boundaries:
    """Medial end of the TrA; a shadow reaches ``shadow_px`` short of it in EO and IO."""
    superficial, deep = edges()
    for layer, farther_px in ((TRA, 0), (EO, 60), (IO, 40)):
        end(superficial, deep, layer, end_px - farther_px, 80 + farther_px)
    if shadow_px:
        gone = slice(0, end_px + 1 - shadow_px)
        superficial[EO : IO + 1, gone] = deep[EO : IO + 1, gone] = np.nan
    return seen(superficial, deep, mirrored=mirrored)


@pytest.mark.parametrize(("mirrored", "expected"), [(False, 1), (True, -1)])
def test_medial_end_tells_the_lateral_direction(mirrored: bool, expected: int) -> None:
    assert lateral_sign(seen(*edges())) == 0
    assert lateral_sign(medial(mirrored=mirrored)) == expected


def test_end_of_all_layers_is_no_medial_end() -> None:
    whole = medial()
    superficial, deep = whole.superficial_px.copy(), whole.deep_px.copy()
    superficial[:, :120] = deep[:, :120] = np.nan
    assert lateral_sign(seen(superficial, deep)) == 0


@pytest.mark.parametrize("mirrored", [False, True])
def test_shadow_that_cuts_the_muscles_is_no_medial_end(mirrored: bool) -> None:
    # A bone stops all muscles at one column and leaves the fat above it; the labels taper there.
    superficial, deep = edges()
    superficial[EO : TRA + 1, :120] = deep[EO : TRA + 1, :120] = np.nan
    share = np.clip((COLUMN - 115) / 25, 0, 1)
    deep[TRA] = superficial[TRA] + share * (deep[TRA] - superficial[TRA])
    assert lateral_sign(seen(superficial, deep, mirrored=mirrored)) == 0


def test_shadow_whose_side_slants_is_no_medial_end() -> None:
    # 12 of 400 columns are 3 % of the width, 30 are 7.5 %.
    assert lateral_sign(medial(shadow_px=12)) == 0
    assert lateral_sign(medial(shadow_px=30)) == 1


@pytest.mark.parametrize("mirrored", [False, True])
def test_bone_below_a_whole_eo_is_no_medial_end(mirrored: bool) -> None:
    # The crest of the pelvis takes the TrA and a part of the IO away; labels taper at its side.
    superficial, deep = edges()
    end(superficial, deep, TRA, 120, 40)
    deep[IO, :120] = superficial[IO, :120] + 30
    assert lateral_sign(seen(superficial, deep, mirrored=mirrored)) == 0
    end(superficial, deep, EO, 60, 140)
    assert lateral_sign(seen(superficial, deep, mirrored=mirrored)) == (-1 if mirrored else 1)


def test_bottom_of_the_picture_is_no_medial_end() -> None:
    # The wall goes down to the left until the TrA, thin where it slid, leaves the picture.
    superficial, deep = edges()
    deep[TRA, 200:] += 20
    down = np.clip(200 - COLUMN, 0, None) * 0.4
    superficial += down
    deep += down
    cut = deep[TRA] > BOTTOM_PX
    assert 0 < np.count_nonzero(cut) < 200
    deep[TRA, :200] = superficial[TRA, :200] + 40
    superficial[TRA, cut] = deep[TRA, cut] = np.nan
    assert lateral_sign(seen(superficial, deep)) == 0


@pytest.mark.parametrize(("ends", "expected"), [(8, -1), (4, 0)])
def test_lateral_side_needs_the_end_in_many_frames(ends: int, expected: int) -> None:
    # A quarter of 30 frames is 7.5; frames without a TrA do not count.
    wrong, right = medial(), medial(mirrored=True)
    blank = np.full_like(wrong.superficial_px, np.nan)
    unseen = Boundaries(wrong.column_px, blank, blank.copy(), wrong.confidence)
    flat = [seen(*edges())] * (30 - ends)
    assert lateral_side([right] * ends + flat + [unseen] * 50) == expected
    # What looks like an end on the other side counts against it.
    assert lateral_side([wrong] * ends + [right] * ends + flat) == 0
    assert lateral_side([unseen]) == lateral_side([]) == 0
