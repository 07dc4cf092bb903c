"""Stills of rest and contraction: what makes a pair, and what it gives."""

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from standin import write_dicom
from test_clip_dicom import region
from visits import DrawnVisit

from layermotion.analysis.pair import PROBE_UNKNOWN, analyse_pair
from layermotion.clip import Clip
from layermotion.clip.pair import STILL_CAUTION, Shows, open_pair, open_split
from layermotion.clip.source import SourceOptions
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError
from layermotion.labels import Task, View

OPTIONS = SourceOptions(mm_per_pixel=(0.08, 0.11), task=Task.DRAW_IN)


@pytest.fixture
def visit(tmp_path: Path) -> DrawnVisit:
    return DrawnVisit(tmp_path / "visit")


def test_pair_is_a_clip_of_two_frames_with_a_name_of_its_own(visit: DrawnVisit) -> None:
    rest, full = visit.still("rest.png", 45), visit.still("full.png", 60)
    clip, swapped = open_pair(rest, full, OPTIONS), open_pair(full, rest, OPTIONS)
    frames = list(clip.frames())
    assert [frame.index for frame in frames] == [0, 1]
    np.testing.assert_array_equal(frames[0].pixels, cv2.imread(str(rest), cv2.IMREAD_GRAYSCALE))
    assert clip.is_still and STILL_CAUTION in clip.cautions
    assert clip.clip_id != swapped.clip_id


def test_split_screen_gives_both_images_in_the_stated_order(visit: DrawnVisit) -> None:
    path = visit.split("split.png", 45, 60)
    clip = open_split(path, Shows.REST_CONTRACTED, OPTIONS)
    swapped = open_split(path, Shows.CONTRACTED_REST, OPTIONS)
    first, second = ([frame.pixels for frame in item.frames()] for item in (clip, swapped))
    np.testing.assert_array_equal(first[0], second[1])
    np.testing.assert_array_equal(first[1], second[0])
    assert first[0].shape == first[1].shape == clip.frame_shape
    assert (first[0] != first[1]).any()
    assert any("the left image is stated to show rest" in words for words in clip.cautions)
    assert any("the left image is stated to show contracted" in words for words in swapped.cautions)


def test_split_screen_of_a_file_has_one_scale(visit: DrawnVisit) -> None:
    screen = cv2.imread(str(visit.split("split.png", 45, 60)), cv2.IMREAD_GRAYSCALE)
    assert screen is not None
    half = screen.shape[1] // 2
    sides = ((0, half - 1), (half, 2 * half - 1))
    options = SourceOptions(task=Task.DRAW_IN)
    for scale, is_refused in ((1.0, False), (1.3, True)):
        regions = [
            region((left, 0, right, screen.shape[0] - 1), 0.08 / factor, 0.11 / factor)
            for (left, right), factor in zip(sides, (1.0, scale), strict=True)
        ]
        path = write_dicom(
            visit.folder / "split.dcm", [screen], SequenceOfUltrasoundRegions=regions
        )
        if is_refused:
            with pytest.raises(InputError, match=r"^split.dcm shows two images of different scale"):
                open_split(path, Shows.REST_CONTRACTED, options)
            continue
        clip = open_split(path, Shows.REST_CONTRACTED, options)
        assert clip.spacing is not None and clip.spacing.row_mm == pytest.approx(0.08)
        # Both images are measured, so nothing is said of a choice.
        assert not any("is measured" in words for words in clip.cautions)


def test_bladder_stills_give_the_displacement_and_say_what_is_unknown(visit: DrawnVisit) -> None:
    paths = (visit.still("rest.png", 0, View.BLADDER), visit.still("full.png", -40, View.BLADDER))
    options = SourceOptions(mm_per_pixel=(0.08, 0.11), task=Task.STRAIN)
    with Recording() as recording:
        clip = open_pair(*paths, options)
        analysis = analyse_pair(clip, visit.segmenter(), parse_site("muscle-centre"), recording)
        assert len(recording) == 2
    (measure,) = analysis.measures
    assert (measure.name, measure.task, measure.frames) == (
        "base_displacement",
        "strain",
        "0-0;1-1",
    )
    assert measure.value == pytest.approx(-40 * 0.08, abs=0.3)
    assert measure.low is not None and measure.high is not None and measure.high < 0
    assert PROBE_UNKNOWN in analysis.cautions


