"""Owns reading DICOM ultrasound: grey frames and their times."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pydicom import Dataset
from pydicom._uid_dict import UID_dictionary
from pydicom.multival import MultiValue
from pydicom.pixels.processing import apply_color_lut, apply_rescale, apply_windowing
from pydicom.pixels.utils import iter_pixels
from pydicom.uid import UID, ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from layermotion.clip import Frame, lossless
from layermotion.clip.header import Header, quiet, read_header
from layermotion.clip.reading import (
    MOST_FRAMES,
    Reading,
    check_size,
    checked,
    is_frame_rate,
    is_increasing,
    sample_indices,
    to_grey8,
)
from layermotion.clip.regions import DICOM_ERRORS, find_calibration, numbers
from layermotion.errors import InputError

# What may stand as the meaning of the pixels (PS3.3 C.7.6.3.1.2).
PHOTOMETRIC = frozenset(
    {"MONOCHROME1", "MONOCHROME2", "PALETTE COLOR", "RGB", "YBR_FULL", "YBR_FULL_422"}
    | {"YBR_PARTIAL_420", "YBR_PARTIAL_422", "YBR_ICT", "YBR_RCT"}
)
# Frame Time Vector, where the Frame Increment Pointer names it.
FRAME_TIME_VECTOR_TAG = 0x00181065


def read_dicom(path: Path, frame_rate_hz: float | None) -> Reading:
    """Open a DICOM file; frames are decoded one at a time, never all at once.

    Parameters
    ----------
    path
        Single or multi-frame DICOM image, with or without preamble.
    frame_rate_hz
        The user's frame rate, which wins over the file's, or None.

    Raises
    ------
    InputError
        If the file is damaged, holds no image, uses an unsupported compression, or several
        frames come without any time.
    """
    name = path.name
    lossless.register()
    header = read_header(path)
    dataset = header.data
    try:
        with quiet():
            count, shape = _read_size(header, name)
            grey = _GreyTable.of(dataset, name)
            syntax = _transfer_syntax(dataset)
            times_s, rate_source, time_cautions = _find_times(dataset, count, frame_rate_hz, name)
            calibration = find_calibration(dataset, shape)
            is_us = dataset.get("Modality") == "US"
    except DICOM_ERRORS as error:
        raise InputError(
            f"{name} is a damaged DICOM file; export it again from the scanner."
        ) from error

    def decode(indices: list[int] | None) -> Iterator[NDArray[np.uint8]]:
        try:
            decoded = iter_pixels(path, indices=indices, transfer_syntax_uid=syntax)
            while True:
                with quiet():
                    pixels = next(decoded, None)
                if pixels is None:
                    return
                yield grey.apply(pixels)
        except DICOM_ERRORS as error:
            raise InputError(
                f"{name} has pixel data that cannot be decoded ({_name_of(syntax)}); export it "
                f"again uncompressed or as JPEG, JPEG 2000 or RLE."
            ) from error

    samples = tuple(decode(sample_indices(count)))

    def paired(
        time_s: float | None, pixels: NDArray[np.uint8] | None
    ) -> tuple[float, NDArray[np.uint8]]:
        if time_s is None or pixels is None:
            raise _other_count(name, count)
        return time_s, pixels

    def read() -> Iterator[Frame]:
        decoded = itertools.zip_longest(times_s, decode(None))
        frames = (Frame(i, *paired(time_s, pixels)) for i, (time_s, pixels) in enumerate(decoded))
        yield from checked(frames, shape, name)

    # What else stands there may be free text.
    modality_cautions = (
        ()
        if is_us
        else ("The file's modality is not US (ultrasound); check that it shows ultrasound.",)
    )
    return Reading(
        frame_shape=shape,
        frame_count=count,
        read=read,
        samples=samples,
        is_still=count == 1,
        spacing=calibration.spacing,
        spacing_reason=calibration.reason,
        region=calibration.region,
        cautions=modality_cautions + time_cautions + calibration.cautions,
        choice=calibration.choice,
        has_one_scale=calibration.has_one_scale,
        provenance={
            "format": "DICOM",
            "transfer_syntax": _name_of(syntax),
            "photometric_interpretation": str(dataset.PhotometricInterpretation),
            "frame_rate_source": rate_source,
        },
    )


def _read_size(header: Header, name: str) -> tuple[int, tuple[int, int]]:
    """Find the number of frames and (rows, columns), checked against limits and pixels."""
    data = header.data
    needed = ("Rows", "Columns", "BitsStored", "PhotometricInterpretation")
    count = int(data.get("NumberOfFrames") or 1)
    if not all(data.get(keyword) for keyword in needed) or count < 1:
        raise InputError(
            f"{name} is a DICOM file without an image; choose an ultrasound image or clip."
        )
    if data.PhotometricInterpretation not in PHOTOMETRIC:
        raise InputError(f"{name} has pixels of an unknown kind; export it again as plain grey.")
    shape = (int(data.Rows), int(data.Columns))
    check_size(name, *shape)
    if count > MOST_FRAMES:
        raise InputError(
            f"{name} states {count} frames, more than {MOST_FRAMES}; export a shorter clip."
        )
    samples, bits = int(data.get("SamplesPerPixel") or 1), int(data.get("BitsAllocated") or 8)
    frame_bytes = shape[0] * shape[1] * samples * bits // 8
    # What follows the last frame and is less than a frame is padding.
    if header.pixel_bytes is not None and header.pixel_bytes >= (count + 1) * frame_bytes:
        raise _other_count(name, count)
    return count, shape


def _other_count(name: str, count: int) -> InputError:
    return InputError(f"{name} does not hold the {count} frames that it states; export it again.")


def _name_of(syntax: UID) -> str:
    """Name of a transfer syntax of the standard; another one is not quoted."""
    return syntax.name if syntax in UID_dictionary else "a private transfer syntax"


def _transfer_syntax(dataset: Dataset) -> UID:
    """Transfer syntax, or for a file without file meta the encoding found while reading."""
    stated = dataset.file_meta.get("TransferSyntaxUID")
    if stated:
        return UID(stated)
    is_implicit, is_little = dataset.original_encoding
    if is_implicit:
        return ImplicitVRLittleEndian
    return ExplicitVRLittleEndian if is_little else ExplicitVRBigEndian


@dataclass(frozen=True, eq=False)
class _GreyTable:
    """Stored values to 8-bit grey: one fixed table for single samples, luminance for colour."""

    white: int
    first: int
    table: NDArray[np.uint8] | None

    @classmethod
    def of(cls, dataset: Dataset, name: str) -> "_GreyTable":
        """Build the table that the file's palette, window and rescale describe."""
        try:
            bits = int(dataset.BitsStored)
            if not 1 <= bits <= 16:
                raise InputError(f"{name} has {bits}-bit pixels; export it with 8 or 16 bits.")
            if int(dataset.get("SamplesPerPixel") or 1) > 1:
                return cls(2**bits - 1, 0, None)
            with quiet():
                return cls._single_sample(dataset, bits)
        except DICOM_ERRORS as error:
            raise InputError(
                f"{name} has an unusable palette or window; export it again as plain grey."
            ) from error

    @classmethod
    def _single_sample(cls, dataset: Dataset, bits: int) -> "_GreyTable":
        first = -(2 ** (bits - 1)) if dataset.get("PixelRepresentation") else 0
        stored = np.arange(first, first + 2**bits, dtype=np.int32)
        if dataset.PhotometricInterpretation == "PALETTE COLOR":
            colour = apply_color_lut(stored, dataset)[..., :3]
            if dataset.original_encoding[1] is False and colour.dtype.itemsize == 2:
                colour = colour.byteswap()  # pydicom reads the table as little endian
            entry_white = int(np.iinfo(colour.dtype).max)
            return cls(2**bits - 1, first, to_grey8(_luminance(colour[np.newaxis])[0], entry_white))
        rescaled = apply_rescale(stored, dataset).astype(np.float64)
        low, high = float(rescaled[0]), float(rescaled[-1])
        if "WindowCenter" in dataset and "WindowWidth" in dataset:
            rescaled = apply_windowing(rescaled, dataset)
        else:
            low, high = min(low, high), max(low, high)
        grey = np.rint((rescaled - low) * (255.0 / (high - low)))
        table = np.clip(grey, 0, 255).astype(np.uint8)
        if dataset.PhotometricInterpretation == "MONOCHROME1":
            table = 255 - table
        return cls(2**bits - 1, first, table)

    def apply(self, pixels: NDArray[np.integer]) -> NDArray[np.uint8]:
        """Grey image, uint8 (rows, columns), of one decoded frame."""
        if self.table is None:
            return to_grey8(_luminance(pixels.astype(f"u{pixels.dtype.itemsize}")), self.white)
        offset = pixels.astype(np.int32) - self.first
        grey: NDArray[np.uint8] = np.take(self.table, offset, mode="clip")
        return grey


