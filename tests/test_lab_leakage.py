"""One picture in two splits is found, whole or cut; different pictures are not taken for one."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.lab.leakage import LARGEST_DISTANCE, Shared, find_leaks, picture_hash
from layermotion.labels import Task, View
from layermotion_synthetic.clips import draw_clip, render_clip

Grey = NDArray[np.uint8]
SCENES = 8


@pytest.fixture(scope="module")
def scenes() -> list[tuple[str, Grey]]:
    """Image areas of synthetic pictures, by name."""
    drawn = []
    for number in range(SCENES):
        view = View.BLADDER if number % 4 == 3 else View.ABDOMINAL_WALL
        rng = np.random.default_rng([5, number])
        plan = draw_clip(rng, view, task=Task.REST, frame_rate_hz=1.0)
        screen, _ = next(iter(render_clip(plan)))
        drawn.append((str(number), np.ascontiguousarray(screen[plan.area.slices])))
    return drawn


def resaved(image: Grey) -> list[Grey]:
    """Make copies of a picture as other exports of it would be."""
    rows, columns = image.shape
    small = (round(0.7 * columns), round(0.7 * rows))
    brighter = (255 * (image / 255) ** 0.7).astype(np.uint8)
    return [as_jpeg(image), cv2.resize(image, small), brighter, image[:, ::-1]]


def as_jpeg(image: Grey) -> Grey:
    """Compress and read again."""
    coded = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 60])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE), np.uint8)


def cut(image: Grey, part: float, down: float, across: float) -> Grey:
    """Cut to a part of both sides; ``down`` and ``across`` say where, 0 to 1."""
    rows, columns = image.shape
    height, width = round(part * rows), round(part * columns)
    top, left = round(down * (rows - height)), round(across * (columns - width))
    return np.ascontiguousarray(image[top : top + height, left : left + width])


def test_copies_are_found_and_different_scenes_are_not(scenes: list[tuple[str, Grey]]) -> None:
    hashes = [picture_hash(image) for _, image in scenes]
    nearest = min(int((hashes[a] != hashes[b]).sum()) for a in range(SCENES) for b in range(a))
    assert nearest > 1.4 * LARGEST_DISTANCE
    copies = [(f"{key} again", copy) for key, image in scenes for copy in resaved(image)]
    leaks = find_leaks(scenes, copies)
    assert {(leak.one, leak.other) for leak in leaks} == {(k, f"{k} again") for k, _ in scenes}
    assert {leak.shared for leak in leaks} == {Shared.WHOLE}
    half = SCENES // 2
    assert find_leaks(scenes[:half], scenes[half:]) == ()


@pytest.mark.parametrize(
    ("part", "down", "across", "fewest"),
    [(0.9, 0.5, 0.5, SCENES), (0.8, 0.1, 0.9, SCENES), (0.7, 0.4, 0.3, SCENES - 1)],
)
def test_a_cut_is_found_whatever_else_was_done_to_it(
    part: float, down: float, across: float, fewest: int, scenes: list[tuple[str, Grey]]
) -> None:
    cuts = [(key, as_jpeg(cut(image, part, down, across))) for key, image in scenes]
    mirrored = [(key, np.ascontiguousarray(image[:, ::-1])) for key, image in cuts]
    for changed in (cuts, mirrored):
        leaks = find_leaks(scenes, changed)
        assert all(leak.one == leak.other for leak in leaks)
        assert len(leaks) >= fewest


def test_marks_of_the_scanner_alone_make_no_pair(scenes: list[tuple[str, Grey]]) -> None:
    marked = []
    for key, image in scenes:
        image = image.copy()
        for row in range(20, image.shape[0] - 20, 12):  # a ruler along one side
            cv2.line(image, (2, row), (8 + 4 * (row % 3), row), 255, 1)
        cv2.putText(image, "ABD 5-12 MHz", (10, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.4, 255, 1)
        marked.append((key, image))
    half = SCENES // 2
    assert find_leaks(marked[:half], marked[half:]) == ()


def test_pictures_without_texture_are_compared_as_a_whole(
    scenes: list[tuple[str, Grey]],
) -> None:
    ramp = np.tile(np.linspace(0, 200, 100).astype(np.uint8), (80, 1))
    assert find_leaks([], scenes) == find_leaks([("ramp", ramp)], scenes) == ()
    assert [leak.shared for leak in find_leaks([("a", ramp)], [("b", ramp)])] == [Shared.WHOLE]
