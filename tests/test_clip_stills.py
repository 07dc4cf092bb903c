"""Image files, folders of images, and what holds for every source: options and refusals."""

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.clip.stills import natural_key
from layermotion.errors import InputError
from layermotion.geometry import Spacing
from layermotion.labels import Task, View

PLAIN = SourceOptions()
FPS = SourceOptions(frame_rate_hz=20.0)


@pytest.fixture
def save(tmp_path: Path) -> Callable[..., Path]:
    """Save an array as an image file."""

    def build(name: str, pixels: NDArray[np.generic], **arguments: object) -> Path:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        Image.fromarray(pixels).save(path, **arguments)
        return path

    return build


@pytest.fixture
def folder(save, noise, tmp_path: Path) -> Path:
    """Images 1, 2, 10, 11 by name, in the order of ``noise``."""
    for number, pixels in zip((1, 2, 10, 11), noise(), strict=True):
        save(f"clip/frame{number}.png", pixels)
    return tmp_path / "clip"


# -- pixels --------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["png", "tif", "tiff", "bmp"])
def test_grey_still_comes_back_exactly(save, noise, assert_reopens, suffix: str) -> None:
    path = save(f"rest.{suffix}", noise(1)[0])
    clip = open_clip(path, PLAIN)
    assert clip.is_still
    frame = next(clip.frames())
    assert frame.time_s == 0.0
    np.testing.assert_array_equal(frame.pixels, noise(1)[0])
    assert_reopens(lambda: open_clip(path, PLAIN))


def test_jpeg_is_read(save) -> None:
    pixels = np.tile(np.linspace(0, 255, 96).astype(np.uint8), (64, 1))
    frame = next(open_clip(save("rest.jpg", pixels, quality=95), PLAIN).frames())
    np.testing.assert_allclose(frame.pixels.astype(int), pixels, atol=6)


def test_kind_is_told_by_content_not_by_suffix(save, noise) -> None:
    path = save("rest.png", noise(1)[0]).rename(save("x.png", noise(1)[0]).with_suffix(".dcm"))
    np.testing.assert_array_equal(next(open_clip(path, PLAIN).frames()).pixels, noise(1)[0])


def test_colour_becomes_luminance(save) -> None:
    colour = np.random.default_rng(2).integers(0, 256, (32, 40, 3), np.uint8)
    pixels = next(open_clip(save("rest.png", colour), PLAIN).frames()).pixels
    # ITU-R BT.601.
    np.testing.assert_allclose(pixels, colour @ np.array([0.299, 0.587, 0.114]), atol=1.0)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_16_bit_values_are_divided_by_257_and_never_stretched(save, suffix: str) -> None:
    pixels = np.full((16, 16), 20 * 257, np.uint16)
    pixels[0, :2] = (0, 60 * 257)
    found = next(open_clip(save(f"rest.{suffix}", pixels), PLAIN).frames()).pixels
    assert found[0, :3].tolist() == [0, 60, 20]


def test_32_bit_image_is_refused(save) -> None:
    path = save("rest.tif", np.zeros((16, 16), np.float32))
    with pytest.raises(InputError, match=r"rest\.tif has 32-bit pixels"):
        open_clip(path, PLAIN)


def test_image_stored_on_its_side_is_turned_upright(save, noise) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.32: turn by 90 degrees clockwise to show
    path = save("rest.png", noise(1)[0], exif=exif)
    clip = open_clip(path, PLAIN)
    assert clip.frame_shape == (96, 64)
    np.testing.assert_array_equal(next(clip.frames()).pixels, np.rot90(noise(1)[0], -1))


def test_image_of_several_pages_is_refused(tmp_path: Path, noise) -> None:
    pages = [Image.fromarray(pixels) for pixels in noise(2)]
    pages[0].save(tmp_path / "two.tif", save_all=True, append_images=pages[1:])
    with pytest.raises(InputError, match=r"two\.tif holds several images"):
        open_clip(tmp_path / "two.tif", PLAIN)


# -- folders -------------------------------------------------------------------------------------


def test_folder_is_a_sequence_in_natural_order(folder: Path, noise, assert_reopens) -> None:
    (folder / "notes.txt").write_text("not an image")
    (folder / ".hidden.png").write_text("not an image")
    frames = list(open_clip(folder, FPS).frames())
    np.testing.assert_array_equal([frame.pixels for frame in frames], noise())
    assert [frame.time_s for frame in frames] == pytest.approx([0, 0.05, 0.1, 0.15])
    assert_reopens(lambda: open_clip(folder, FPS))


def test_folder_without_rate_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match=r"clip holds 4 images without times; .*--fps"):
        open_clip(folder, PLAIN)


def test_folder_of_two_sizes_names_the_file(folder: Path, save) -> None:
    save("clip/frame3.png", np.zeros((32, 40), np.uint8))
    with pytest.raises(InputError, match=r"frame3\.png has 32 x 40 pixels where frame1\.png has"):
        open_clip(folder, FPS)


def test_folder_with_a_false_image_names_the_file(folder: Path) -> None:
    (folder / "frame5.png").write_bytes(b"no image")
    with pytest.raises(InputError, match=r"frame5\.png cannot be read as an image"):
        open_clip(folder, FPS)


