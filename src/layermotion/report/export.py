"""Owns which further files are written of a clip, on request; how each looks lies elsewhere."""

import importlib.util
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from layermotion.clip.dicom import looks_like_dicom
from layermotion.errors import InputError

if TYPE_CHECKING:
    from layermotion.recording import Recording
    from layermotion.report.content import ReportContent


class Export(StrEnum):
    """A file in an open standard.

    ``SR`` a DICOM structured report, ``SEG`` a DICOM segmentation of every frame, ``FHIR`` a
    bundle of observations.
    """

    SR = "sr"
    SEG = "seg"
    FHIR = "fhir"


# These refer to the DICOM image that was measured, and need the package that writes them.
OF_DICOM = (Export.SR, Export.SEG)


@dataclass(frozen=True)
class ExportRequest:
    """What to write of one clip.

    Parameters
    ----------
    sources
        The files that were measured; two for a pair of stills.
    side
        ``left``, ``right``, ``midline``, or None where it was not stated.
    keep_identifiers
        Whether the patient's name and number pass into DICOM files.
    """

    exports: tuple[Export, ...]
    sources: tuple[Path, ...]
    side: str | None
    keep_identifiers: bool


def parse_exports(text: str) -> tuple[Export, ...]:
    """Read exports as the user types them; check that what writes them is installed.

    Examples
    --------
    >>> parse_exports("fhir")
    (<Export.FHIR: 'fhir'>,)
    """
    words = [word.strip().lower() for word in text.split(",")]
    unknown = [word for word in words if word not in list(Export)]
    if unknown:
        raise InputError(f"'{unknown[0]}' is not an export; give {', '.join(Export)}.")
    exports = tuple(export for export in Export if export in words)
    if set(exports) & set(OF_DICOM) and importlib.util.find_spec("highdicom") is None:
        raise InputError(
            "The exports sr and seg need highdicom, which is not installed; "
            "run: pip install 'layermotion[exchange]'."
        )
    return exports


def check_exportable(sources: Sequence[Path], exports: Sequence[Export]) -> None:
    """Refuse, before any work, an export that the source cannot give."""
    wanted = [export for export in exports if export in OF_DICOM]
    for source in sources if wanted else ():
        head = b""
        if source.is_file():
            with source.open("rb") as file:
                head = file.read(132)
        if not looks_like_dicom(head):
            raise InputError(
                f"{source.name} is not a DICOM file, so {' and '.join(wanted)} cannot refer to "
                f"it; give the DICOM file, or leave {','.join(wanted)} out of --export."
            )
        from layermotion.report.reference import read_reference

        read_reference(source, keep_identifiers=False)


def write_exports(
    folder: Path, content: "ReportContent", request: ExportRequest, recording: "Recording"
) -> None:
    """Write the files that were asked for, each under its fixed name.

    Parameters
    ----------
    recording
        Edges of every frame, for the segmentation.
    """
    for export in request.exports:
        if export is Export.FHIR:
            from layermotion.report.fhir import write_observations

            write_observations(folder, content, request.side)
        else:
            from layermotion.report.exchange import write_report
            from layermotion.report.segmentation import write_segmentations

            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # they may quote values of the file
                if export is Export.SR:
                    write_report(folder, content, request)
                else:
                    write_segmentations(folder, content, request, recording)
