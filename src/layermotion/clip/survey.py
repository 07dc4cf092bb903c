"""Owns whether a video holds what it states: a file that was cut short looks like a shorter one."""

from dataclasses import dataclass
from pathlib import Path

import av

from layermotion.errors import InputError

# Kinds that state how long they are; of MPEG streams FFmpeg only guesses it.
INDEXED = ("mov", "avi")
TIMED = ("matroska", "asf")
# GIF89a, Trailer: the last byte of every file, but for padding.
GIF_TRAILER = b";"
# More bytes than anyone pads with (our choice).
TAIL_BYTES = 4096
REMEDY = "what is missing is not measured, so copy it again from the scanner"
UNSTATED = (
    "This kind of file does not state its length, so that a missing end cannot be noticed; compare "
    "its last picture with the recording."
)


@dataclass(frozen=True)
class Survey:
    """What the packets of a video say, before any is decoded.

    Parameters
    ----------
    stamps
        Time stamp of every frame that is to be shown, in the order of the file.
    end_s
        Where the last packet of any kind ends, s.
    damaged
        How many packets of pictures are marked as incomplete.
    """

    stamps: tuple[int | None, ...]
    end_s: float
    damaged: int


def survey(container: av.container.InputContainer) -> Survey:
    """Go through all packets once."""
    video = container.streams.video[0]
    stamps: list[int | None] = []
    end_s, last_s, damaged = 0.0, 0.0, 0
    for packet in container.demux():
        if packet.pts is not None and packet.time_base is not None:
            last_s = max(last_s, float(packet.pts * packet.time_base))
            end_s = max(end_s, float((packet.pts + (packet.duration or 0)) * packet.time_base))
        if packet.stream.index == video.index and packet.size and not packet.is_discard:
            stamps.append(packet.pts)
            damaged += packet.is_corrupt
    if end_s == last_s and len(stamps) > 1:
        end_s += last_s / (len(stamps) - 1)  # a last packet that does not state how long it lasts
    return Survey(tuple(stamps), end_s, damaged)


def find_gaps(
    path: Path, container: av.container.InputContainer, found: Survey, stored: int
) -> tuple[str, ...]:
    """Cautions on what a video states and does not hold.

    Parameters
    ----------
    path, container, found
        The file, open, and what its packets say.
    stored
        How many frames it holds with those that it asks to leave out.

    Raises
    ------
    InputError
        If its index names a frame of which only a part is there.
    """
    kind, video = container.format.name, container.streams.video[0]
    is_indexed = any(name in kind for name in INDEXED)
    if found.damaged and is_indexed:
        raise InputError(f"{path.name} is cut short or damaged; copy it again from the scanner.")
    if found.damaged:
        return (f"The video has {found.damaged} damaged packets; {REMEDY}.",)
    count = len(found.stamps)
    if is_indexed and video.frames > stored:
        return (f"The video states {video.frames} frames and holds {stored}; {REMEDY}.",)
    if stored > count:
        return (
            f"The video was trimmed: {stored - count} of its {stored} pictures are not to be "
            f"shown, and are not measured.",
        )
    if is_indexed and video.frames:
        return ()
    if kind == "gif":
        return () if _has_trailer(path) else (f"The end of the GIF file is missing; {REMEDY}.",)
    if not any(name in kind for name in TIMED) or container.duration is None:
        return (UNSTATED,)
    stated_s = container.duration / av.time_base
    step_s = found.end_s / count
    if stated_s - found.end_s > step_s / 2:
        return (f"The video states {stated_s:.2f} s and holds {found.end_s:.2f} s; {REMEDY}.",)
    return ()


def _has_trailer(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - TAIL_BYTES))
        return file.read().rstrip(b"\0").endswith(GIF_TRAILER)
