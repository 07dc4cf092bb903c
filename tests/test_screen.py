"""Finding the image on drawn screens; speckle here is the test's own, not the generator's."""

import cv2
import numpy as np
import pytest
from screens import blank, dark_sector_screen, fan, linear_screen, sector_screen, speckle, write

from layermotion.clip.screen import find_image_area, find_image_areas
from layermotion.errors import InputError
from layermotion.geometry import ImageArea


def assert_box(found: ImageArea, true: ImageArea, part: float) -> None:
    for name, start, length in (("top", "top", "height"), ("left", "left", "width")):
        begin, size = getattr(true, start), getattr(true, length)
        found_begin, found_size = getattr(found, start), getattr(found, length)
        assert abs(found_begin - begin) <= part * size, (name, found, true)
        assert abs(found_begin + found_size - begin - size) <= part * size, (name, found, true)


@pytest.mark.parametrize("border", [0, 70, 128])
@pytest.mark.parametrize("scale", [1, 2])
def test_linear_image_is_found_past_text_ruler_bar_and_icon(border: int, scale: int) -> None:
    screen, area = linear_screen(border=border, scale=scale)
    assert_box(find_image_area([screen]), area, 0.03)


def test_sector_is_found_in_black_corners_beside_a_menu() -> None:
    screen, area = sector_screen()
    assert_box(find_image_area([screen]), area, 0.05)


def test_trapezoid_is_found() -> None:
    screen, area = blank(480, 640), ImageArea(40, 100, 400, 440)
    outline = np.array([[200, 40], [439, 40], [539, 439], [100, 439]], np.int32)
    mask = cv2.fillPoly(blank(480, 640), [outline], 1).astype(bool)
    screen[mask] = speckle(480, 640, 3)[mask]
    write(screen, "Abdomen", 20, 10)
    assert_box(find_image_area([screen]), area, 0.05)


@pytest.mark.parametrize("shape", [(480, 640), (300, 300), (1080, 1440)])
def test_image_that_fills_the_frame_gives_the_whole_frame(shape: tuple[int, int]) -> None:
    assert find_image_area([speckle(*shape, seed=4)]) == ImageArea(0, 0, *shape)


@pytest.mark.parametrize("half_width", [110, 205])
def test_bladder_hole_does_not_cut_the_image(half_width: int) -> None:
    screen, area = linear_screen(seed=6)
    cv2.ellipse(screen, (330, 240), (half_width, 90), 0, 0, 360, 0, -1)
    assert_box(find_image_area([screen]), area, 0.03)


def test_bladder_over_the_full_width_does_not_cut_the_image() -> None:
    screen, area = linear_screen(seed=7)
    screen[180:330, area.left : area.left + area.width] = 0
    assert_box(find_image_area([screen]), area, 0.03)


def test_shadow_down_to_the_bottom_does_not_cut_the_image() -> None:
    screen, area = linear_screen(seed=8)
    screen[130 : area.top + area.height, area.left : area.left + 130] = 0
    assert_box(find_image_area([screen]), area, 0.03)


def test_faint_deep_tissue_is_kept() -> None:
    screen, area = linear_screen(seed=9, deep=0.03)
    found = find_image_area([screen])
    assert found.top + found.height >= area.top + 0.97 * area.height
    assert_box(found, area, 0.03)


def test_barely_visible_deep_rows_are_kept() -> None:
    screen, area = linear_screen(seed=12)
    deep = np.random.default_rng(12).integers(0, 3, (120, area.width), np.uint8)
    screen[area.top + area.height - 120 : area.top + area.height, area.left :][:, : area.width] = (
        deep
    )
    assert_box(find_image_area([screen]), area, 0.03)


def test_ruler_below_the_image_is_left_out() -> None:
    area = ImageArea(40, 120, 360, 420)
    screen = blank(480, 640)
    screen[area.slices] = speckle(area.height, area.width, 13)
    for tick in range(area.left, area.left + area.width, 14):
        cv2.line(screen, (tick, 401), (tick, 440), 200, 1)
    assert_box(find_image_area([screen]), area, 0.03)


def test_dark_deep_sides_of_a_sector_are_kept() -> None:
    screen, area = dark_sector_screen(14, deep=15.0)
    assert_box(find_image_area([screen]), area, 0.05)


