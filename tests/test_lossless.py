"""JPEG Lossless: public files, compared with another compression of the same picture."""

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate, generate_frames
from pydicom.pixels import pixel_array

from layermotion.clip import lossless
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError

# Published with pydicom (MIT): an ultrasound image, colour bars, and a scan of 16 bits.
ULTRASOUND = "JPGLosslessP14SV1_1s_1f_8b.dcm"
BARS, SAME_BARS, SIXTEEN_BIT = "SC_rgb_jpeg_gdcm.dcm", "SC_rgb_rle.dcm", "JPEG-LL.dcm"


def public(name: str) -> Path:
    found = get_testdata_file(name)
    assert isinstance(found, str)
    return Path(found)


def test_colour_bars_are_those_of_another_compression() -> None:
    lossless.register()
    np.testing.assert_array_equal(pixel_array(public(BARS)), pixel_array(public(SAME_BARS)))


def test_an_ultrasound_image_opens_with_its_scale() -> None:
    clip = open_clip(public(ULTRASOUND), SourceOptions())
    (frame,) = clip.frames()
    assert frame.pixels.shape == (768, 1024) and frame.pixels.max() == 255
    assert clip.provenance["transfer_syntax"].startswith("JPEG Lossless")


def test_every_frame_of_a_clip_is_decoded(tmp_path: Path) -> None:
    dataset = pydicom.dcmread(public(ULTRASOUND))
    (frame,) = generate_frames(dataset.PixelData, number_of_frames=1)
    dataset.PixelData = encapsulate([frame] * 3)
    dataset.NumberOfFrames, dataset.CineRate = 3, 25
    dataset.save_as(tmp_path / "clip.dcm")
    frames = list(open_clip(tmp_path / "clip.dcm", SourceOptions()).frames())
    assert [round(each.time_s, 2) for each in frames] == [0, 0.04, 0.08]
    np.testing.assert_array_equal(frames[0].pixels, frames[2].pixels)


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_a_frame_that_is_cut_off_is_refused(tmp_path: Path, share: float) -> None:
    dataset = pydicom.dcmread(public(ULTRASOUND))
    (frame,) = generate_frames(dataset.PixelData, number_of_frames=1)
    dataset.PixelData = encapsulate([frame[: int(share * len(frame))]])
    dataset.save_as(tmp_path / "cut.dcm")
    with pytest.raises(InputError, match=r"^cut.dcm has pixel data that cannot be decoded"):
        list(open_clip(tmp_path / "cut.dcm", SourceOptions()).frames())


def test_sixteen_bits_are_refused_with_a_remedy() -> None:
    with pytest.raises(InputError, match="export it again"):
        open_clip(public(SIXTEEN_BIT), SourceOptions())
