"""Videos that were cut short, damaged or made to harm: refused, or read with a caution."""

import resource
import struct
from pathlib import Path

import av
import numpy as np
import pytest
from standin import draw_texture

from layermotion.clip.source import SourceOptions, open_clip
from layermotion.clip.survey import UNSTATED
from layermotion.errors import InputError

PLAIN = SourceOptions()
COUNT = 24
KINDS = {
    "clip.mp4": ("libx264", "yuv420p"),
    "first.mp4": ("libx264", "yuv420p"),
    "clip.mov": ("mjpeg", "yuvj420p"),
    "clip.mkv": ("mjpeg", "yuvj420p"),
    "clip.webm": ("libvpx", "yuv420p"),
    "clip.avi": ("mjpeg", "yuvj420p"),
    "clip.gif": ("gif", "gray"),
    "clip.mpg": ("mpeg2video", "yuv420p"),
    "clip.ts": ("libx264", "yuv420p"),
    "clip.asf": ("mjpeg", "yuvj420p"),
}


@pytest.fixture(scope="module")
def videos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One short clip of each kind; the index of ``first.mp4`` stands before its frames."""
    folder = tmp_path_factory.mktemp("videos")
    texture = draw_texture(96, 128)
    for name, (codec, pixel_format) in KINDS.items():
        options = {"movflags": "faststart"} if name == "first.mp4" else {}
        with av.open(str(folder / name), "w", options=options) as container:
            stream = container.add_stream(codec, rate=25)
            stream.height, stream.width, stream.pix_fmt = 96, 128, pixel_format
            stream.codec_context.gop_size = 4
            for index in range(COUNT):
                picture = np.roll(texture, index, axis=0)
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))
            container.mux(stream.encode(None))
    return folder


@pytest.mark.parametrize("name", KINDS)
def test_a_whole_video_has_no_caution_but_that_its_end_is_not_stated(
    name: str, videos: Path
) -> None:
    clip = open_clip(videos / name, PLAIN)
    is_unstated = name in ("clip.mpg", "clip.ts")
    assert clip.cautions == ((UNSTATED,) if is_unstated else ())
    assert len(list(clip.frames())) == COUNT


def test_a_trimmed_video_holds_what_it_asks_to_show(videos: Path, tmp_path: Path) -> None:
    """Trimming without writing pictures anew changes the edit list alone (ISO 14496-12, 8.6.6)."""
    content = bytearray((videos / "clip.mp4").read_bytes())
    entry = content.index(b"elst") + len("elst") + 8  # after version, flags and the number of edits
    duration, first = struct.unpack_from(">Ii", content, entry)
    frame = duration // COUNT
    ticks = 512  # of the stream's 12,800 a second, in a frame
    struct.pack_into(">Ii", content, entry, 12 * frame, first + 6 * ticks)
    trimmed = tmp_path / "trimmed.mp4"
    trimmed.write_bytes(content)

    clip = open_clip(trimmed, PLAIN)

    assert clip.frame_count == len(list(clip.frames())) == 12
    assert clip.cautions == (
        "The video was trimmed: 12 of its 24 pictures are not to be shown, and are not measured.",
    )


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("part", [0.35, 0.55, 0.8, 0.93])
def test_a_video_cut_short_is_refused_or_says_so(
    name: str, part: float, videos: Path, tmp_path: Path
) -> None:
    content = (videos / name).read_bytes()
    path = tmp_path / name
    path.write_bytes(content[: int(part * len(content))])
    try:
        clip = open_clip(path, PLAIN)
        frames = list(clip.frames())
    except InputError as refusal:
        assert name in str(refusal)
        return
    # Where only the index behind the frames was cut off, nothing is lost.
    assert len(frames) == COUNT or any("missing" in caution for caution in clip.cautions)


def test_a_damaged_picture_is_refused(videos: Path, tmp_path: Path) -> None:
    content = bytearray((videos / "clip.mpg").read_bytes())
    content[len(content) // 2 : len(content) // 2 + 300] = bytes(300)
    path = tmp_path / "clip.mpg"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"clip\.mpg has a damaged picture at 0\.\d\d s; copy"):
        list(open_clip(path, PLAIN).frames())


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("clip.avi", b"MJPG", b"\xff\xfe!?"),
        ("clip.mkv", b"V_MJPEG", b"V_\xff\xfe???"),
        ("clip.mov", b"jpeg", b"\0\xff!!"),
    ],
)
def test_a_codec_nobody_knows_is_one_sentence(
    name: str, old: bytes, new: bytes, videos: Path, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_bytes((videos / name).read_bytes().replace(old, new))
    with pytest.raises(InputError, match=f"{name} .*; give a video"):
        list(open_clip(path, PLAIN).frames())


def test_metadata_in_no_encoding_are_no_hindrance(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    with av.open(str(path), "w") as container:
        container.metadata["title"] = "invented title"
        stream = container.add_stream("mjpeg", rate=25)
        stream.height, stream.width, stream.pix_fmt = 96, 128, "yuvj420p"
        for _ in range(3):
            picture = av.VideoFrame.from_ndarray(draw_texture(96, 128), format="gray")
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    content = path.read_bytes()
    assert content.count(b"invented title") == 1
    path.write_bytes(content.replace(b"invented title", b"inv\xff\xfe\xc3\x28d title"))
    assert len(list(open_clip(path, PLAIN).frames())) == 3


def test_a_huge_picture_is_refused_before_it_takes_memory(videos: Path, tmp_path: Path) -> None:
    content = bytearray((videos / "clip.gif").read_bytes())
    content[6:10] = struct.pack("<HH", 60000, 30000)
    path = tmp_path / "huge.gif"
    path.write_bytes(content)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(InputError, match=r"huge\.gif cannot be read as a video"):
        list(open_clip(path, PLAIN).frames())
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 100_000
