"""Arrows of moved tissue: where they begin and end, and when there is none."""

import math
from dataclasses import replace

import numpy as np
import pytest
from report_content import make_boundaries, make_content

from layermotion.edges.boundaries import Boundaries
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import STRUCTURES, Structure
from layermotion.report.alignment import Alignment, align
from layermotion.report.arrows import Arrow, base_arrow, muscle_arrows
from layermotion.report.pictures import draw_picture
from layermotion.tissue.tracker import LOST, Shift, TissueMotion

AREA = ImageArea(10, 20, 150, 200)
SITE_PX = 120.0
NOWHERE = (float("nan"),) * 4
DEPTH_PX = (20.0, 40.0, 60.0, 80.0)


STILL = Shift(0.0, 0.0, 0.9)


def motion(io: Shift, tra: Shift, eo: Shift = STILL) -> TissueMotion:
    return TissueMotion((LOST, eo, io, tra), Shift(0.0, 0.0, 0.9), 0.0, DEPTH_PX, NOWHERE)


def test_arrow_of_a_muscle_is_against_rest_and_not_against_the_first_frame() -> None:
    still = Shift(3.0, 1.0, 0.9)
    motions = [motion(still, still), motion(Shift(4.0, 1.0, 0.9), Shift(33.0, 5.0, 0.9))]
    # IO moves by one column only, which nobody could see.
    io, arrow = muscle_arrows(motions, 1, 0, SITE_PX, AREA)
    assert not io.is_long_enough(AREA)
    assert arrow.is_long_enough(AREA)
    assert arrow == Arrow(Structure.TRA, 123.0, 91.0, 153.0, 95.0)
    assert arrow.seen_from(AREA) == Arrow(Structure.TRA, 103.0, 81.0, 133.0, 85.0)
    assert arrow.length_px == pytest.approx(math.hypot(30, 4))


def test_arrows_are_against_the_eo_as_the_numbers_are() -> None:
    still, moved = Shift(3.0, 1.0, 0.9), Shift(33.0, 1.0, 0.9)
    carried = Shift(30.0, 0.0, 0.9)
    # All of the wall moves under the probe: nothing slides.
    together = [motion(still, still), motion(moved, moved, carried)]
    assert all(a.length_px == 0 for a in muscle_arrows(together, 1, 0, SITE_PX, AREA))
    # The EO alone moves: what stays behind slides the other way.
    behind = [motion(still, still), motion(still, still, carried)]
    _, tra = muscle_arrows(behind, 1, 0, SITE_PX, AREA)
    assert tra == Arrow(Structure.TRA, 153.0, 91.0, 123.0, 91.0)
    lost = [motion(still, still), motion(moved, moved, LOST)]
    assert not any(a.is_long_enough(AREA) for a in muscle_arrows(lost, 1, 0, SITE_PX, AREA))


def test_muscle_that_was_lost_has_no_arrow() -> None:
    seen = Shift(30.0, 0.0, 0.9)
    motions = [motion(LOST, LOST), motion(seen, seen)]
    for order in (motions, motions[::-1]):
        arrows = muscle_arrows(order, 1, 0, SITE_PX, AREA)
        assert not any(arrow.is_long_enough(AREA) for arrow in arrows)


@pytest.mark.parametrize("lift_px", [12.0, -12.0])
def test_arrow_of_the_base_points_the_way_it_moved(lift_px: float) -> None:
    column_px = np.arange(20, 220, dtype=np.float32)
    edges = np.full((2, len(STRUCTURES), column_px.size), np.nan, np.float32)
    edges[:, 4] = [[30.0], [100.0]]
    boundaries = Boundaries(column_px, edges[0], edges[1], np.ones((5, 200), np.float32))
    (arrow,) = base_arrow(boundaries, lift_px, SITE_PX, AREA)
    assert arrow == Arrow(Structure.BLADDER, SITE_PX, 100.0 + lift_px, SITE_PX, 100.0)
    assert base_arrow(boundaries, 0.5, SITE_PX, AREA) == ()
    assert base_arrow(boundaries, float("nan"), SITE_PX, AREA) == ()
    assert base_arrow(make_boundaries(), lift_px, SITE_PX, AREA) == ()


def test_picture_draws_the_arrow_in_mm_of_both_axes() -> None:
    content = make_content()
    shown = content.key_frames[1]
    arrow = Arrow(Structure.TRA, 101.0, 51.0, 151.0, 51.0)
    picture = draw_picture(
        type(shown)(shown.role, shown.frame, shown.boundaries, (arrow,)), content
    )
    (pointer,) = picture.pointers
    # The area begins at (1, 1) and pixels are 0.11 mm wide and 0.08 mm high.
    assert pointer.ring[:2] == pytest.approx((100.5 * 0.11, 50.5 * 0.08))
    assert pointer.head.startswith(f"M{150.5 * 0.11:.3f} {50.5 * 0.08:.3f}")
    assert draw_picture(content.key_frames[0], content).pointers == ()


def test_alignment_takes_shift_and_turn_of_the_probe_along() -> None:
    spacing = Spacing(0.08, 0.11, "test")
    still = Shift(0.0, 0.0, 0.9)
    layers = (LOST,) * 4
    motions = [
        TissueMotion(layers, Shift(2.0, 1.0, 0.9), 0.01, NOWHERE, NOWHERE),
        TissueMotion(layers, Shift(7.0, 4.0, 0.9), 0.03, NOWHERE, NOWHERE),
        TissueMotion(layers, still, float("nan"), NOWHERE, NOWHERE),
    ]
    alignment = align(motions, 1, 0, AREA, spacing)
    assert alignment is not None
    # 50 rows of 0.08 mm below the face and 20 columns of 0.11 mm right of its middle.
    middle = AREA.left + (AREA.width - 1) / 2
    column, row = alignment.carry(np.array([middle + 20]), np.array([AREA.top + 50.0]))
    assert column[0] == pytest.approx(middle + 20 + 5 - 0.02 * 50 * 0.08 / 0.11)
    assert row[0] == pytest.approx(AREA.top + 50 + 3 + 0.02 * 20 * 0.11 / 0.08)
    assert align(motions, 2, 0, AREA, spacing) is None
    assert align((), 1, 0, AREA, spacing) is None
    # Tissue that only moved with the probe has not moved.
    carried = Arrow(Structure.TRA, middle + 20, 60.0, float(column[0]), float(row[0]))
    assert carried.length_px > 5 and carried.aligned(alignment).length_px == pytest.approx(0)


def test_outline_at_rest_is_drawn_where_the_probe_has_taken_it() -> None:
    content = make_content()
    alignment = Alignment(10.0, 5.0, 0.0, 115.0, 1.0, 0.08 / 0.11)
    frames = [content.key_frames[0], replace(content.key_frames[1], alignment=alignment)]
    plain = draw_picture(content.key_frames[1], content)
    moved = draw_picture(frames[1], content)
    assert not plain.is_aligned and moved.is_aligned
    one, other = (
        [float(value) for value in picture.shadows[0].points.split()[0].split(",")]
        for picture in (plain, moved)
    )
    assert other == pytest.approx([one[0] + 10 * 0.11, one[1] + 5 * 0.08], abs=2e-3)