@pytest.mark.parametrize("is_mirrored", [False, True])
def test_dark_side_of_a_sector_is_kept(is_mirrored: bool) -> None:
    screen, area = dark_sector_screen(15, deep=35.0)
    screen[90:, 340:] = 0
    if is_mirrored:
        screen = np.ascontiguousarray(screen[:, ::-1])
        area = ImageArea(area.top, 640 - area.left - area.width, area.height, area.width)
    assert_box(find_image_area([screen]), area, 0.05)


def test_tissue_beyond_the_seen_beams_is_kept_on_both_sides() -> None:
    screen, area = linear_screen(seed=17)
    screen[area.top : 230, area.left : area.left + 110] = 0
    screen[area.top :, area.left + 310 : area.left + area.width][: area.height] = 0
    assert_box(find_image_area([screen]), area, 0.05)


def test_sparse_moving_echoes_below_a_bladder_are_kept_and_still_text_is_not() -> None:
    screen, area = dark_sector_screen(16, deep=15.0)
    radius, angle = fan(480, 640, 320)
    screen[radius > 300] = 0
    write(screen, "Pelvic floor, contraction 3", 470, 200)
    sparse = (radius >= 350) & (radius <= 440) & (np.abs(angle) <= 25)
    frames = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        frame = screen.copy()
        spots = cv2.dilate((rng.random((480, 640)) < 0.001).astype(np.uint8), np.ones((5, 5)))
        frame[sparse & (spots > 0)] = 40
        frames.append(frame)
    assert_box(find_image_area(frames), area, 0.05)
    still = find_image_area(frames[:1])
    assert still.top + still.height < 300


def test_box_of_a_moving_image_is_tight_in_depth() -> None:
    screens = [linear_screen(seed, deep=1.0) for seed in range(20, 25)]
    area = screens[0][1]
    found = find_image_area([screen for screen, _ in screens])
    assert abs(found.top - area.top) <= 2
    assert abs(found.top + found.height - area.top - area.height) <= 2


def test_wide_beams_of_one_image_do_not_reach_into_the_next() -> None:
    screen = blank(480, 640)
    for axis in (160, 480):
        radius, angle = fan(480, 640, axis)
        field = (radius >= 60) & (radius <= 440) & (np.abs(angle) <= 35)
        seen = field & (np.abs(np.arange(640) - axis) < 150)
        screen[seen] = speckle(480, 640, axis)[seen]
    left, right = sorted(find_image_areas([screen]), key=lambda box: box.left)
    assert left.left + left.width <= right.left
    assert left.left <= 12
    assert right.left + right.width >= 628


def test_compressed_screen_is_found() -> None:
    screen, area = linear_screen(seed=10)
    coded = cv2.imencode(".jpg", screen, [cv2.IMWRITE_JPEG_QUALITY, 60])[1]
    assert_box(find_image_area([cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)]), area, 0.03)


@pytest.mark.parametrize("gap", [6, 24])
def test_split_screen_gives_both_images_left_first(gap: int) -> None:
    left, right = ImageArea(60, 20, 380, 280), ImageArea(60, 300 + gap, 380, 280)
    screen = blank(480, 640)
    for seed, area in enumerate((left, right)):
        screen[area.slices] = speckle(area.height, area.width, seed)
    write(screen, "Rest", 30, 30)
    write(screen, "Contraction", 30, 350)
    found = find_image_areas([screen])
    assert len(found) == 2
    for box, area in zip(found, (left, right), strict=True):
        assert_box(box, area, 0.03)
    assert find_image_area([screen]) == found[0]


def test_larger_of_two_unequal_images_leads() -> None:
    small, large = ImageArea(60, 20, 240, 200), ImageArea(60, 260, 380, 340)
    screen = blank(480, 640)
    for seed, area in enumerate((small, large)):
        screen[area.slices] = speckle(area.height, area.width, seed)
    assert_box(find_image_area([screen]), large, 0.03)


def test_a_frame_without_contact_does_not_hide_the_image() -> None:
    screen, area = linear_screen(seed=11)
    empty = screen.copy()
    empty[area.slices] = 0
    assert_box(find_image_area([empty, screen, empty]), area, 0.03)


@pytest.mark.parametrize("level", [0, 90])
def test_flat_frame_gives_the_whole_frame(level: int) -> None:
    assert find_image_area([blank(120, 160, level)]) == ImageArea(0, 0, 120, 160)


def test_no_frame_is_refused() -> None:
    with pytest.raises(InputError, match="No frame was given"):
        find_image_area([])
