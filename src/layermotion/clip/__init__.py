"""Owns the Clip: a re-openable stream of grey frames with times and calibration."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.geometry import ImageArea, Spacing
from layermotion.labels import Task, View

__all__ = (
    "Clip",
    "Frame",
    "acquired",
    "clip_id_of",
    "damage",
    "dicom",
    "header",
    "identifiers",
    "kinds",
    "pair",
    "patient",
    "reading",
    "regions",
    "screen",
    "signature",
    "source",
    "stills",
)


def clip_id_of(digest: str) -> str:
    """Short name of a clip from the hexadecimal digest of its content.

    It begins with a letter that no number begins with: of hexadecimal digits alone, 12345678 and
    1234e567 are read as numbers by a spreadsheet, and lost.

    Examples
    --------
    >>> clip_id_of("1234e567ab")
    'c1234e567'
    """
    return f"c{digest[:8]}"


@dataclass(frozen=True, eq=False)
class Frame:
    """One grey frame.

    Parameters
    ----------
    index
        Zero-based position in the clip.
    time_s
        Time stamp, s; increases along the clip.
    pixels
        uint8, shape (rows, columns), the whole screen as stored.
    """

    index: int
    time_s: float
    pixels: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Clip:
    """A source that was opened and checked; frames are read again at each ``frames()`` call.

    Parameters
    ----------
    clip_id
        Short content hash; the only name that leaves this machine.
    source_name
        File or folder name; may carry identity, so it is shown only on screen and in errors.
    frame_shape
        (rows, columns) of every frame.
    frame_count
        Number of frames where the container states it, else None.
    spacing
        Pixel size of the image area, or None with ``spacing_reason`` set.
    spacing_reason
        Why there is no calibration; empty when there is one.
    area
        Where the ultrasound image lies in the frame.
    view, task
        What the user or the file states; None where unknown.
    is_still
        True for a single image.
    read
        Opens the source anew and yields ``Frame`` one at a time.
    cautions
        Sentences about the source that a report must show.
    provenance
        Facts about the source without identity (format, transfer syntax, frame rate source).
    """

    clip_id: str
    source_name: str
    frame_shape: tuple[int, int]
    frame_count: int | None
    spacing: Spacing | None
    spacing_reason: str
    area: ImageArea
    view: View | None
    task: Task | None
    is_still: bool
    read: Callable[[], Iterator[Frame]]
    cautions: tuple[str, ...] = ()
    provenance: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rows, columns = self.frame_shape
        if self.area.top + self.area.height > rows or self.area.left + self.area.width > columns:
            raise InputError(
                f"{self.source_name} has an image area that does not fit its "
                f"{rows} x {columns} pixels; re-export the clip."
            )
        if (self.spacing is None) != bool(self.spacing_reason):
            raise InputError(
                f"{self.source_name} needs either a calibration or a reason for its absence."
            )

    @property
    def is_pair(self) -> bool:
        """Whether it is a still at rest and a contracted one."""
        return self.is_still and self.frame_count == 2

    def frames(self) -> Iterator[Frame]:
        """Yield the frames in order, reading the source again from its start."""
        return self.read()