def same_twice(visit: DrawnVisit) -> Clip:
    path = visit.still("rest.png", 45)
    copy = visit.folder / "copy.png"
    copy.write_bytes(path.read_bytes())
    return open_pair(path, copy, OPTIONS)


def two_sizes(visit: DrawnVisit) -> Clip:
    rest, full = visit.still("rest.png", 45), visit.still("full.png", 60)
    image = cv2.imread(str(full), cv2.IMREAD_GRAYSCALE)
    cv2.imwrite(str(full), image[:-20])
    return open_pair(rest, full, OPTIONS)


def clip_for_a_still(visit: DrawnVisit) -> Clip:
    return open_pair(visit.still("rest.png", 45), visit.wall("clip.dcm", 20), OPTIONS)


def two_scales(visit: DrawnVisit) -> Clip:
    rest, full = visit.still("rest.png", 45), visit.still("full.png", 60)
    image = cv2.imread(str(full), cv2.IMREAD_GRAYSCALE)
    # The image fills less of the screen, so the depth of view covers fewer rows.
    smaller = np.zeros_like(image)
    smaller[40:-40, 30:-30] = image[40:-40, 30:-30]
    cv2.imwrite(str(full), smaller)
    return open_pair(rest, full, SourceOptions(depth_mm=40.0))


def one_image(visit: DrawnVisit) -> Clip:
    return open_split(visit.still("one.png", 45), Shows.REST_CONTRACTED, OPTIONS)


def one_above_the_other(visit: DrawnVisit) -> Clip:
    images = [
        cv2.imread(str(visit.still(f"{rows}.png", rows)), cv2.IMREAD_GRAYSCALE) for rows in (45, 60)
    ]
    gap = np.zeros((40, images[0].shape[1]), np.uint8)
    path = visit.folder / "stacked.png"
    cv2.imwrite(str(path), np.pad(np.vstack([images[0], gap, images[1]]), 30))
    return open_split(path, Shows.REST_CONTRACTED, OPTIONS)


def unequal_images(visit: DrawnVisit) -> Clip:
    left, right = (
        cv2.imread(str(visit.still(f"{rows}.png", rows)), cv2.IMREAD_GRAYSCALE) for rows in (45, 60)
    )
    screen = np.zeros((left.shape[0] + 40, 2 * left.shape[1] + 60), np.uint8)
    screen[20:-20, 20 : 20 + left.shape[1]] = left
    screen[20:-100, -20 - right.shape[1] : -20] = right[:-80]
    path = visit.folder / "unequal.png"
    cv2.imwrite(str(path), screen)
    return open_split(path, Shows.REST_CONTRACTED, OPTIONS)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (same_twice, "rest.png and copy.png are the same picture; give one at rest and one"),
        (
            two_sizes,
            "has 320 x 240 pixels and full.png has 300 x 240; a pair of stills needs one size",
        ),
        (clip_for_a_still, "clip.dcm is not a single image; leave out what it shows"),
        (two_scales, "rest.png and full.png have different pixel sizes; record both at one depth"),
        (one_image, "one.png does not show two images side by side; cut the screen to them"),
        (one_above_the_other, "stacked.png does not show two images side by side"),
        (unequal_images, "unequal.png shows two images of different sizes; both need one scale"),
    ],
)
def test_what_is_no_pair_is_refused_with_a_remedy(
    make: Callable[[DrawnVisit], Clip], words: str, visit: DrawnVisit
) -> None:
    with pytest.raises(InputError) as error:
        make(visit)
    assert words in str(error.value)
