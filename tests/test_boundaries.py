"""Edges: the best ordered labelling, sub-pixel crossings, absent and cut-off structures."""

from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import ndtr

from layermotion.edges.boundaries import (
    ORDER,
    Boundaries,
    _ordered_edges,
    find_boundaries,
    no_boundaries,
)
from layermotion.edges.recording import Recording
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import STRUCTURES, Structure, View, label_of
from layermotion.network.grid import ModelGrid

SPACING = Spacing(0.08, 0.11, "test")
# A frame with a margin, deeper than wide in mm, so that the model input is padded at its sides.
AREA = ImageArea(12, 20, 400, 240)
GRID = ModelGrid.for_area(AREA, SPACING, 320)
BLUR_PX = 1.3
WALL_ROWS = {
    Structure.FAT: (20.3, 60.8),
    Structure.EO: (68.4, 110.25),
    Structure.IO: (119.7, 180.1),
    Structure.TRA: (190.45, 215.9),
}
BLADDER_ROWS = {Structure.FAT: (20.3, 60.8), Structure.BLADDER: (100.35, 250.7)}


def analytic(rows: dict[Structure, tuple[float, float]]) -> NDArray[np.float32]:
    """Level layers with edges blurred exactly: model rows of the upper and lower edge."""
    position = np.arange(GRID.size_px)
    probabilities = np.zeros((6, *GRID.shape), np.float32)
    for structure, (top, bottom) in rows.items():
        profile = ndtr((position - top) / BLUR_PX) - ndtr((position - bottom) / BLUR_PX)
        probabilities[label_of(structure)] = profile[:, None]
    probabilities[0] = 1 - probabilities[1:].sum(axis=0)
    return probabilities


def explained(column: NDArray[np.float32], labels: list[int], edges: tuple[int, ...]) -> float:
    """Probability mass of one column that a labelling agrees with."""
    label = np.zeros(column.shape[1], int)
    for k, value in enumerate(labels):
        label[edges[2 * k] : edges[2 * k + 1]] = value
    return float(column[label, np.arange(column.shape[1])].sum())


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1), rows=st.integers(1, 7), labels=st.sampled_from([[1, 2], [1, 5]])
)
def test_labelling_is_the_best_of_all_ordered_ones(seed: int, rows: int, labels: list[int]) -> None:
    cells = np.random.default_rng(seed).random((6, rows, 3)).astype(np.float32)
    sums = np.concatenate([np.zeros((6, 1, 3), np.float32), np.cumsum(cells, axis=1)], axis=1)
    found = _ordered_edges(sums, labels)
    for c in range(3):
        column = cells[:, :, c]
        ways = combinations_with_replacement(range(rows + 1), 2 * len(labels))
        best = max(explained(column, labels, edges) for edges in ways)
        assert (np.diff(found[:, c]) >= 0).all()
        assert explained(column, labels, tuple(found[:, c])) == pytest.approx(best, abs=1e-4)


@pytest.mark.parametrize(
    ("view", "rows"), [(View.ABDOMINAL_WALL, WALL_ROWS), (View.BLADDER, BLADDER_ROWS)]
)
def test_edges_are_found_below_a_twentieth_of_a_pixel(
    view: View, rows: dict[Structure, tuple[float, float]]
) -> None:
    found = find_boundaries(analytic(rows), GRID, view)
    for structure in STRUCTURES:
        k = label_of(structure) - 1
        if structure not in rows:
            assert np.isnan(found.superficial_px[k]).all() and np.isnan(found.deep_px[k]).all()
            assert not found.confidence[k].any()
            continue
        for edges_px, true in zip(
            (found.superficial_px[k], found.deep_px[k]), rows[structure], strict=True
        ):
            np.testing.assert_allclose(
                GRID.row_to_model(edges_px.astype(float)), true, rtol=0, atol=0.05
            )
        assert found.confidence[k].min() > 0.85


