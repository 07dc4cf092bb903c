"""DICOM sources: public files of pydicom (pydicom and pydicom-data packages) and written ones."""

import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom import Dataset, dcmread
from pydicom.data import get_testdata_file
from pydicom.dataset import FileMetaDataset
from pydicom.pixels import iter_pixels
from pydicom.tag import Tag
from pydicom.uid import (
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
    UltrasoundMultiFrameImageStorage,
    generate_uid,
)

from layermotion.clip import Clip
from layermotion.clip.dicom import read_dicom
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing

PLAIN = SourceOptions()
FPS = SourceOptions(frame_rate_hz=20.0)


def public(name: str) -> Path:
    path = get_testdata_file(name, download=False)
    assert path is not None, f"{name} is missing from the pydicom test data"
    return Path(path)


def region(
    rectangle: tuple[int, int, int, int] = (0, 0, 95, 63),
    row_mm: float = 0.08,
    column_mm: float = 0.11,
    **changes: Any,
) -> Dataset:
    """Build an ultrasound region: rectangle is X0, Y0, X1, Y1; X is lateral, Y is depth."""
    item = Dataset()
    item.RegionSpatialFormat = 1
    item.RegionDataType = 1
    item.RegionFlags = 0
    item.RegionLocationMinX0, item.RegionLocationMinY0 = rectangle[:2]
    item.RegionLocationMaxX1, item.RegionLocationMaxY1 = rectangle[2:]
    item.PhysicalUnitsXDirection = item.PhysicalUnitsYDirection = 3
    item.PhysicalDeltaX, item.PhysicalDeltaY = column_mm / 10, row_mm / 10
    for keyword, value in changes.items():
        setattr(item, keyword, value)
    return item


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write grey frames, shape (count, rows, columns), as an ultrasound multi-frame file."""

    def build(
        frames: NDArray[Any],
        regions: list[Dataset] | None = None,
        syntax: str = ExplicitVRLittleEndian,
        **attributes: Any,
    ) -> Path:
        meta = FileMetaDataset()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
        meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["layermotion"])
        dataset = Dataset()
        dataset.file_meta = meta
        dataset.SOPClassUID = meta.MediaStorageSOPClassUID
        dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
        dataset.Modality = "US"
        dataset.NumberOfFrames, dataset.Rows, dataset.Columns = frames.shape[:3]
        dataset.SamplesPerPixel = 1
        dataset.PhotometricInterpretation = "MONOCHROME2"
        dataset.BitsAllocated = dataset.BitsStored = frames.dtype.itemsize * 8
        dataset.HighBit = dataset.BitsStored - 1
        dataset.PixelRepresentation = int(np.issubdtype(frames.dtype, np.signedinteger))
        if regions is not None:
            dataset.SequenceOfUltrasoundRegions = regions
        dataset.PixelData = frames.tobytes()
        for keyword, value in attributes.items():
            setattr(dataset, keyword, value)
        if syntax != ExplicitVRLittleEndian:
            dataset.compress(syntax, encoding_plugin="")
        path = tmp_path / "clip.dcm"
        dataset.save_as(path, enforce_file_format=True)
        return path

    return build


def stack(clip: Clip) -> NDArray[np.uint8]:
    return np.stack([frame.pixels for frame in clip.frames()])


def times(clip: Clip) -> list[float]:
    return [frame.time_s for frame in clip.frames()]


# -- calibration ---------------------------------------------------------------------------------


def test_row_spacing_is_depth_and_column_spacing_is_lateral(write, noise) -> None:
    # Values set here; Delta Y runs with depth and may be negative (reference-values.md section 8).
    clip = open_clip(write(noise(), [region(PhysicalDeltaY=-0.008)], FrameTime=40), PLAIN)
    assert clip.spacing is not None
    assert clip.spacing.row_mm == pytest.approx(0.08)
    assert clip.spacing.column_mm == pytest.approx(0.11)


def test_pixel_spacing_without_regions_is_row_first(write, noise) -> None:
    # DICOM PS3.3 10.7.1.3: the first value is the row spacing.
    clip = open_clip(write(noise(), PixelSpacing=[0.08, 0.11], FrameTime=40), PLAIN)
    assert clip.spacing == Spacing(0.08, 0.11, "DICOM Pixel Spacing (row, column)")


def test_pixel_spacing_of_another_modality_is_not_used(write, noise) -> None:
    path = write(noise(), PixelSpacing=[0.08, 0.11], FrameTime=40, Modality="OT")
    clip = open_clip(path, PLAIN)
    assert clip.spacing is None
    assert any("modality is not US" in caution for caution in clip.cautions)


@pytest.mark.parametrize(
    ("name", "bounds", "size"),
    [
        ("examples_palette.dcm", "columns 120 to 800 and rows 60 to 518", "800 columns and 350"),
        ("examples_ybr_color.dcm", "columns 84 to 595 and rows 31 to 414", "320 columns and 240"),
    ],
)
def test_region_larger_than_its_image_is_refused(name: str, bounds: str, size: str) -> None:
    # Public files of pydicom whose image was scaled or cropped after calibration.
    clip = open_clip(public(name), PLAIN)
    assert clip.spacing is None
    assert bounds in clip.spacing_reason
    assert size in clip.spacing_reason
    assert "--mm-per-pixel" in clip.spacing_reason


def test_region_beside_others_is_found_in_a_public_clip() -> None:
    # OBXXXX1A.dcm of pydicom-data: region 1 is 2D, 0.0262288 cm; region 4 is graphics.
    clip = open_clip(public("OBXXXX1A.dcm"), PLAIN)
    assert clip.spacing is not None
    assert clip.spacing.row_mm == pytest.approx(0.2622879, rel=1e-6)
    # The picture is dark below the first 10 mm; the file's region holds all the same.
    assert clip.area == ImageArea(60, 120, 459, 680)


def test_two_equal_regions_of_a_public_file_give_the_left_and_a_caution() -> None:
    # gdcm-US-ALOKA-16.dcm of pydicom-data: columns 32-335 and 336-639, rows 24-415, 0.0382653 cm.
    clip = open_clip(public("gdcm-US-ALOKA-16.dcm"), PLAIN)
    assert clip.spacing is not None
    assert clip.spacing.row_mm == pytest.approx(0.382653, rel=1e-5)
    assert clip.area.left >= 32
    assert clip.area.left + clip.area.width <= 336
    assert any("2 image regions of one scale" in caution for caution in clip.cautions)


@pytest.mark.parametrize(("height", "is_said"), [(63, False), (57, False), (40, True)])
def test_a_picture_below_its_region_is_pointed_out(
    write, noise, height: int, is_said: bool
) -> None:
    clip = open_clip(write(noise(), [region((0, 0, 95, height))], FrameTime=40), PLAIN)
    said = [words for words in clip.cautions if "rows below the region" in words]
    assert bool(said) == is_said
    if said:
        assert said[0].startswith("The picture goes on for 23 rows below the region")


def test_largest_of_regions_with_different_scales_is_used(write, noise) -> None:
    small, large = region((0, 0, 30, 63), 0.2, 0.3), region((32, 0, 95, 63), 0.08, 0.11)
    clip = open_clip(write(noise(), [small, large], FrameTime=40), PLAIN)
    assert clip.spacing is not None
    assert (clip.spacing.row_mm, clip.spacing.column_mm) == pytest.approx((0.08, 0.11))
    assert clip.area == ImageArea(0, 32, 64, 64)
    assert any("different scales" in caution for caution in clip.cautions)


@pytest.mark.parametrize(
    "changes",
    [
        {"RegionSpatialFormat": 2},
        {"PhysicalUnitsXDirection": 4},
        {"PhysicalDeltaX": 0.0},
        {"RegionLocationMaxX1": 200},
        {"RegionLocationMaxX1": 2},
    ],
)
def test_unusable_region_never_calibrates(write, noise, changes: dict[str, Any]) -> None:
    clip = open_clip(write(noise(), [region(**changes)], FrameTime=40), PLAIN)
    assert clip.spacing is None
    assert clip.spacing_reason


def test_refused_region_beside_a_good_one_is_a_caution(write, noise) -> None:
    path = write(noise(), [region((0, 0, 300, 300)), region()], FrameTime=40)
    clip = open_clip(path, PLAIN)
    assert clip.spacing is not None
    assert any("region 1 is refused" in caution for caution in clip.cautions)


@pytest.mark.parametrize(("row_mm", "is_told"), [(0.0805, False), (0.09, True)])
def test_given_scale_wins_and_tells_where_it_differs(write, noise, row_mm, is_told) -> None:
    path = write(noise(), [region()], FrameTime=40)
    clip = open_clip(path, SourceOptions(mm_per_pixel=(row_mm, 0.11)))
    assert clip.spacing is not None
    assert clip.spacing.row_mm == row_mm
    assert any("replaces the file's" in caution for caution in clip.cautions) is is_told


# -- times ---------------------------------------------------------------------------------------


def test_frame_time_is_in_ms_from_zero(write, noise) -> None:
    # DICOM PS3.3 C.7.6.5.1: Frame Time in ms.
    assert times(open_clip(write(noise(), FrameTime=40), PLAIN)) == pytest.approx(
        [0, 0.04, 0.08, 0.12]
    )


def test_frame_time_vector_holds_increments(write, noise) -> None:
    # DICOM PS3.3 C.7.6.5.1: increments in ms, the first 0; the pointer names the vector.
    path = write(
        noise(),
        FrameTimeVector=[0, 40, 50, 30],
        FrameTime=10,
        FrameIncrementPointer=Tag(0x0018, 0x1065),
    )
    assert times(open_clip(path, PLAIN)) == pytest.approx([0, 0.04, 0.09, 0.12])


def test_frame_increment_pointer_to_frame_time_wins_over_a_vector(write, noise) -> None:
    path = write(
        noise(),
        FrameTimeVector=[0, 40, 50, 30],
        FrameTime=10,
        FrameIncrementPointer=Tag(0x0018, 0x1063),
    )
    assert times(open_clip(path, PLAIN)) == pytest.approx([0, 0.01, 0.02, 0.03])


@pytest.mark.parametrize("vector", [[0, 40, 50], [0, 40, 0, 40], [0, 40, -20, 30]])
def test_unusable_frame_time_vector_is_refused_but_fps_helps(write, noise, vector) -> None:
    path = write(noise(), FrameTimeVector=vector, FrameIncrementPointer=Tag(0x0018, 0x1065))
    with pytest.raises(InputError, match=r"Frame Time Vector .* 4 frames .* --fps"):
        open_clip(path, PLAIN)
    assert times(open_clip(path, FPS)) == pytest.approx([0, 0.05, 0.1, 0.15])


def test_cine_rate_comes_before_the_display_rate(write, noise) -> None:
    path = write(noise(), CineRate=50, RecommendedDisplayFrameRate=10, FrameTime=0)
    clip = open_clip(path, PLAIN)
    assert times(clip) == pytest.approx([0, 0.02, 0.04, 0.06])
    assert clip.provenance["frame_rate_source"] == "Cine Rate"


def test_display_rate_is_used_with_a_caution(write, noise) -> None:
    clip = open_clip(write(noise(), RecommendedDisplayFrameRate=10), PLAIN)
    assert times(clip)[1] == pytest.approx(0.1)
    assert any("Recommended Display Frame Rate" in caution for caution in clip.cautions)


def test_given_rate_wins_over_the_file_with_a_caution(write, noise) -> None:
    clip = open_clip(write(noise(), FrameTime=40), FPS)
    assert times(clip)[1] == pytest.approx(0.05)
    assert any("20 Hz replaces the file's Frame Time" in caution for caution in clip.cautions)


def test_public_clip_without_times_needs_fps() -> None:
    # OBXXXX1A_rle_2frame.dcm of pydicom-data: 2 frames, palette, RLE, no time attribute.
    path = public("OBXXXX1A_rle_2frame.dcm")
    with pytest.raises(InputError, match=r"2 frames without any time.*--fps"):
        open_clip(path, PLAIN)
    assert times(open_clip(path, FPS)) == pytest.approx([0, 0.05])


# -- pixels --------------------------------------------------------------------------------------


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, RLELossless, JPEG2000Lossless])
def test_lossless_frames_come_back_exactly(write, noise, syntax, assert_reopens) -> None:
    frames = noise(9)
    path = write(frames, syntax=syntax, FrameTime=40)
    np.testing.assert_array_equal(stack(open_clip(path, PLAIN)), frames)
    assert_reopens(lambda: open_clip(path, PLAIN))


def test_monochrome1_is_inverted(write, noise) -> None:
    clip = open_clip(write(noise(), PhotometricInterpretation="MONOCHROME1", FrameTime=40), PLAIN)
    np.testing.assert_array_equal(stack(clip), 255 - noise())


def test_16_bit_without_window_is_scaled_by_its_full_range(write) -> None:
    frames = np.zeros((1, 16, 16), np.uint16)
    frames[0, 0, :3] = (257, 65535, 128 * 257)
    pixels = stack(open_clip(write(frames), PLAIN))[0]
    assert pixels[0, :4].tolist() == [1, 255, 128, 0]


def test_window_and_rescale_are_applied(write) -> None:
    # DICOM PS3.3 C.11.2.1.2.1: y = ((x - (c - 0.5)) / (w - 1) + 0.5) * 255 with x = 2 * stored.
    frames = np.zeros((1, 16, 16), np.uint16)
    frames[0, 0, :4] = (200, 500, 600, 900)
    path = write(frames, WindowCenter=1000, WindowWidth=801, RescaleSlope=2, RescaleIntercept=0)
    expected = [0, ((1000 - 999.5) / 800 + 0.5) * 255, ((1200 - 999.5) / 800 + 0.5) * 255, 255]
    pixels = stack(open_clip(path, PLAIN))[0]
    np.testing.assert_allclose(pixels[0, :4], expected, atol=0.51)


def test_signed_pixels_keep_their_order(write) -> None:
    frames = np.zeros((1, 16, 16), np.int16)
    frames[0, 0, :3] = (-32768, 0, 32767)
    assert stack(open_clip(write(frames), PLAIN))[0][0, :3].tolist() == [0, 128, 255]


def test_palette_gives_the_luminance_of_its_entries() -> None:
    path = public("examples_palette.dcm")
    dataset = dcmread(path)
    red, green, blue = (
        np.frombuffer(dataset[f"{name}PaletteColorLookupTableData"].value, np.uint16)
        for name in ("Red", "Green", "Blue")
    )
    # ITU-R BT.601 luminance; 16-bit entries over 257.
    grey = (0.299 * red + 0.587 * green + 0.114 * blue) / 257
    expected = grey[np.frombuffer(dataset.PixelData, np.uint8)].reshape(350, 800)
    np.testing.assert_allclose(stack(open_clip(path, PLAIN))[0], expected, atol=0.51)


def test_palette_is_the_same_in_both_byte_orders() -> None:
    little = stack(open_clip(public("OBXXXX1A.dcm"), PLAIN))
    np.testing.assert_array_equal(little, stack(open_clip(public("OBXXXX1A_expb.dcm"), PLAIN)))
    np.testing.assert_array_equal(little, stack(open_clip(public("OBXXXX1A_rle.dcm"), PLAIN)))


@pytest.mark.parametrize(
    ("coded", "plain", "tolerance"),
    [("US1_J2KR.dcm", "US1_UNCR.dcm", 0), ("US1_J2KI.dcm", "US1_UNCI.dcm", 3)],
)
def test_jpeg_2000_equals_the_uncompressed_copy(coded: str, plain: str, tolerance: int) -> None:
    # pydicom-data holds each image in both forms; the second pair is lossy (YBR_ICT).
    one, other = (stack(open_clip(public(name), PLAIN)).astype(int) for name in (coded, plain))
    assert one.std() > 10
    assert np.abs(one - other).max() <= tolerance


def test_ybr_jpeg_clip_is_luminance_at_its_frame_time(assert_reopens) -> None:
    # examples_ybr_color.dcm: 30 frames, YBR_FULL_422, JPEG baseline, Frame Time 33.333 ms.
    path = public("examples_ybr_color.dcm")
    clip = open_clip(path, PLAIN)
    luma = [frame[..., 0] for frame in _raw_frames(path)]
    # Going through RGB clips a few dark, coloured pixels; all else is the stored Y.
    read = np.stack([frame.pixels for frame in read_dicom(path, None).read()])
    difference = np.abs(read.astype(int) - luma)
    # The clip hides a word of the screen beside the beams of this sector.
    assert 0 < (stack(clip) != read).any(axis=0).sum() < 0.01 * read[0].size
    assert np.std(luma) > 10
    assert difference.max() < 10
    assert np.mean(difference > 3) < 0.001
    assert times(clip)[-1] == pytest.approx(29 * 0.033333)
    assert_reopens(lambda: open_clip(path, PLAIN))


def _raw_frames(path: Path) -> list[NDArray[np.uint8]]:
    """Y, Cb, Cr as stored, without conversion."""
    return list(iter_pixels(path, raw=True))


def test_rgb_is_luminance(write) -> None:
    colour = np.random.default_rng(1).integers(0, 256, (1, 32, 40, 3), np.uint8)
    path = write(colour, SamplesPerPixel=3, PhotometricInterpretation="RGB", PlanarConfiguration=0)
    expected = colour[0] @ np.array([0.299, 0.587, 0.114])
    np.testing.assert_allclose(stack(open_clip(path, PLAIN))[0], expected, atol=1.0)


def test_memory_does_not_grow_with_the_number_of_frames(write) -> None:
    frames = np.random.default_rng(1).integers(0, 256, (200, 200, 200), np.uint8)
    path = write(frames, FrameTime=40)
    size = frames.nbytes
    del frames
    tracemalloc.start()
    count = sum(1 for _ in open_clip(path, PLAIN).frames())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 200
    assert peak < size / 3


# -- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("rtplan.dcm", "without an image"),
        ("MR_truncated.dcm", "cannot be decoded"),
        ("rtdose.dcm", "32-bit pixels"),
    ],
)
def test_files_that_cannot_be_used_get_one_sentence(name: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        open_clip(public(name), PLAIN)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("part", [0.02, 0.3, 0.9])
@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, RLELossless])
def test_truncated_file_is_refused(write, noise, write_bytes, part: float, syntax: str) -> None:
    content = write(noise(9), syntax=syntax, FrameTime=40).read_bytes()
    path = write_bytes("cut.dcm", content[: int(part * len(content))])
    with pytest.raises(InputError, match=r"cut\.dcm"):
        list(open_clip(path, PLAIN).frames())


def test_more_frames_than_stated_are_refused(write, noise) -> None:
    path = write(noise(4), syntax=RLELossless, FrameTime=40)
    dataset = dcmread(path)
    dataset.NumberOfFrames = 2
    dataset.save_as(path)
    with pytest.raises(InputError, match="does not hold the 2 frames"):
        list(open_clip(path, PLAIN).frames())


def test_identity_stays_out_of_everything_but_the_name(write, noise) -> None:
    clip = open_clip(
        write(noise(), [region()], FrameTime=40, PatientName="Demo^Person", PatientID="X77"), PLAIN
    )
    shown = f"{clip.provenance} {clip.cautions} {clip.spacing} {clip.clip_id}"
    assert "Demo" not in shown
    assert "X77" not in shown
