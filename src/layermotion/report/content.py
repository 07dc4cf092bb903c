"""Owns what a page shows of one clip: what was found, its key frames and where it comes from."""

from dataclasses import dataclass

from layermotion.analysis.result import Analysis
from layermotion.caution import Signature
from layermotion.report.key_frames import KeyFrame


@dataclass(frozen=True, eq=False)
class ReportContent:
    """Everything that the page shows of one clip.

    Parameters
    ----------
    analysis
        What was found; the name of the source is not shown, since it may carry identity.
    key_frames
        Shown side by side at one scale.
    provenance
        Facts by name: software version, weights, checksum, calibration source, and so on.
    overlay_name
        File name of the overlay beside the page, or None.
    advice
        What to do at the next recording.
    signature
        Of the clinician who confirmed it; None of a draft.
    """

    analysis: Analysis
    key_frames: tuple[KeyFrame, ...]
    provenance: dict[str, str]
    overlay_name: str | None
    advice: tuple[str, ...] = ()
    signature: Signature | None = None
