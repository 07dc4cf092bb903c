"""Covering what stands beside the beams, and nothing else."""

import threading
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from screens import blank, dark_sector_screen, fan, linear_screen, speckle, write

from layermotion.clip.marks import find_marks
from layermotion.clip.pair import Shows, open_split
from layermotion.clip.screen import find_image_area
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.geometry import ImageArea
from layermotion.labels import View
from layermotion.live import taking
from layermotion_synthetic.factors import DRAWN
from layermotion_synthetic.pose import rest_pose
from layermotion_synthetic.scene import draw_scene, picture_grid, render

Grey = NDArray[np.uint8]


def curved(seed: int = 2) -> tuple[Grey, ImageArea]:
    """Picture of a curved probe on black, 35 degrees to both sides, and nothing beside it."""
    radius, angle = fan(480, 640, 320)
    field = (radius >= 60) & (radius <= 440) & (np.abs(angle) <= 35)
    screen = np.where(field, speckle(480, 640, seed), 0).astype(np.uint8)
    rows, columns = (np.flatnonzero(field.any(axis=axis)) for axis in (1, 0))
    return screen, ImageArea(
        int(rows[0]), int(columns[0]), int(np.ptp(rows)) + 1, int(np.ptp(columns)) + 1
    )


def marked(screen: Grey, area: ImageArea) -> Grey:
    """Write a word, a ruler and a body mark into the corners of a curved image, below and above."""
    marked, bottom, right = screen.copy(), area.top + area.height, area.left + area.width
    write(marked, "Jane Doe", area.top + 20, area.left + 4, 0.4)
    cv2.ellipse(marked, (right - 24, area.top + 30), (12, 20), 0, 0, 360, 210, 1)
    cv2.line(marked, (right - 30, area.top + 34), (right - 18, area.top + 30), 230, 2)
    for row in range(area.top + 60, area.top + 140, 16):
        cv2.line(marked, (area.left + 6, row), (area.left + 12, row), 190, 1)
    write(marked, "R", bottom - 8, area.left + 6, 0.4)
    return marked


@pytest.mark.parametrize("border", [0, 64])
@pytest.mark.parametrize("seed", [2, 3])
def test_words_rulers_and_body_marks_beside_the_beams_are_covered(border: int, seed: int) -> None:
    screen, area = curved(seed)
    radius, angle = fan(480, 640, 320)
    beside = (radius < 60) | (radius > 440) | (np.abs(angle) > 35)
    screen[beside] = border
    busy = marked(screen, area)
    cover = find_marks([busy], find_image_area([busy]))
    assert cover.mask.any()
    hidden = cover.hide(busy)[area.slices]
    expected = screen[area.slices]
    assert (busy[area.slices] != expected).sum() > 300
    assert np.array_equal(hidden, expected)


@pytest.mark.parametrize("deep", [4, 12, 33])
def test_a_far_wall_below_a_full_bladder_stays(deep: float) -> None:
    screen, area = dark_sector_screen(5, deep=deep)
    busy = marked(screen, area)
    cover = find_marks([busy], area)
    assert cover.mask.any()
    hidden = cover.hide(busy)[area.slices]
    wall = screen[area.slices] > 0
    assert np.array_equal(hidden[wall], screen[area.slices][wall])
    assert not (hidden[:50, :90] > 100).any() or (screen[area.slices][:50, :90] > 100).any()


def test_a_flat_probe_and_a_clean_screen_have_nothing_to_cover() -> None:
    screen, area = linear_screen()
    assert not find_marks([screen], area).mask.any()
    screen, area = curved()
    assert not find_marks([screen], area).mask.any()
    assert not find_marks([blank(200, 300)], ImageArea(0, 0, 200, 300)).mask.any()


def test_a_word_over_tissue_or_across_its_edge_stays() -> None:
    screen, area = curved()
    write(screen, "EO", area.top + 200, area.left + area.width // 2)
    edge = int(np.flatnonzero(screen[area.top + 120, area.left :])[0]) + area.left
    write(screen, "across", area.top + 120, edge - 20)
    assert not find_marks([screen], area).mask.any()


def test_what_covers_marks_takes_no_tissue_of_generated_pictures() -> None:
    found = 0
    for number in range(24):
        rng = np.random.default_rng([77, number])
        scene = draw_scene(rng, View.BLADDER, {**DRAWN, "screen_grab": 0})
        picture = render(rng, scene, rest_pose(scene.stack), picture_grid(scene, 480, 600))
        clean = np.where(picture.inside, picture.pixels, 0).astype(np.uint8)
        near = cv2.dilate(picture.inside.astype(np.uint8), np.ones((25, 25), np.uint8)).astype(bool)
        busy = clean.copy()
        write(busy, "Right", 26, 6)
        is_apart = not near[10:32, :60].any()
        cover = find_marks([busy], find_image_area([busy]))
        hidden = cover.hide(busy)
        # Noise as dark as that is no echo that anybody measures.
        seen = picture.inside & (clean > 16)
        assert np.array_equal(hidden[seen], busy[seen]), number
        area = find_image_area([busy])
        seen = hidden[area.slices][: max(0, 32 - area.top), : max(0, 60 - area.left)]
        if is_apart and seen.size:
            found += 1
            assert not (seen > 20).any(), number
    assert found >= 10


def test_every_way_in_covers_what_names_a_person(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen, area = curved()
    screen = screen[area.top - 4 : area.top + area.height + 4, area.left - 4 : area.left + 520]
    clean = screen[:, : area.width + 8]
    area = ImageArea(4, 4, area.height, area.width)
    busy = marked(clean, area)

    def is_clean(pixels: Grey) -> bool:
        shown = pixels[:60] if pixels.shape[0] < clean.shape[0] else pixels[4:60, 4:-4]
        return not (shown[:24, :80] > 100).any()

    assert not is_clean(busy)
    cv2.imwrite(str(tmp_path / "one.png"), busy)
    clip = open_clip(tmp_path / "one.png", SourceOptions(mm_per_pixel=(0.2, 0.2)))
    assert is_clean(next(clip.frames()).pixels)
    # Two images side by side: both.
    cv2.imwrite(str(tmp_path / "two.png"), np.hstack([busy, blank(len(busy), 40), busy]))
    pair = open_split(
        tmp_path / "two.png", Shows.REST_CONTRACTED, SourceOptions(mm_per_pixel=(0.2, 0.2))
    )
    assert [is_clean(frame.pixels) for frame in pair.frames()] == [True, True]
    # A capture device.
    monkeypatch.setattr(taking, "device_path", lambda _: tmp_path)

    class Capture:
        def isOpened(self) -> bool:  # noqa: N802
            return True

        def set(self, *_: object) -> None: ...

        def read(self) -> tuple[bool, Grey]:
            return True, cv2.cvtColor(busy, cv2.COLOR_GRAY2BGR)

    monkeypatch.setattr(taking.cv2, "VideoCapture", lambda *_: Capture())
    device = taking.Device(0, SourceOptions(mm_per_pixel=(0.2, 0.2)))
    assert is_clean(next(device.taken(threading.Event())).frame.pixels)
