"""Series: perpendicular thickness at any angle and scale, missing values, the bladder base."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from layermotion.edges.blocks import HeldEdges
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.site import tra_centre_px
from layermotion.geometry import Spacing
from layermotion.labels import STRUCTURES, WALL_LAYERS, Structure, label_of
from layermotion.series.base import base_series, deep_edge
from layermotion.series.causes import Cause, causes_of
from layermotion.series.probe import Settle
from layermotion.series.series import Quantity, Scale, Series
from layermotion.series.thickness import thickness_at, thickness_series

Array = NDArray[np.float64]

SPACING = Spacing(0.08, 0.11, "test")
SCALE = Scale.of(SPACING, 400)
COLUMN_PX = np.arange(20, 420, 2, dtype=np.float32)
SITE_PX = 200.0
TRA, BLADDER = label_of(Structure.TRA) - 1, label_of(Structure.BLADDER) - 1
BLADDER = label_of(Structure.BLADDER) - 1


def boundaries_of(
    structure: Structure, top_px: Array, bottom_px: Array, confidence: float = 0.9
) -> Boundaries:
    edges = np.full((2, len(STRUCTURES), COLUMN_PX.size), np.nan, np.float32)
    edges[0, label_of(structure) - 1], edges[1, label_of(structure) - 1] = top_px, bottom_px
    sure = np.where(np.isnan(edges[0]), 0, confidence).astype(np.float32)
    return Boundaries(COLUMN_PX, edges[0], edges[1], sure)


def slab(
    thickness_mm: float, angle_rad: float, spacing: Spacing = SPACING, shift_px: float = 0.0
) -> Boundaries:
    """TrA of a known perpendicular thickness, its mid-line through row 200 at the site."""
    across_mm = (COLUMN_PX.astype(float) - SITE_PX - shift_px) * spacing.column_mm
    middle_mm = 200 * spacing.row_mm + across_mm * np.tan(angle_rad)
    half_mm = thickness_mm / np.cos(angle_rad) / 2
    return boundaries_of(
        Structure.TRA,
        (middle_mm - half_mm) / spacing.row_mm,
        (middle_mm + half_mm) / spacing.row_mm,
    )


def unknown(frames: int) -> list[Quantity]:
    """Thickness of every wall layer that is missing in all frames."""
    nothing = np.full(frames, np.nan)
    return [Quantity("thickness", layer, "mm", nothing, np.zeros(frames)) for layer in WALL_LAYERS]


# -- thickness -----------------------------------------------------------------------------------


@given(thickness_mm=st.floats(1.0, 15.0), angle_deg=st.floats(-50, 50))
def test_slab_at_any_angle_has_its_perpendicular_thickness(
    thickness_mm: float, angle_deg: float
) -> None:
    value, confidence = thickness_at(
        slab(thickness_mm, np.deg2rad(angle_deg)), Structure.TRA, SITE_PX, SCALE
    )
    assert value == pytest.approx(thickness_mm, rel=1e-4)
    assert confidence == pytest.approx(0.9)


@given(angle_deg=st.floats(-40, 40))
def test_doubled_spacing_doubles_every_mm(angle_deg: float) -> None:
    found = slab(4.0, np.deg2rad(angle_deg))
    double = Scale(2 * SCALE.row, 2 * SCALE.column, "mm", 4.0, 10.0, 10.0)
    value, _ = thickness_at(found, Structure.TRA, SITE_PX, double)
    assert value == pytest.approx(8.0, rel=1e-4)


@given(angle_deg=st.floats(-40, 40), shift_px=st.integers(-40, 40))
def test_mirroring_and_shifting_keep_thickness(angle_deg: float, shift_px: int) -> None:
    found = slab(4.0, np.deg2rad(angle_deg))
    mirrored = Boundaries(
        COLUMN_PX,
        found.superficial_px[:, ::-1].copy(),
        found.deep_px[:, ::-1].copy(),
        found.confidence[:, ::-1].copy(),
    )
    other_px = float(COLUMN_PX[0] + COLUMN_PX[-1]) - SITE_PX
    assert thickness_at(mirrored, Structure.TRA, other_px, SCALE)[0] == pytest.approx(4, rel=1e-4)
    shifted = slab(4.0, np.deg2rad(angle_deg), shift_px=shift_px)
    value, _ = thickness_at(shifted, Structure.TRA, SITE_PX + shift_px, SCALE)
    assert value == pytest.approx(4.0, rel=1e-4)


def test_one_wild_column_does_not_change_the_thickness() -> None:
    found = slab(4.0, 0.0)
    deep_px = found.deep_px.copy()
    deep_px[TRA, np.argmin(abs(COLUMN_PX - SITE_PX))] += 60
    wild = Boundaries(COLUMN_PX, found.superficial_px, deep_px, found.confidence)
    assert thickness_at(wild, Structure.TRA, SITE_PX, SCALE)[0] == pytest.approx(4.0, rel=0.01)


def test_each_missing_thickness_has_its_cause() -> None:
    flat = np.full(COLUMN_PX.size, 150.0)
    far = np.where(abs(COLUMN_PX - SITE_PX) < 60, np.nan, flat)
    steep = flat + 100 + 0.8 * (COLUMN_PX - SITE_PX)
    tra, eo = Structure.TRA, Structure.EO
    once_more = replace(
        boundaries_of(eo, flat, flat + 40), is_miscounted=np.ones(COLUMN_PX.size, bool)
    )
    frames = HeldEdges.of(
        (
            slab(4.0, 0.2), boundaries_of(tra, flat, flat + 40, confidence=0.5),
            boundaries_of(tra, far, far + 40), boundaries_of(tra, flat, steep), once_more,
        )
    )  # fmt: skip
    nothing = unknown(5)
    causes = causes_of(frames, SITE_PX, SCALE, nothing, nothing)
    # Where a first look gives a thickness, a second look disputed it.
    assert causes[tra].tolist() == [
        Cause.DISPUTED, Cause.UNCLEAR, Cause.ELSEWHERE, Cause.ENDS, Cause.ABSENT
    ]  # fmt: skip
    assert causes[eo].tolist() == [Cause.ABSENT] * 4 + [Cause.MISCOUNTED]
    # A frame that is made anew has a cause of its own, and so has another site.
    anew = frames.replaced({0: frames[2]})
    assert causes_of(anew, SITE_PX, SCALE, nothing, nothing)[tra][0] == Cause.ELSEWHERE
    assert causes_of(frames, 350.0, SCALE, nothing, nothing)[tra][2] == Cause.DISPUTED


def test_layer_missing_at_the_site_has_no_thickness() -> None:
    found = slab(4.0, 0.2)
    gap_px = abs(COLUMN_PX - SITE_PX) < 12
    edges = [np.where(gap_px, np.nan, edge) for edge in (found.superficial_px, found.deep_px)]
    confidence = np.where(gap_px, 0, found.confidence)
    holed = Boundaries(COLUMN_PX, edges[0], edges[1], confidence)
    assert np.isnan(thickness_at(holed, Structure.TRA, SITE_PX, SCALE)[0])
    assert thickness_at(holed, Structure.TRA, SITE_PX, SCALE)[1] == 0
    assert thickness_at(holed, Structure.TRA, 300.0, SCALE)[0] == pytest.approx(4.0, rel=1e-4)
    # Beyond the picture there is nothing either.
    assert np.isnan(thickness_at(found, Structure.TRA, 900.0, SCALE)[0])


def test_value_of_low_confidence_is_withheld() -> None:
    rows = np.full(COLUMN_PX.size, 200.0)
    for confidence, is_given in ((0.77, False), (0.79, True)):
        found = boundaries_of(Structure.IO, rows, rows + 50, confidence)
        value, kept = thickness_at(found, Structure.IO, SITE_PX, SCALE)
        assert np.isnan(value) != is_given
        assert kept == pytest.approx(confidence if is_given else 0)


def test_thickness_series_keeps_every_frame() -> None:
    nothing = slab(4.0, 0.0)
    nothing = Boundaries(
        COLUMN_PX,
        np.full_like(nothing.deep_px, np.nan),
        np.full_like(nothing.deep_px, np.nan),
        np.zeros_like(nothing.deep_px),
    )
    frames = [slab(4.0, 0.1), nothing, slab(6.0, 0.1)]
    quantities = {q.structure: q for q in thickness_series(frames, SITE_PX, SCALE)}
    assert tuple(quantities) == WALL_LAYERS
    np.testing.assert_allclose(quantities["tra"].value, [4, np.nan, 6], rtol=1e-4)
    np.testing.assert_allclose(quantities["tra"].confidence, [0.9, 0, 0.9], rtol=1e-6)
    assert np.isnan(quantities["eo"].value).all() and not quantities["eo"].confidence.any()
    for quantity in thickness_series(frames, None, SCALE):
        assert quantity.value.shape == (3,) and np.isnan(quantity.value).all()


def test_uncalibrated_scale_counts_square_pixels() -> None:
    scale = Scale.of(None, 400)
    assert (scale.row, scale.column, scale.unit) == (1.0, 1.0, "px")
    rows = np.full(COLUMN_PX.size, 200.0)
    found = boundaries_of(Structure.FAT, rows, rows + 37.5)
    assert thickness_at(found, Structure.FAT, SITE_PX, scale)[0] == pytest.approx(37.5)
    assert (SCALE.row, SCALE.column, SCALE.unit) == (0.08, 0.11, "mm")


def test_centre_of_the_tra_is_not_moved_by_a_stray_column() -> None:
    rows = np.where((COLUMN_PX >= 100) & (COLUMN_PX <= 200), 200.0, np.nan)
    assert tra_centre_px([boundaries_of(Structure.TRA, rows, rows + 40)] * 3) == 150
    rows[-1] = 200
    stray = boundaries_of(Structure.TRA, rows, rows + 40)
    assert tra_centre_px([stray]) == pytest.approx(150, abs=2)
    assert tra_centre_px([boundaries_of(Structure.IO, rows, rows + 40)]) is None
    assert tra_centre_px([]) is None


def test_deep_edge_is_in_mm_where_sure() -> None:
    rows = np.full(COLUMN_PX.size, 200.0)
    sure = deep_edge(boundaries_of(Structure.BLADDER, rows, rows + 50), Structure.BLADDER, SCALE)
    np.testing.assert_allclose(sure, 20.0)
    unsure = boundaries_of(Structure.BLADDER, rows, rows + 50, 0.3)
    assert np.isnan(deep_edge(unsure, Structure.BLADDER, SCALE)).all()


def test_impossible_series_are_refused() -> None:
    value = np.zeros(3)
    with pytest.raises(ValueError, match="thickness needs one confidence for each value"):
        Quantity("thickness", "tra", "mm", value, np.zeros(2))
    quantity = Quantity("thickness", "tra", "mm", value, np.ones(3))
    with pytest.raises(ValueError, match="thickness does not have one value for each time"):
        Series("c0ffee", np.arange(2.0), (quantity,))
    series = Series("c0ffee", np.arange(3.0), (quantity,))
    assert series.get("thickness", "tra") is quantity
    assert series.get("thickness", "eo") is None


# -- bladder base --------------------------------------------------------------------------------

TIME_S = np.arange(120) / 20.0
PEAK_PX = 236.0  # the base bulges most here
# Height of a bladder between columns 60 and 380, as a share of that in its middle.
ROUND = np.sqrt(np.clip(1 - ((COLUMN_PX - 220) / 160) ** 2, 0, 1))


def course(height_mm: float) -> Array:
    """Rest for 2 s, an effort of ``height_mm`` for 2 s, rest."""
    return height_mm * np.interp(TIME_S, [2, 2.4, 4, 4.4], [0, 1, 1, 0])


def bladder_frames(lift_mm: Array, push_mm: Array | float = 0.0, wide_mm: float = 12.0):
    """Round bladder whose base bulges by a bell while the probe pushes all tissue to itself."""
    rng = np.random.default_rng(2)
    across_mm = (COLUMN_PX.astype(float) - PEAK_PX) * SPACING.column_mm
    rest_mm = 40 - (across_mm / 20) ** 2
    seen = (COLUMN_PX > 60) & (COLUMN_PX < 380)
    for lift, push in zip(lift_mm, np.broadcast_to(push_mm, lift_mm.shape), strict=True):
        deep_mm = rest_mm - lift * np.exp(-0.5 * (across_mm / wide_mm) ** 2) - push
        deep_mm = deep_mm + rng.normal(0, 0.1, deep_mm.shape)
        rows = np.where(seen, deep_mm / SPACING.row_mm, np.nan)
        yield boundaries_of(Structure.BLADDER, rows - ROUND * (rows - 150), rows)


def pushed(push_mm: Array) -> Settle:
    """Tell where tissue would be without a push of the probe towards it."""
    return lambda index, column_px, depth: (column_px, depth + push_mm[index])


@pytest.mark.parametrize("height_mm", [9.0, -9.0, 3.0])
def test_base_recovers_the_peak_with_its_sign(height_mm: float) -> None:
    base, column = base_series(bladder_frames(course(height_mm)), SCALE, TIME_S)
    assert column == pytest.approx(PEAK_PX, abs=3.0 / SPACING.column_mm)
    np.testing.assert_allclose(base.value, course(height_mm), atol=0.06 * abs(height_mm) + 0.1)
    assert base.unit == "mm"
    np.testing.assert_allclose(base.confidence, 0.9, rtol=1e-5)


def test_still_bladder_is_measured_in_the_middle() -> None:
    base, column = base_series(bladder_frames(course(0.0)), SCALE, TIME_S)
    assert column == pytest.approx(220, abs=4)  # middle of columns 60 to 380
    assert np.abs(base.value).max() < 0.15


def test_push_of_the_probe_is_removed() -> None:
    push_mm = 2.0 * np.sin(TIME_S)
    frames = list(bladder_frames(course(6.0), push_mm))
    base, _ = base_series(frames, SCALE, TIME_S, pushed(push_mm))
    np.testing.assert_allclose(base.value, course(6.0), atol=0.4)
    # The test can fail: without the correction the push stays in.
    base, _ = base_series(frames, SCALE, TIME_S)
    assert np.abs(base.value - course(6.0)).max() > 1.5


def test_unknown_push_withholds_the_value() -> None:
    push_mm = np.where((TIME_S > 3) & (TIME_S < 3.5), np.nan, 0.0)
    base, _ = base_series(bladder_frames(course(6.0)), SCALE, TIME_S, pushed(push_mm))
    np.testing.assert_array_equal(np.isnan(base.value), np.isnan(push_mm))
    np.testing.assert_array_equal(base.confidence == 0, np.isnan(push_mm))


def hide(frames: list[Boundaries], hidden: Callable[[int], bool]) -> list[Boundaries]:
    missing = np.full((len(STRUCTURES), COLUMN_PX.size), np.nan, np.float32)
    gone = Boundaries(COLUMN_PX, missing, missing.copy(), np.zeros_like(missing))
    return [gone if hidden(i) else edges for i, edges in enumerate(frames)]


def test_frames_without_bladder_are_missing_even_at_the_start() -> None:
    frames = hide(list(bladder_frames(course(6.0))), lambda i: i < 20 or i in (60, 61))
    base, _ = base_series(frames, SCALE, TIME_S)
    gone = np.isnan(base.value)
    assert set(np.flatnonzero(gone)) == {*range(20), 60, 61}
    assert not base.confidence[gone].any()
    np.testing.assert_allclose(base.value[~gone], course(6.0)[~gone], atol=0.4)


@pytest.mark.parametrize("shown", [0, 30])
def test_bladder_never_or_seldom_seen_gives_nothing(shown: int) -> None:
    frames = hide(list(bladder_frames(course(6.0))), lambda i: i >= shown)
    base, column = base_series(frames, SCALE, TIME_S)
    assert column is None
    assert base.value.shape == TIME_S.shape
    assert np.isnan(base.value).all() and not base.confidence.any()


def test_doubled_spacing_doubles_the_displacement() -> None:
    frames = list(bladder_frames(course(6.0)))
    double = Scale(2 * SCALE.row, 2 * SCALE.column, "mm", 4.0, 10.0, 10.0)
    one, _ = base_series(frames, SCALE, TIME_S)
    two, _ = base_series(frames, double, TIME_S)
    np.testing.assert_allclose(two.value, 2 * one.value, rtol=1e-6, atol=1e-6)


def test_base_is_followed_along_the_skin_when_the_probe_slips() -> None:
    # The probe slips by 9 mm to the left: all tissue moves 9 mm to the right on the picture.
    slip_mm = 9 * np.clip((TIME_S - 2.5) / 1.0, 0, 1)
    still = list(bladder_frames(course(6.0)))
    slipped = []
    for edges, moved in zip(still, slip_mm, strict=True):
        column = COLUMN_PX.astype(float)
        before = column - moved / SPACING.column_mm
        known = np.isfinite(edges.deep_px[BLADDER])
        top, rows = (
            np.interp(before, column[known], edge[BLADDER][known], np.nan, np.nan)
            for edge in (edges.superficial_px, edges.deep_px)
        )
        slipped.append(boundaries_of(Structure.BLADDER, top, rows))

    def settle(index: int, column_px: Array, depth: Array) -> tuple[Array, Array]:
        return column_px - slip_mm[index] / SPACING.column_mm, depth

    base, _ = base_series(slipped, SCALE, TIME_S, settle)
    seen = ~np.isnan(base.value)
    assert seen.mean() > 0.9
    np.testing.assert_allclose(base.value[seen], course(6.0)[seen], atol=0.4)
    # The test can fail: the slope of the wall passes for a displacement without it.
    base, _ = base_series(slipped, SCALE, TIME_S)
    assert np.nanmax(np.abs(base.value - course(6.0))) > 1.0


@pytest.mark.parametrize("is_lowest", [True, False])
def test_base_below_the_picture_withholds_the_frame(is_lowest: bool) -> None:
    frames = list(bladder_frames(course(-9.0)))
    gap = slice(90, 110) if is_lowest else slice(55, 60)
    hidden = np.abs(course(-9.0)) > 5
    cut = []
    for edges, is_cut in zip(frames, hidden, strict=True):
        deep = edges.deep_px[BLADDER].astype(float)
        if is_cut:
            deep[gap] = np.nan
        cut.append(boundaries_of(Structure.BLADDER, np.where(np.isnan(deep), np.nan, 150), deep))
    base, _ = base_series(cut, SCALE, TIME_S)
    if is_lowest:
        np.testing.assert_array_equal(np.isnan(base.value), hidden)
    else:
        assert not np.isnan(base.value).any()


@pytest.mark.parametrize(("lift_mm", "is_seen"), [(0.0, False), (9.0, True)])
def test_bladder_cut_off_at_its_deepest_has_a_base_only_if_that_moves_inside(
    lift_mm: float, is_seen: bool
) -> None:
    # The wall sinks to the left, where a shadow cuts the bladder off in full height.
    frames = []
    for edges in bladder_frames(course(lift_mm), wide_mm=4.0):
        slope_mm = 0.1 * (COLUMN_PX - PEAK_PX) * SPACING.column_mm
        deep = edges.deep_px[BLADDER] - slope_mm / SPACING.row_mm
        top = np.where(np.isnan(deep), np.nan, 150.0)
        frames.append(boundaries_of(Structure.BLADDER, top, deep))
    # Nothing moves but the stretch beside the shadow, and that little.
    if not is_seen:
        for i, edges in enumerate(frames):
            shake = 0.3 * np.sin(i) * np.exp(-(COLUMN_PX - 60) / 60) / SPACING.row_mm
            deep = edges.deep_px[BLADDER] + shake
            frames[i] = boundaries_of(Structure.BLADDER, edges.superficial_px[BLADDER], deep)
    base, column = base_series(frames, SCALE, TIME_S)
    assert (column is not None) == is_seen
    assert np.isfinite(base.value).all() == is_seen
    # What moves most of the seen wall still tells when an effort was.
    assert np.isfinite(base_series(frames, SCALE, TIME_S, even_hidden=True)[0].value).all()


def test_wall_along_the_beam_is_no_base() -> None:
    # The side of a shadow, 18 mm high over three columns, goes to and fro by two columns.
    frames = []
    for i, edges in enumerate(bladder_frames(course(-3.0))):
        at = 320 + 4 * np.sin(TIME_S[i])
        up_mm = 18 * np.clip((COLUMN_PX - at) / 6, 0, 1)
        deep = edges.deep_px[BLADDER] - up_mm / SPACING.row_mm
        frames.append(boundaries_of(Structure.BLADDER, edges.superficial_px[BLADDER], deep))
    base, column = base_series(frames, SCALE, TIME_S)
    assert column == pytest.approx(PEAK_PX, abs=3.0 / SPACING.column_mm)
    np.testing.assert_allclose(base.value, course(-3.0), atol=0.3)


def test_peak_beside_columns_that_are_seldom_seen_keeps_its_place() -> None:
    # From 1 mm to the right of the peak the wall is hidden for 10 mm in all but a few frames.
    frames = list(bladder_frames(course(-9.0), wide_mm=5.0))
    first = PEAK_PX + 1 / SPACING.column_mm
    gap = (COLUMN_PX > first) & (COLUMN_PX < first + 10 / SPACING.column_mm)
    hidden = []
    for i, edges in enumerate(frames):
        deep = np.where(gap & (i > 8), np.nan, edges.deep_px[BLADDER]).astype(float)
        top = np.where(np.isnan(deep), np.nan, 150.0)
        hidden.append(boundaries_of(Structure.BLADDER, top, deep))
    base, column = base_series(hidden, SCALE, TIME_S, even_hidden=True)
    assert column == pytest.approx(PEAK_PX, abs=2.0 / SPACING.column_mm)
    # Columns on both sides of the gap, taken for neighbours, would give 2.7 mm.
    np.testing.assert_allclose(base.value, course(-9.0), atol=0.4)


def test_thickness_follows_the_tissue_where_asked() -> None:
    # A wedge that slides by: at its own place it keeps its thickness.
    across = COLUMN_PX.astype(float) - SITE_PX
    moved_px = np.linspace(0, 60, 7)
    frames = []
    for moved in moved_px:
        thick_mm = 5 + 0.02 * (across - moved)
        top = np.full(across.shape, 100.0)
        frames.append(boundaries_of(Structure.TRA, top, top + thick_mm / SPACING.row_mm))
    shift = np.repeat(moved_px[:, None], 4, axis=1)
    followed = thickness_series(frames, SITE_PX, SCALE, shift)[TRA].value
    np.testing.assert_allclose(followed, followed[0], rtol=1e-3)
    fixed = thickness_series(frames, SITE_PX, SCALE)[TRA].value
    assert fixed[0] - fixed[-1] == pytest.approx(0.02 * 60, rel=0.05)
    shift[3] = np.nan
    lost = thickness_series(frames, SITE_PX, SCALE, shift)[TRA]
    assert np.isnan(lost.value).tolist() == [False] * 3 + [True] + [False] * 3
    assert lost.confidence[3] == 0