def test_folder_without_images_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not an image")
    with pytest.raises(InputError, match="folder without PNG, JPEG, TIFF or BMP images"):
        open_clip(tmp_path, FPS)


@given(st.lists(st.integers(0, 10**6), unique=True, max_size=20))
def test_natural_order_is_numeric(numbers: list[int]) -> None:
    names = sorted((f"f{number}.png" for number in numbers), key=natural_key)
    assert names == [f"f{number}.png" for number in sorted(numbers)]


# -- refusals ------------------------------------------------------------------------------------


def test_missing_path_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.mp4 does not exist; check the path"):
        open_clip(tmp_path / "gone.mp4", PLAIN)


def test_empty_file_is_refused(write_bytes) -> None:
    with pytest.raises(InputError, match=r"empty\.png is empty \(0 bytes\)"):
        open_clip(write_bytes("empty.png", b""), PLAIN)


@pytest.mark.parametrize("part", [0.01, 0.5])
def test_truncated_image_is_refused(save, noise, write_bytes, part: float) -> None:
    content = save("rest.png", noise(1)[0]).read_bytes()
    path = write_bytes("cut.png", content[: int(part * len(content))])
    with pytest.raises(InputError, match=r"cut\.png"):
        open_clip(path, PLAIN)


# -- identity and options ------------------------------------------------------------------------


def test_clip_id_is_the_content_not_the_name(save, noise) -> None:
    path = save("rest.png", noise(1)[0])
    clip_id = open_clip(path, PLAIN).clip_id
    assert clip_id == f"c{hashlib.sha256(path.read_bytes()).hexdigest()[:8]}"
    assert open_clip(path.rename(path.with_name("other.png")), PLAIN).clip_id == clip_id


def test_clip_id_of_a_folder_does_not_depend_on_names(folder: Path) -> None:
    before = open_clip(folder, FPS).clip_id
    (folder / "frame1.png").rename(folder / "frame99.png")
    assert open_clip(folder, FPS).clip_id == before
    (folder / "frame99.png").unlink()
    assert open_clip(folder, FPS).clip_id != before


def test_given_pixel_size_is_row_then_column(save, noise) -> None:
    path = save("rest.png", noise(1)[0])
    spacing = open_clip(path, SourceOptions(mm_per_pixel=(0.08, 0.11))).spacing
    assert spacing is not None
    assert (spacing.row_mm, spacing.column_mm) == (0.08, 0.11)


def test_depth_is_spread_over_the_height_of_the_image_area(save, noise) -> None:
    screen = np.zeros((200, 240), np.uint8)
    screen[20:180, 30:210] = np.random.default_rng(3).integers(40, 200, (160, 180), np.uint8)
    clip = open_clip(save("rest.png", screen), SourceOptions(depth_mm=40.0))
    assert clip.spacing is not None
    assert clip.spacing.row_mm == pytest.approx(40 / 160, rel=0.02)
    assert clip.spacing.column_mm == clip.spacing.row_mm
    assert "pixels taken as square" in clip.spacing.source
    assert any("square pixels" in caution for caution in clip.cautions)


def test_two_images_on_one_screen_are_told(save) -> None:
    screen = np.zeros((200, 400), np.uint8)
    rng = np.random.default_rng(4)
    screen[20:180, 10:190] = rng.integers(40, 200, (160, 180), np.uint8)
    screen[20:180, 210:390] = rng.integers(40, 200, (160, 180), np.uint8)
    clip = open_clip(save("pair.png", screen), PLAIN)
    assert clip.area.left + clip.area.width < 200
    assert any("shows 2 images" in caution for caution in clip.cautions)


def test_view_and_task_are_passed_on(save, noise) -> None:
    options = SourceOptions(view=View.ABDOMINAL_WALL, task=Task.REST)
    clip = open_clip(save("rest.png", noise(1)[0]), options)
    assert (clip.view, clip.task) == (View.ABDOMINAL_WALL, Task.REST)


@pytest.mark.parametrize(
    "text", ["", "a", "nan", "inf", "0", "-0.1", "0.1,0", "0.1,nan", "1,2,3", "99", "0.0001", "0,1"]
)
def test_impossible_pixel_size_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="give") as caught:
        parse_mm_per_pixel(text)
    assert str(caught.value).count(". ") == 0


@given(st.floats(0.005, 2.0), st.floats(0.005, 2.0))
def test_pixel_size_is_read_as_written(row_mm: float, column_mm: float) -> None:
    assert parse_mm_per_pixel(f"{row_mm!r}, {column_mm!r}") == (row_mm, column_mm)
    assert Spacing(*parse_mm_per_pixel(repr(row_mm)), "test").column_mm == row_mm


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"depth_mm": 0.0}, "--depth-mm"),
        ({"depth_mm": float("nan")}, "--depth-mm"),
        ({"frame_rate_hz": 0.0}, "--fps"),
        ({"frame_rate_hz": float("inf")}, "--fps"),
        ({"mm_per_pixel": (0.1, -0.1)}, "column spacing"),
        ({"mm_per_pixel": (0.1, 0.1), "depth_mm": 40.0}, "not both"),
    ],
)
def test_impossible_options_are_refused(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        SourceOptions(**arguments)
