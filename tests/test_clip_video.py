"""Video sources, written here with PyAV in each container."""

import tracemalloc
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.video.reformatter import ColorRange

from layermotion.clip.source import SourceOptions, open_clip
from layermotion.clip.video import luminance, repaired_times
from layermotion.errors import InputError

PLAIN = SourceOptions()
LEVELS = (16, 60, 128, 200, 240)
FORMATS = [
    ("clip.mp4", "libx264", "yuv420p"),
    ("clip.mov", "libx264", "yuv420p"),
    ("clip.avi", "mjpeg", "yuvj420p"),
    ("clip.avi", "libx264", "yuv420p"),
    ("clip.webm", "libvpx-vp9", "yuv420p"),
    ("clip.gif", "gif", "gray"),
]


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write flat grey frames of the given levels, one for each time stamp in ms."""

    def build(
        name: str = "clip.mp4",
        codec: str = "libx264",
        pixel_format: str = "yuv420p",
        levels: tuple[int, ...] = LEVELS,
        stamps_ms: list[int] | None = None,
        size: tuple[int, int] = (64, 96),
        aspect: Fraction | None = None,
        title: str = "",
    ) -> Path:
        path = tmp_path / name
        with av.open(str(path), "w") as container:
            container.metadata["title"] = title
            stream = container.add_stream(codec, rate=25)
            stream.height, stream.width = size
            stream.pix_fmt = pixel_format
            if aspect is not None:
                stream.codec_context.sample_aspect_ratio = aspect
            if stamps_ms is not None:
                stream.codec_context.time_base = Fraction(1, 1000)
            for index, level in enumerate(levels):
                frame = av.VideoFrame.from_ndarray(np.full(size, level, np.uint8), format="gray")
                if stamps_ms is not None:
                    frame.pts, frame.time_base = stamps_ms[index], Fraction(1, 1000)
                else:
                    frame.pts, frame.time_base = index, Fraction(1, 25)
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        return path

    return build


def test_a_title_of_another_encoding_does_no_harm(write) -> None:
    path = write(title="Bauch-Pruefung")
    written = path.read_bytes()
    path.write_bytes(written.replace(b"Bauch-Pruefung", "Bauch-Prüffung".encode("latin-1")))
    assert path.read_bytes() != written
    assert len(list(open_clip(path, PLAIN).frames())) == len(LEVELS)


@pytest.mark.parametrize(("name", "codec", "pixel_format"), FORMATS)
def test_grey_levels_and_times_come_back(
    write, assert_reopens, name: str, codec: str, pixel_format: str
) -> None:
    path = write(name, codec, pixel_format)
    clip = open_clip(path, PLAIN)
    frames = list(clip.frames())
    # Full range: video black (16) and white (235) must not stay squeezed.
    np.testing.assert_allclose([frame.pixels.mean() for frame in frames], LEVELS, atol=3)
    np.testing.assert_allclose([f.time_s for f in frames], np.arange(5) / 25, atol=0.002)
    assert clip.frame_shape == (64, 96)
    assert not clip.is_still
    assert clip.spacing is None
    assert "no pixel size" in clip.spacing_reason
    assert_reopens(lambda: open_clip(path, PLAIN))


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuvj422p", "yuv444p", "nv12", "rgb24"])
@pytest.mark.parametrize("colour_range", [ColorRange.MPEG, ColorRange.JPEG])
def test_luminance_is_what_ffmpeg_converts_to(pixel_format: str, colour_range: ColorRange) -> None:
    levels = np.random.default_rng(3).integers(0, 256, (48, 50, 3), dtype=np.uint8)
    frame = av.VideoFrame.from_ndarray(levels, format="rgb24").reformat(
        format=pixel_format, dst_color_range=colour_range
    )
    grey = luminance(frame)
    assert grey.shape == (48, 50)
    np.testing.assert_array_equal(grey, frame.to_ndarray(format="gray"))


def test_luminance_below_black_and_above_white_is_cut() -> None:
    frame = av.VideoFrame(256, 2, "yuv420p")
    plane = frame.planes[0]
    stored = np.zeros((2, plane.line_size), np.uint8)
    stored[:, :256] = np.arange(256)
    plane.update(stored.tobytes())
    # Rec. ITU-R BT.601: 16 is black, 235 is white.
    wanted = np.clip(np.rint((np.arange(256) - 16) * 255 / 219), 0, 255)
    np.testing.assert_array_equal(luminance(frame), np.stack([wanted, wanted]))


def test_variable_frame_rate_is_kept_and_starts_at_zero(write) -> None:
    path = write(stamps_ms=[500, 540, 640, 650, 900])
    clip = open_clip(path, PLAIN)
    found = [frame.time_s for frame in clip.frames()]
    np.testing.assert_allclose(found, [0, 0.04, 0.14, 0.15, 0.4], atol=0.002)
    assert clip.cautions == ()


def test_given_rate_replaces_the_time_stamps_with_a_caution(write) -> None:
    clip = open_clip(write(), SourceOptions(frame_rate_hz=10.0))
    assert [frame.time_s for frame in clip.frames()] == pytest.approx([0, 0.1, 0.2, 0.3, 0.4])
    assert any("10 Hz replaces" in caution for caution in clip.cautions)
    assert clip.provenance["frame_rate_source"] == "given by the user"


def test_missing_and_repeated_times_are_filled_from_the_step() -> None:
    times = list(repaired_times([None, 1.0, 0.5, None, 3.0, 3.0], 0.1))
    assert times == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4, 0.5])
    assert list(repaired_times([5.0, 5.2, 5.2, 6.0], 0.1)) == pytest.approx([0, 0.2, 0.3, 1.0])


def test_times_that_cannot_be_repaired_are_refused() -> None:
    with pytest.raises(InputError, match="--fps"):
        list(repaired_times([0.0, 0.0], None))


def test_repeated_times_in_a_file_are_filled_with_a_caution(tmp_path: Path) -> None:
    # Matroska keeps whole milliseconds, so two frames 0.3 ms apart get one time.
    path = tmp_path / "clip.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=25)
        stream.height, stream.width, stream.pix_fmt = 64, 96, "yuvj420p"
        stream.codec_context.time_base = Fraction(1, 10000)
        for stamp in (0, 400, 403, 1200):
            frame = av.VideoFrame.from_ndarray(np.full((64, 96), 90, np.uint8), "gray")
            frame.pts, frame.time_base = stamp, Fraction(1, 10000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    clip = open_clip(path, PLAIN)
    assert [f.time_s for f in clip.frames()] == pytest.approx([0, 0.04, 0.08, 0.12])
    assert any("filled in from the average frame rate of 25 Hz" in c for c in clip.cautions)


ONE = 1 << 16
# What a picture is turned by, counter-clockwise, under each matrix; None where it is mirrored.
TURNS = {
    (ONE, 0, 0, ONE): 0, (0, ONE, -ONE, 0): 270, (-ONE, 0, 0, -ONE): 180, (0, -ONE, ONE, 0): 90,
    (-ONE, 0, 0, ONE): None, (ONE, 0, 0, -ONE): None, (0, ONE, ONE, 0): None,
    (0, -ONE, -ONE, 0): None,
}  # fmt: skip


def show_by(path: Path, matrix: tuple[int, ...]) -> None:
    """Put a display matrix in a track header (ISO 14496-12, 8.3.2), big-endian 16.16 numbers."""
    content = bytearray(path.read_bytes())
    upright, stated = (
        np.array([a, b, 0, c, d, 0, 0, 0, 1 << 30], ">i4").tobytes()
        for a, b, c, d in ((ONE, 0, 0, ONE), matrix)
    )
    at = content.index(upright, content.index(b"tkhd"))
    content[at : at + len(stated)] = stated
    path.write_bytes(content)


@pytest.mark.parametrize(("matrix", "turn"), TURNS.items())
def test_turned_video_is_measured_upright_and_a_mirrored_one_refused(
    matrix: tuple[int, ...], turn: int | None, write
) -> None:
    path = write(levels=(100, 100, 100))
    show_by(path, matrix)
    if turn is None:
        with pytest.raises(InputError, match="asks to be shown mirrored"):
            open_clip(path, PLAIN)
        return
    clip = open_clip(path, PLAIN)
    shape = (96, 64) if turn in (90, 270) else (64, 96)
    assert clip.frame_shape == next(clip.frames()).pixels.shape == shape
    said = [words for words in clip.cautions if "to be shown turned" in words]
    assert len(said) == bool(turn) and all(f"by {turn} degrees" in words for words in said)


def test_pixels_that_are_not_square_give_a_caution(write) -> None:
    path = write(aspect=Fraction(4, 3))
    assert any("1.33 times as wide" in words for words in open_clip(path, PLAIN).cautions)
    show_by(path, (0, ONE, -ONE, 0))
    assert any("0.75 times as wide" in words for words in open_clip(path, PLAIN).cautions)


def test_a_second_video_in_the_file_gives_a_caution(tmp_path: Path) -> None:
    path = tmp_path / "two.mp4"
    with av.open(str(path), "w") as container:
        streams = [container.add_stream("libx264", rate=25) for _ in range(2)]
        for stream, (rows, columns) in zip(streams, ((64, 96), (48, 64)), strict=True):
            stream.height, stream.width, stream.pix_fmt = rows, columns, "yuv420p"
        for _ in range(3):
            for stream in streams:
                grey = np.full((stream.height, stream.width), 90, np.uint8)
                frame = av.VideoFrame.from_ndarray(grey, "gray")
                container.mux(stream.encode(frame.reformat(format="yuv420p")))
        for stream in streams:
            container.mux(stream.encode(None))
    (said,) = (words for words in open_clip(path, PLAIN).cautions if "videos" in words)
    assert said.startswith("The file holds 2 videos; the first one, of 64 rows and 96 columns")


def test_single_frame_video_is_a_still(write) -> None:
    clip = open_clip(write("one.gif", "gif", "gray", levels=(90,)), PLAIN)
    assert clip.is_still
    assert [frame.time_s for frame in clip.frames()] == [0.0]


def test_change_of_size_is_refused(write, tmp_path: Path) -> None:
    streams = []
    for size in ((64, 96), (96, 64)):
        write("part.mpg", "mpeg2video", levels=(80,) * 10, size=size)
        streams.append((tmp_path / "part.mpg").read_bytes())
    path = tmp_path / "joined.mpg"
    path.write_bytes(b"".join(streams))
    with pytest.raises(InputError, match="changes from 64 x 96 to 96 x 64 pixels"):
        list(open_clip(path, PLAIN).frames())


def test_memory_does_not_grow_with_the_number_of_frames(write) -> None:
    path = write(levels=(90,) * 300, size=(240, 320))
    tracemalloc.start()
    count = sum(1 for _ in open_clip(path, PLAIN).frames())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 300
    assert peak < 300 * 240 * 320 / 3


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("notes.txt", b"no picture here\n" * 20),
        ("clip.mp4", b"\x00" * 4096),
        ("list.m3u8", b"#EXTM3U\n#EXTINF:1,\nother.ts\n"),
        ("list.txt", b"ffconcat version 1.0\nfile 'other.mp4'\n"),
    ],
)
def test_files_without_video_are_refused(write_bytes, name: str, content: bytes) -> None:
    with pytest.raises(InputError, match=f"{name} cannot be read as a video or image; give a"):
        open_clip(write_bytes(name, content), PLAIN)


def test_container_outside_the_list_is_refused(write) -> None:
    path = write("clip.y4m", "wrapped_avframe")
    with pytest.raises(InputError, match=r"clip\.y4m cannot be read as a video"):
        open_clip(path, PLAIN)


def test_sound_alone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = 44100
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(InputError, match=r"sound\.mp4 holds no video; give a video"):
        open_clip(path, PLAIN)


@pytest.mark.parametrize("part", [0.01, 0.5])
def test_truncated_video_is_refused(write, write_bytes, part: float) -> None:
    content = write().read_bytes()
    path = write_bytes("cut.mp4", content[: int(part * len(content))])
    with pytest.raises(InputError, match=r"cut\.mp4"):
        open_clip(path, PLAIN)
