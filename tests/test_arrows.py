"""Arrows of moved tissue: where they begin and end, and when there is none."""

import math

import numpy as np
import pytest
from report_content import make_boundaries, make_content

from layermotion.boundaries import Boundaries
from layermotion.geometry import ImageArea
from layermotion.labels import STRUCTURES, Structure
from layermotion.motion import LOST, Shift, TissueMotion
from layermotion.report.arrows import Arrow, base_arrow, muscle_arrows
from layermotion.report.pictures import draw_picture

AREA = ImageArea(10, 20, 150, 200)
SITE_PX = 120.0
NOWHERE = (float("nan"),) * 4
DEPTH_PX = (20.0, 40.0, 60.0, 80.0)


def motion(io: Shift, tra: Shift) -> TissueMotion:
    return TissueMotion((LOST, LOST, io, tra), Shift(0.0, 0.0, 0.9), 0.0, DEPTH_PX, NOWHERE)


def test_arrow_of_a_muscle_is_against_rest_and_not_against_the_first_frame() -> None:
    still = Shift(3.0, 1.0, 0.9)
    motions = [motion(still, still), motion(Shift(4.0, 1.0, 0.9), Shift(33.0, 5.0, 0.9))]
    # EO is lost, IO moves by one column only, which nobody could see.
    (arrow,) = muscle_arrows(motions, 1, 0, SITE_PX, AREA)
    assert arrow == Arrow(Structure.TRA, 123.0, 91.0, 153.0, 95.0)
    assert arrow.seen_from(AREA) == Arrow(Structure.TRA, 103.0, 81.0, 133.0, 85.0)
    assert arrow.length_px == pytest.approx(math.hypot(30, 4))
    assert muscle_arrows(motions, 0, 0, SITE_PX, AREA) == ()


def test_muscle_that_was_lost_has_no_arrow() -> None:
    seen = Shift(30.0, 0.0, 0.9)
    motions = [motion(LOST, LOST), motion(seen, seen)]
    assert muscle_arrows(motions, 1, 0, SITE_PX, AREA) == ()
    assert muscle_arrows(motions[::-1], 1, 0, SITE_PX, AREA) == ()


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
