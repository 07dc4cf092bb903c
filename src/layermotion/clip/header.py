"""Owns reading what a DICOM file says before its pixels: quietly, and in little memory."""

import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pydicom import Dataset
from pydicom.filereader import _read_file_meta_info, read_partial, read_preamble
from pydicom.tag import BaseTag, Tag
from pydicom.uid import DeflatedExplicitVRLittleEndian

from layermotion.clip.regions import DICOM_ERRORS
from layermotion.errors import InputError

# Pixel Data, and its kinds of floating point (PS3.5 A.1).
PIXEL_TAGS = frozenset({0x7FE00010, 0x7FE00009, 0x7FE00008})
UNDEFINED_LENGTH = 0xFFFFFFFF


@dataclass(frozen=True, eq=False)
class Header:
    """What stands before the pixels, and how many bytes of them are stated; None if they are not.

    Values of ``data`` are converted when they are asked for, which raises ``DICOM_ERRORS`` in a
    damaged file.
    """

    data: Dataset
    pixel_bytes: int | None


@contextmanager
def quiet() -> Iterator[None]:
    """Silence the warnings and log of the DICOM library: both may quote values of a file."""
    log = logging.getLogger("pydicom")
    was_disabled, log.disabled = log.disabled, True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.disabled = was_disabled


def read_header(path: Path, keywords: Sequence[str] | None = None) -> Header:
    """Read a file up to its pixels, with or without preamble.

    Parameters
    ----------
    keywords
        Attributes to read; all if None.

    Raises
    ------
    InputError
        If the file cannot be read, is damaged, or would have to be unpacked in memory.
    """
    stated: list[int] = []

    def at_pixels(tag: BaseTag, vr: str | None, length: int) -> bool:
        if tag in PIXEL_TAGS:
            stated.append(length)
        return tag in PIXEL_TAGS

    tags: list[BaseTag | int] | None = None if keywords is None else [Tag(k) for k in keywords]
    try:
        with quiet(), path.open("rb") as file:
            read_preamble(file, force=True)
            meta = _read_file_meta_info(file)
            if meta.get("TransferSyntaxUID") == DeflatedExplicitVRLittleEndian:
                raise InputError(
                    f"{path.name} is compressed as a whole, which may fill the memory; export it "
                    f"uncompressed or as JPEG, JPEG 2000 or RLE."
                )
            file.seek(0)
            data = read_partial(file, at_pixels, force=True, specific_tags=tags)
    except DICOM_ERRORS as error:
        raise InputError(
            f"{path.name} is a damaged DICOM file; export it again from the scanner."
        ) from error
    length = stated[0] if stated else UNDEFINED_LENGTH
    return Header(data, None if length == UNDEFINED_LENGTH else length)