def _luminance(colour: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    """ITU-R BT.601 luminance of an (M, N, 3) RGB array."""
    grey = cv2.cvtColor(np.ascontiguousarray(colour), cv2.COLOR_RGB2GRAY)
    return np.asarray(grey, colour.dtype)


def _find_times(
    dataset: Dataset, count: int, frame_rate_hz: float | None, name: str
) -> tuple[list[float], str, tuple[str, ...]]:
    """Time of every frame in s, where it comes from, and cautions (PS3.3 C.7.6.5)."""
    if count == 1:
        return [0.0], "single image", ()
    stated = _stated_times(dataset, count)
    if frame_rate_hz is not None:
        times_s = [i / frame_rate_hz for i in range(count)]
        cautions = (
            ()
            if stated is None
            else (f"The given frame rate of {frame_rate_hz:g} Hz replaces the file's {stated[1]}.",)
        )
        return times_s, "given by the user", cautions
    if stated is None:
        raise InputError(
            f"{name} holds {count} frames without any time; give the frame rate with --fps."
        )
    times_s, source = stated
    if len(times_s) != count or not is_increasing(times_s):
        raise InputError(
            f"{name} has a {source} of {len(times_s)} values that does not give {count} frames "
            f"increasing times; give the frame rate with --fps."
        )
    cautions = (
        ()
        if source != "Recommended Display Frame Rate"
        else (
            "Times come from the Recommended Display Frame Rate, which may differ from the rate at "
            "which the frames were acquired.",
        )
    )
    return times_s, source, cautions


def _stated_times(dataset: Dataset, count: int) -> tuple[list[float], str] | None:
    """Find times in s by the file's best statement, and its name."""
    pointer = dataset.get("FrameIncrementPointer") or 0
    pointers = [int(tag) for tag in (pointer if isinstance(pointer, MultiValue) else [pointer])]
    vector_ms = numbers(dataset, "FrameTimeVector")
    step_ms = (numbers(dataset, "FrameTime") or [0.0])[0]
    has_step = step_ms > 0 and is_frame_rate(1000.0 / step_ms)
    if vector_ms and (FRAME_TIME_VECTOR_TAG in pointers or not has_step):
        elapsed_s = [t / 1000.0 for t in itertools.accumulate(vector_ms)]
        return [t - elapsed_s[0] for t in elapsed_s], "Frame Time Vector"
    if has_step:
        return [i * step_ms / 1000.0 for i in range(count)], "Frame Time"
    for keyword, source in (
        ("CineRate", "Cine Rate"),
        ("RecommendedDisplayFrameRate", "Recommended Display Frame Rate"),
    ):
        rate_hz = (numbers(dataset, keyword) or [0.0])[0]
        if is_frame_rate(rate_hz):
            return [i / rate_hz for i in range(count)], source
    return None
