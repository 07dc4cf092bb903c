"""Owns reading image files: one still, or a folder of images as a sequence."""

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from layermotion.clip import Frame
from layermotion.clip.damage import DECODE_ERRORS
from layermotion.clip.reading import Reading, check_size, checked, sample_indices, to_grey8
from layermotion.errors import InputError

# First bytes of PNG, JPEG, TIFF (both byte orders) and BMP.
SIGNATURES = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\x00", b"MM\x00*", b"BM")
SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp"})
FORMATS = ("PNG", "JPEG", "TIFF", "BMP")
IMAGE_ERRORS = (*DECODE_ERRORS, SyntaxError, Image.DecompressionBombError)
# EXIF 2.32, Orientation: what sets each upright; every other value says nothing.
ORIENTATION = 0x0112
TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
ON_ITS_SIDE = frozenset(TURNS[value] for value in (5, 6, 7, 8))


def read_still(path: Path) -> Reading:
    """Open one image as a clip of one frame at time 0."""
    return _reading([path], path.name, (0.0,), "single image")


def read_folder(folder: Path, frame_rate_hz: float | None) -> Reading:
    """Open the images of a folder as a sequence, in natural order of their names.

    Raises
    ------
    InputError
        If the folder holds no image, two sizes, or several images and no frame rate is given.
    """
    paths = image_paths(folder)
    if not paths:
        raise InputError(
            f"{folder.name} is a folder without PNG, JPEG, TIFF or BMP images; "
            f"give a folder of images or a single file."
        )
    if frame_rate_hz is None and len(paths) > 1:
        raise InputError(
            f"{folder.name} holds {len(paths)} images without times; "
            f"give the frame rate with --fps."
        )
    if len(paths) == 1:
        return read_still(paths[0])
    times_s = tuple(i / (frame_rate_hz or 1.0) for i in range(len(paths)))
    return _reading(paths, folder.name, times_s, "given by the user")


def image_paths(folder: Path) -> list[Path]:
    """Image files of a folder in natural order (2 before 10); hidden files are left out."""
    paths = [
        path
        for path in folder.iterdir()
        if path.is_file()
        and not path.name.startswith(".")
        and (path.suffix.lower() in SUFFIXES or looks_like_image(_head(path)))
    ]
    return sorted(paths, key=lambda path: natural_key(path.name))


def natural_key(name: str) -> list[tuple[int, str]]:
    """Sort key that compares runs of digits as numbers.

    Examples
    --------
    >>> sorted(["f10.png", "f2.png"], key=natural_key)
    ['f2.png', 'f10.png']
    """
    parts = re.split(r"([0-9]+)", name)
    return [
        (int(part), "") if part.isascii() and part.isdecimal() else (-1, part.lower())
        for part in parts
    ] + [(-1, name)]


def looks_like_image(head: bytes) -> bool:
    """Tell by the first bytes whether a file is PNG, JPEG, TIFF or BMP.

    Examples
    --------
    >>> looks_like_image(b"BM6"), looks_like_image(b"text")
    (True, False)
    """
    return head.startswith(SIGNATURES)


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(16)


def _reading(paths: list[Path], name: str, times_s: tuple[float, ...], rate_source: str) -> Reading:
    shape = _size(paths[0])
    for path in paths[1:]:
        if (size := _size(path)) != shape:
            raise InputError(
                f"{path.name} has {size[0]} x {size[1]} pixels where {paths[0].name} has "
                f"{shape[0]} x {shape[1]}; a sequence needs images of one size."
            )

    def read() -> Iterator[Frame]:
        frames = (
            Frame(i, time_s, _load(path))
            for i, (time_s, path) in enumerate(zip(times_s, paths, strict=True))
        )
        yield from checked(frames, shape, name)

    return Reading(
        frame_shape=shape,
        frame_count=len(paths),
        read=read,
        samples=tuple(_load(paths[i]) for i in sample_indices(len(paths))),
        is_still=len(paths) == 1,
        spacing_reason="an image file states no pixel size of the tissue",
        provenance={"format": "image", "frame_rate_source": rate_source},
    )


def _size(path: Path) -> tuple[int, int]:
    """(rows, columns) from the header alone, upright."""
    with _opened(path) as image:
        columns, rows = image.size
        return (columns, rows) if _turn(image) in ON_ITS_SIDE else (rows, columns)


def _load(path: Path) -> NDArray[np.uint8]:
    """8-bit grey; 16-bit values are divided by 257, never stretched."""
    with _opened(path) as image:
        turn = _turn(image)
        upright = image if turn is None else image.transpose(turn)
        if upright.mode.startswith("I;16"):
            return to_grey8(np.asarray(upright).astype(np.uint16), 65535)
        if upright.mode in ("I", "F"):
            raise InputError(f"{path.name} has 32-bit pixels; save it with 8 or 16 bits per pixel.")
        return np.array(upright.convert("L"))


def _turn(image: Image.Image) -> Image.Transpose | None:
    """Find what sets a picture upright; None where nothing does, or what is said is unreadable."""
    if image.format == "TIFF":
        return None  # Pillow turns these itself
    try:
        return TURNS.get(image.getexif().get(ORIENTATION, 1))
    except IMAGE_ERRORS:
        return None


@contextmanager
def _opened(path: Path) -> Iterator[Image.Image]:
    """Open an image of a screen's size; whatever goes wrong with it becomes one sentence."""
    # An open file, not a path: Pillow maps that into memory, and then turned TIFF are garbled.
    with path.open("rb") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # they would stand among what is said to the user
        try:
            image = Image.open(file, formats=FORMATS)
            count = getattr(image, "n_frames", 1)
        except Image.DecompressionBombError as error:
            raise InputError(
                f"{path.name} has more pixels than any scanner makes; export it again at the size "
                f"of the screen."
            ) from error
        except IMAGE_ERRORS as error:
            raise InputError(
                f"{path.name} cannot be read as an image; export it again as PNG, JPEG, TIFF or "
                f"BMP."
            ) from error
        with image:
            check_size(path.name, image.height, image.width)
            if count > 1:
                raise InputError(
                    f"{path.name} holds several images; export them as a folder of single images."
                )
            try:
                yield image
            except IMAGE_ERRORS as error:
                raise InputError(
                    f"{path.name} is a damaged image ({path.stat().st_size} bytes); export it "
                    f"again."
                ) from error
