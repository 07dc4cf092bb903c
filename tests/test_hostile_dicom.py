"""DICOM files that are damaged or made to harm: one sentence each, and little memory."""

import resource
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pydicom import dcmread
from standin import ROWS, draw_frames, write_dicom

from layermotion.clip.acquired import acquired_at
from layermotion.clip.dicom import read_dicom
from layermotion.clip.identifiers import NOTHING_STATED, read_identifiers
from layermotion.clip.kinds import is_recording
from layermotion.clip.patient import read_patient
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError

PLAIN = SourceOptions()
DEFLATED = "1.2.840.10008.1.2.1.99"
ROWS_ELEMENT = b"\x28\x00\x10\x00US\x02\x00" + ROWS.to_bytes(2, "little")


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return write_dicom(tmp_path / "clip.dcm", draw_frames(3), PatientID="INV-7")


def patch(path: Path, old: bytes, new: bytes) -> None:
    content = path.read_bytes()
    assert content.count(old) == 1
    path.write_bytes(content.replace(old, new))


def short_number(path: Path) -> None:
    patch(path, ROWS_ELEMENT, b"\x28\x00\x10\x00US\x01\x00\x40")


def two_numbers(path: Path) -> None:
    patch(path, ROWS_ELEMENT, b"\x28\x00\x10\x00US\x04\x00\x40\x01\x40\x01")


def words_for_regions(path: Path) -> None:
    data = dcmread(path)
    data.add_new(0x00186011, "LO", "no sequence")
    data.save_as(path)


def frames_beyond_count(path: Path) -> None:
    data = dcmread(path)
    data["NumberOfFrames"]._value = "1e20"
    data.save_as(path)


def two_window_widths(path: Path) -> None:
    data = dcmread(path)
    data.BitsStored = [8, 8]
    data.save_as(path)


def broken_deflate(path: Path) -> None:
    content = path.read_bytes()
    at = content.index(b"\x08\x00\x16\x00UI")
    head = content[:at].replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.1.99")
    # The group length and that of the changed element fit no more; readers do not need them.
    head = head.replace(b"UI\x14\x001.2.840.10008.1.2.1.99", b"UI\x16\x001.2.840.10008.1.2.1.99")
    size = int.from_bytes(head[140:144], "little") + 2
    path.write_bytes(head[:140] + size.to_bytes(4, "little") + head[144:] + b"no deflate" * 50)


DAMAGES = (
    short_number,
    two_numbers,
    words_for_regions,
    frames_beyond_count,
    two_window_widths,
    broken_deflate,
)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_header_is_one_sentence_that_names_the_file(
    good: Path, damage: Callable[[Path], None]
) -> None:
    damage(good)
    with pytest.raises(InputError, match=r"clip\.dcm") as caught:
        list(open_clip(good, PLAIN).frames())
    assert "\n" not in str(caught.value)
    # What looks into it beside its reader gives no more than nothing.
    assert read_identifiers(good).number in ("", "INV-7")
    assert acquired_at(good) is None
    assert is_recording(good)
    read_patient(good)


def test_a_huge_frame_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = write_dicom(
        tmp_path / "huge.dcm",
        draw_frames(1),
        Rows=65535,
        Columns=65535,
        SamplesPerPixel=3,
        PhotometricInterpretation="RGB",
        PlanarConfiguration=0,
    )
    with pytest.raises(InputError, match=r"huge\.dcm has frames of 65535 x 65535 pixels"):
        open_clip(path, PLAIN)


@pytest.mark.parametrize("count", ["0", "-3", "100001", "2000000000"])
def test_a_number_of_frames_that_cannot_be_is_refused(good: Path, count: str) -> None:
    data = dcmread(good)
    data.NumberOfFrames = count
    data.save_as(good)
    with pytest.raises(InputError, match=r"clip\.dcm"):
        open_clip(good, PLAIN)


def deflated(path: Path, content: bytes) -> None:
    """Write a file whose data set is deflated (PS3.5 A.5)."""
    data = dcmread(path)
    data.file_meta.TransferSyntaxUID = DEFLATED
    data.save_as(path)
    head = path.read_bytes()
    length = int.from_bytes(head[140:144], "little")
    packer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    path.write_bytes(head[: 144 + length] + packer.compress(content) + packer.flush())


def test_a_file_that_inflates_without_end_is_refused(good: Path) -> None:
    deflated(good, b"\x08\x00\x60\x00CS\x02\x00US" + bytes(60_000_000))
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for look in (read_identifiers, acquired_at, is_recording, read_patient):
        assert look(good) in (NOTHING_STATED, None, True, {})
    with pytest.raises(InputError, match=r"clip\.dcm .* compressed as a whole"):
        open_clip(good, PLAIN)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 50_000


def test_more_pixels_than_frames_stated_are_refused(tmp_path: Path) -> None:
    path = write_dicom(tmp_path / "clip.dcm", draw_frames(6), NumberOfFrames=4)
    with pytest.raises(InputError, match=r"clip\.dcm does not hold the 4 frames"):
        open_clip(path, PLAIN)


def test_padding_after_the_last_frame_is_not_a_frame(tmp_path: Path) -> None:
    frames = draw_frames(4)
    padded = np.stack(frames).tobytes() + bytes(512)
    path = write_dicom(tmp_path / "clip.dcm", frames, PixelData=padded)
    assert open_clip(path, PLAIN).frame_count == 4


def test_words_of_the_header_reach_no_caution_and_no_sentence(good: Path) -> None:
    data = dcmread(good)
    data.Modality = "DOE JANE"
    data.save_as(good)
    reading = read_dicom(good, None)
    assert any("modality" in caution for caution in reading.cautions)
    assert "DOE" not in f"{reading.cautions} {reading.provenance}"
    data.PhotometricInterpretation = "DOE JANE"
    data.save_as(good)
    with pytest.raises(InputError) as caught:
        open_clip(good, PLAIN)
    assert "DOE" not in str(caught.value)
    data.PhotometricInterpretation = "MONOCHROME2"
    data.file_meta.TransferSyntaxUID = "1.2.3.4711"
    data.save_as(good, implicit_vr=False, little_endian=True)
    with pytest.raises(InputError) as caught:
        open_clip(good, PLAIN)
    assert "4711" not in str(caught.value)


def test_regions_nested_without_end_are_one_sentence(good: Path) -> None:
    content = good.read_bytes()
    at = content.index(b"\x18\x00\x11\x60SQ")
    opening = b"\x18\x00\x11\x60SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    good.write_bytes(content[:at] + opening * 5000 + content[at:])
    with pytest.raises(InputError, match=r"clip\.dcm"):
        open_clip(good, PLAIN)
    assert acquired_at(good) is None