def test_columns_span_the_image_area_at_pixel_centres() -> None:
    column_px = find_boundaries(analytic(WALL_ROWS), GRID, View.ABDOMINAL_WALL).column_px
    step_px = GRID.column_step
    # The outer border of the first model column is the border of the area.
    assert column_px[0] == pytest.approx(AREA.left - 0.5 + GRID.column_step / 2, abs=1e-3)
    np.testing.assert_allclose(np.diff(column_px), step_px, rtol=1e-4)
    assert AREA.left + AREA.width - 1 - column_px[-1] < step_px
    np.testing.assert_array_equal(no_boundaries(GRID).column_px, column_px)


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 2**32 - 1), sharpness=st.floats(0.1, 8), view=st.sampled_from(list(View))
)
def test_order_holds_whatever_the_network_says(seed: int, sharpness: float, view: View) -> None:
    rng = np.random.default_rng(seed)
    grid = ModelGrid.for_area(ImageArea(3, 5, 60, 40), SPACING, 48)
    scores = np.exp(sharpness * rng.normal(size=(6, 48, 48)))
    found = find_boundaries((scores / scores.sum(0)).astype(np.float32), grid, view)
    edges = np.stack([found.superficial_px, found.deep_px], axis=1).reshape(10, -1)
    for column in edges.T:
        known = column[~np.isnan(column)]
        assert (np.diff(known) >= 0).all()
        assert ((known >= 2.5) & (known <= 62.5)).all()
    absent = np.isnan(found.superficial_px)
    np.testing.assert_array_equal(absent, np.isnan(found.deep_px))
    assert not found.confidence[absent].any()
    assert ((found.confidence >= 0) & (found.confidence <= 1)).all()
    others = [label_of(s) - 1 for s in STRUCTURES if s not in ORDER[view]]
    assert absent[others].all()


def test_layer_that_ends_in_view_is_missing_beyond_its_end() -> None:
    probabilities = analytic(WALL_ROWS)
    k = label_of(Structure.TRA)
    probabilities[0, :, 180:] += probabilities[k, :, 180:]
    probabilities[k, :, 180:] = 0
    found = find_boundaries(probabilities, GRID, View.ABDOMINAL_WALL)
    seen = np.isfinite(found.superficial_px[k - 1])
    model_column = GRID.column_to_model(found.column_px.astype(float))
    np.testing.assert_array_equal(seen, model_column < 179.5)
    assert np.isfinite(found.superficial_px[k - 2]).all()
    # Smoothing along the layer does not bend it at its end.
    np.testing.assert_allclose(
        GRID.row_to_model(found.deep_px[k - 1][seen].astype(float)), 215.9, rtol=0, atol=0.05
    )


def with_further_border(slant: float) -> NDArray[np.float32]:
    """Wall whose IO holds one more border in the columns from 80 on, sheared by ``slant`` rows."""
    probabilities = analytic(WALL_ROWS)
    k = label_of(Structure.IO)
    probabilities[0, 145:152, 80:] += 0.9 * probabilities[k, 145:152, 80:]
    probabilities[k, 145:152, 80:] *= 0.1
    sheared = probabilities.copy()
    for column in range(GRID.shape[1]):
        rows = np.roll(probabilities[:, :, column], round(slant * column), axis=1)
        sheared[:, :, column] = rows
    return sheared


@pytest.mark.parametrize("slant", [0.0, 0.4])
def test_a_further_border_within_a_layer_is_told_where_it_lies(slant: float) -> None:
    found = find_boundaries(with_further_border(slant), GRID, View.ABDOMINAL_WALL)
    column = GRID.column_to_model(found.column_px.astype(float))
    assert found.is_miscounted is not None
    assert found.is_miscounted[column > 88].all()
    assert not found.is_miscounted[column < 76].any()
    plain = find_boundaries(analytic(WALL_ROWS), GRID, View.ABDOMINAL_WALL)
    assert plain.is_miscounted is not None and not plain.is_miscounted.any()


def test_layer_that_runs_out_of_the_bottom_has_no_thickness() -> None:
    rows = {**WALL_ROWS, Structure.TRA: (290.0, 400.0)}
    found = find_boundaries(analytic(rows), GRID, View.ABDOMINAL_WALL)
    k = label_of(Structure.TRA) - 1
    assert np.isnan(found.superficial_px[k]).all() and not found.confidence[k].any()
    assert np.isfinite(found.superficial_px[k - 1]).all()


def test_fat_that_begins_at_the_probe_is_measured_from_there() -> None:
    rows = {**WALL_ROWS, Structure.FAT: (-20.0, 60.8)}
    found = find_boundaries(analytic(rows), GRID, View.ABDOMINAL_WALL)
    np.testing.assert_allclose(found.superficial_px[0], AREA.top - 0.5, atol=0.6)


def test_impossible_boundaries_are_refused() -> None:
    edges = np.zeros((5, 7), np.float32)
    with pytest.raises(ValueError, match=r"confidence has shape \(4, 7\), needs \(5, 7\)"):
        Boundaries(np.arange(7, dtype=np.float32), edges, edges.copy(), edges[:4])
    found = no_boundaries(GRID)
    with pytest.raises(ValueError, match="read-only"):
        found.deep_px[0, 0] = 1


