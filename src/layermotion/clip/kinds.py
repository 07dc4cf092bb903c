"""Owns telling whether a file or folder is meant as a recording, without decoding it."""

from pathlib import Path

from layermotion.clip.header import quiet, read_header
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.clip.signature import looks_like_dicom
from layermotion.clip.stills import SUFFIXES as IMAGE_SUFFIXES
from layermotion.clip.stills import image_paths, looks_like_image
from layermotion.errors import InputError

# Suffixes of what the readers open; a damaged or empty file with one of them is still meant as a
# recording, and must not be left out in silence.
DICOM_SUFFIXES = frozenset({".dcm", ".dicom", ".dic"})
VIDEO_SUFFIXES = frozenset(
    {".mp4", ".m4v", ".mov", ".avi", ".mkv", ".webm", ".gif", ".wmv", ".asf", ".mpg", ".mpeg"}
    | {".ts", ".mts", ".m2ts"}
)
RECORDING_SUFFIXES = DICOM_SUFFIXES | VIDEO_SUFFIXES | IMAGE_SUFFIXES
# First bytes of Matroska and WebM, ASF, MPEG program streams and GIF; MP4 and AVI carry their mark
# a little later.
VIDEO_SIGNATURES = (b"\x1aE\xdf\xa3", b"0&\xb2u", b"\x00\x00\x01\xba", b"GIF8")
# DICOM objects that hold no picture: reports, presentation states, documents (PS3.4 B.5), and the
# directory of a disc.
WITHOUT_PICTURE = tuple(f"1.2.840.10008.5.1.4.1.1.{part}." for part in ("88", "11", "104"))
DIRECTORY = "1.2.840.10008.1.3.10"
# Lies in every folder of results, beside pictures.
RESULTS = "measures.json"
# Each packet of an MPEG transport stream begins with this byte (ISO/IEC 13818-1, 2.4.3.2).
SYNC, PACKET_BYTES = ord("G"), 188
# Enough of a file to tell its kind by: two packets and the first byte of another.
HEAD_BYTES = 2 * PACKET_BYTES + 1


def is_recording(path: Path) -> bool:
    """Tell whether a path is meant as a recording, by its suffix or its first bytes.

    Of folders, those that hold images are, but for results of this tool. A DICOM report or the
    directory of a disc is none.
    """
    try:
        if path.is_dir():
            return bool(image_paths(path)) and not (path / RESULTS).exists()
        if not path.is_file():
            return False
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        # What cannot be opened may be a recording: its reader says what is wrong.
        return True
    if looks_like_dicom(head):
        return not _is_without_picture(path)
    has_suffix = path.suffix.lower() in RECORDING_SUFFIXES
    return has_suffix or looks_like_image(head) or looks_like_video(head)


def looks_like_video(head: bytes) -> bool:
    """Tell by the first bytes whether a file is a video.

    Examples
    --------
    >>> looks_like_video(b"....ftypisom"), looks_like_video(b"Left side first.")
    (True, False)
    """
    is_stream = len(head) == HEAD_BYTES and set(head[::PACKET_BYTES]) == {SYNC}
    is_avi = head[:4] == b"RIFF" and head[8:11] == b"AVI"
    return is_avi or is_stream or head[4:8] == b"ftyp" or head.startswith(VIDEO_SIGNATURES)


def _is_without_picture(path: Path) -> bool:
    """Tell whether a DICOM file states that it holds no picture; a damaged one states nothing."""
    try:
        with quiet():
            header = read_header(path, ["SOPClassUID", "MediaStorageSOPClassUID"]).data
            meta = getattr(header, "file_meta", {})
            kind = str(header.get("SOPClassUID") or meta.get("MediaStorageSOPClassUID") or "")
    except (*DICOM_ERRORS, InputError):
        return False
    return kind == DIRECTORY or kind.startswith(WITHOUT_PICTURE)
