"""Owns decoding of JPEG Lossless (process 14) in DICOM, by Pillow's JPEG library.

Scanners have written it for decades, and none of pydicom's decoders with a free licence reads it.
"""

import io

from PIL import Image, features
from pydicom.pixels.decoders.base import (
    DecodeRunner,
    JPEGLosslessDecoder,
    JPEGLosslessSV1Decoder,
)
from pydicom.uid import JPEGLossless, JPEGLosslessSV1

# Read by pydicom: what it asks of a decoder.
DECODER_DEPENDENCIES = {uid: ("pillow>=10.3",) for uid in (JPEGLossless, JPEGLosslessSV1)}
# Modes of Pillow that hold a frame as DICOM does, by samples per pixel.
MODES = {1: "L", 3: "RGB"}


def is_available(uid: str) -> bool:
    """Whether the JPEG library at hand decodes lossless frames; a name that pydicom asks for."""
    return uid in DECODER_DEPENDENCIES and bool(features.check_feature("libjpeg_turbo"))


def decode_frame(source: bytes, runner: DecodeRunner) -> bytes:
    """Decode one frame; ValueError where it is damaged, or has more than eight bits."""
    picture = Image.open(io.BytesIO(source), formats=("JPEG",))
    if picture.mode != MODES.get(runner.samples_per_pixel):
        raise ValueError(f"a frame of mode {picture.mode} does not fit its header")
    return picture.tobytes()


def register() -> None:
    """Let pydicom decode JPEG Lossless; once is enough."""
    for decoder in (JPEGLosslessDecoder, JPEGLosslessSV1Decoder):
        if "layermotion" not in decoder.available_plugins:
            decoder.add_plugin("layermotion", (__name__, "decode_frame"))