def test_recording_gives_every_frame_back_in_any_order() -> None:
    first = find_boundaries(analytic(WALL_ROWS), GRID, View.ABDOMINAL_WALL)
    frames = [
        first,
        no_boundaries(GRID),
        find_boundaries(analytic(BLADDER_ROWS), GRID, View.BLADDER),
        find_boundaries(with_further_border(0.0), GRID, View.ABDOMINAL_WALL),
    ]
    with Recording() as recording:
        with pytest.raises(IndexError):
            recording[0]
        for edges in frames:
            recording.append(edges)
            # Reading in between does not disturb writing.
            np.testing.assert_array_equal(recording[0].deep_px, first.deep_px)
        assert len(recording) == 4
        assert [bool(np.any(found.is_miscounted)) for found in recording] == [False] * 3 + [True]
        np.testing.assert_array_equal(recording[3].is_miscounted, frames[3].is_miscounted)
        for found, expected in zip(recording, frames, strict=True):
            for name in ("column_px", "superficial_px", "deep_px", "confidence"):
                np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))
        with pytest.raises(IndexError):
            recording[4]


def test_a_structure_cut_by_the_lower_border_of_a_sector_is_absent() -> None:
    probabilities = analytic(WALL_ROWS)
    whole = find_boundaries(probabilities, GRID, View.ABDOMINAL_WALL)
    tra, io = (label_of(layer) - 1 for layer in (Structure.TRA, Structure.IO))
    # The sector ends at the lower edge of the TrA in one half of the picture.
    lowest = np.full(GRID.shape[1], GRID.shape[0] - 1)
    lowest[: GRID.shape[1] // 2] = 215
    cut = find_boundaries(probabilities, GRID, View.ABDOMINAL_WALL, lowest)
    half = GRID.shape[1] // 2 - GRID.left
    assert np.isnan(cut.deep_px[tra, :half]).all() and not cut.confidence[tra, :half].any()
    np.testing.assert_array_equal(cut.deep_px[tra, half + 9 :], whole.deep_px[tra, half + 9 :])
    np.testing.assert_array_equal(cut.deep_px[io], whole.deep_px[io])


def test_a_bladder_that_is_black_down_to_the_border_has_no_base_there() -> None:
    probabilities = analytic(BLADDER_ROWS)
    whole = find_boundaries(probabilities, GRID, View.BLADDER)
    bladder = label_of(Structure.BLADDER) - 1
    # In the middle nothing is shown below the upper wall; beside it the tissue behind the base is.
    lowest = np.full(GRID.shape[1], GRID.shape[0] - 1)
    gap = slice(GRID.left + 40, GRID.left + 80)
    lowest[gap] = 60
    cut = find_boundaries(probabilities, GRID, View.BLADDER, lowest)
    assert np.isfinite(whole.deep_px[bladder, 40:80]).all()
    assert np.isnan(cut.deep_px[bladder, 40:80]).all()
    assert np.isfinite(cut.deep_px[bladder, :31]).all()
    assert np.isfinite(cut.deep_px[bladder, 89:]).all()


def test_nothing_is_drawn_from_where_a_structure_ends_to_where_it_is_absent() -> None:
    probabilities = analytic(BLADDER_ROWS)
    bladder, background = label_of(Structure.BLADDER), 0
    # The bladder ends at a column that is none of those in which the order is sought.
    end = GRID.left + 101
    probabilities[background, :, end:] += probabilities[bladder, :, end:]
    probabilities[bladder, :, end:] = 0
    found = find_boundaries(probabilities, GRID, View.BLADDER)
    seen = np.isfinite(found.deep_px[bladder - 1])
    # It ends there, give or take the columns sought together.
    assert 90 <= np.flatnonzero(seen)[-1] <= 112
    whole = find_boundaries(analytic(BLADDER_ROWS), GRID, View.BLADDER)
    for edge in ("superficial_px", "deep_px"):
        moved = np.abs(getattr(found, edge) - getattr(whole, edge))[bladder - 1, seen]
        assert moved.max() < 8, edge


def test_base_that_descends_in_a_spike_is_followed_to_its_tip() -> None:
    # Seven columns of 160 reach 24 rows deeper, too few for their neighbours to share the edge.
    probabilities = analytic(BLADDER_ROWS)
    rows, columns = GRID.slices
    middle = (columns.start + columns.stop) // 2
    spike = slice(middle - 3, middle + 4)
    top, bottom = BLADDER_ROWS[Structure.BLADDER]
    deeper = analytic({**BLADDER_ROWS, Structure.BLADDER: (top, bottom + 24)})
    probabilities[:, :, spike] = deeper[:, :, spike]
    found = find_boundaries(probabilities, GRID, View.BLADDER)
    deep_px = found.deep_px[label_of(Structure.BLADDER) - 1]
    at = middle - columns.start
    tip_px, level_px = (float(GRID.row_to_frame(np.array(row))) for row in (bottom + 24, bottom))
    assert deep_px[at] == pytest.approx(tip_px, abs=1.5)
    assert deep_px[at - 20] == pytest.approx(level_px, abs=0.1)
