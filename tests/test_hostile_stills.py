"""Images that are damaged or made to harm: one sentence that names the very file."""

import io
import struct
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps
from standin import draw_texture

from layermotion.clip.source import SourceOptions, open_clip
from layermotion.clip.stills import natural_key
from layermotion.errors import InputError
from layermotion.session.plan import read_plan

PLAIN, FPS = SourceOptions(), SourceOptions(frame_rate_hz=20.0)
TEXTURE = draw_texture(96, 128)


def encoded(kind: str, **options: object) -> bytes:
    with io.BytesIO() as stream:
        Image.fromarray(TEXTURE).save(stream, format=kind, **options)
        return stream.getvalue()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three good images."""
    made = tmp_path / "series"
    made.mkdir()
    for number in (1, 2, 3):
        (made / f"frame{number}.png").write_bytes(encoded("PNG"))
    return made


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "BMP"])
@pytest.mark.parametrize("part", [0.002, 0.01, 0.1, 0.5, 0.9])
def test_a_cut_picture_is_the_one_that_is_named(folder: Path, kind: str, part: float) -> None:
    content = encoded(kind)
    path = folder / "frame2.png"
    path.write_bytes(content[: max(17, int(part * len(content)))])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(InputError, match=r"frame2\.png .*(export|save) it again") as caught:
            list(open_clip(folder, FPS).frames())
    assert "rights" not in str(caught.value) and "None" not in str(caught.value)


def exif(orientation: int) -> bytes:
    data = Image.Exif()
    data[0x0112] = orientation
    return data.tobytes()


@pytest.mark.parametrize("orientation", [0, 9, 99])
def test_an_orientation_that_is_none_turns_nothing(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "still.jpg"
    path.write_bytes(encoded("JPEG", exif=exif(orientation)))
    assert open_clip(path, PLAIN).frame_shape == (96, 128)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
@pytest.mark.parametrize("orientation", [1, 2, 3, 4, 5, 6, 7, 8])
def test_a_turned_picture_is_set_upright(tmp_path: Path, orientation: int, kind: str) -> None:
    path = tmp_path / "still.png"
    path.write_bytes(encoded(kind, exif=exif(orientation)))
    with path.open("rb") as file, Image.open(file) as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(next(open_clip(path, PLAIN).frames()).pixels, expected)


@pytest.mark.parametrize(
    "damage",
    [b"II*\0\xff\xff\xff\x7f", b"MM\0*", b"XX", b"II*\0\x08\0\0\0\xff\xff" + b"\x12\x01" * 20],
)
def test_exif_that_cannot_be_read_is_no_hindrance(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "still.jpg"
    path.write_bytes(encoded("JPEG", exif=b"Exif\0\0" + damage))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        clip = open_clip(path, PLAIN)
        assert [frame.pixels.shape for frame in clip.frames()] == [(96, 128)]


def test_a_tiff_without_dimensions_is_one_sentence(tmp_path: Path) -> None:
    content = encoded("TIFF")
    at = struct.unpack("<I", content[4:8])[0]
    count = struct.unpack("<H", content[at : at + 2])[0]
    entries = [content[at + 2 + 12 * k : at + 14 + 12 * k] for k in range(count)]
    kept = [entry for entry in entries if entry[:2] not in (b"\x00\x01", b"\x01\x01")]
    assert len(kept) == count - 2
    path = tmp_path / "still.tif"
    end = content[at + 2 + 12 * count :]
    path.write_bytes(content[:at] + struct.pack("<H", len(kept)) + b"".join(kept) + end)
    with pytest.raises(InputError, match=r"still\.tif"):
        open_clip(path, PLAIN)


def test_a_huge_picture_is_refused_by_its_header(tmp_path: Path) -> None:
    size = struct.pack(">II", 60000, 60000) + b"\x08\0\0\0\0"
    chunk = b"IHDR" + size
    content = bytearray(encoded("PNG"))
    content[12:33] = chunk + struct.pack(">I", zlib.crc32(chunk))
    path = tmp_path / "huge.png"
    path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(InputError, match=r"huge\.png has more pixels than any"):
            open_clip(path, PLAIN)


def test_digits_of_other_scripts_are_letters_of_a_name(tmp_path: Path) -> None:
    names = ["a２.png", "a10.png", "a２x.png", "a9.png", "a²x.png"]
    assert sorted(names, key=natural_key)[:2] == ["a9.png", "a10.png"]
    for name in ("left_draw_in_1.png", "left_draw_in_１２.png"):
        (tmp_path / name).write_bytes(encoded("PNG"))
    with pytest.raises(InputError, match="left_draw_in_１２"):
        read_plan(tmp_path, tmp_path / "out")


def test_a_tiny_picture_is_refused_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "tiny.png"
    Image.fromarray(np.zeros((4, 4), np.uint8)).save(path)
    with pytest.raises(InputError, match=r"tiny\.png"):
        open_clip(path, PLAIN)
