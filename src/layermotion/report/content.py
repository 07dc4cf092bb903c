"""Owns what a page shows of one clip: its measures, its key frames and where they come from."""

from dataclasses import dataclass

from layermotion.boundaries import Boundaries
from layermotion.clip import Clip, Frame
from layermotion.events import Course, Window
from layermotion.labels import View
from layermotion.measures import Measure
from layermotion.report.alignment import Alignment
from layermotion.report.arrows import Arrow
from layermotion.series import Series


@dataclass(frozen=True, eq=False)
class KeyFrame:
    """One frame to show, with its edges.

    Parameters
    ----------
    role
        ``rest``, ``contracted`` or another plain word.
    frame
        The picture.
    boundaries
        Its edges.
    arrows
        How far tissue has moved since rest.
    alignment
        With the frame at rest; None where the movement of the probe between them is not known.
    """

    role: str
    frame: Frame
    boundaries: Boundaries
    arrows: tuple[Arrow, ...] = ()
    alignment: Alignment | None = None


@dataclass(frozen=True, eq=False)
class ReportContent:
    """Everything that the page shows of one clip.

    Parameters
    ----------
    clip
        The source; its name is not shown, since it may carry identity.
    view, view_reason
        What the probe looked at, and who says so.
    series, measures, windows
        What was measured.
    key_frames
        Shown side by side at one scale.
    site_column_px
        Column at which layers are measured, or None.
    cautions
        Sentences beyond those that the clip carries.
    provenance
        Facts by name: software version, weights, checksum, calibration source, and so on.
    overlay_name
        File name of the overlay beside the page, or None.
    courses
        When each effort began and was over.
    """

    clip: Clip
    view: View
    view_reason: str
    series: Series
    measures: tuple[Measure, ...]
    windows: tuple[Window, ...]
    key_frames: tuple[KeyFrame, ...]
    site_column_px: float | None
    cautions: tuple[str, ...]
    provenance: dict[str, str]
    overlay_name: str | None
    courses: tuple[Course, ...] = ()
