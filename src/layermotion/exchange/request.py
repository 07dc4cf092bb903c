"""Owns which further files a user may ask for."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from layermotion.errors import InputError
from layermotion.extras import need


class Export(StrEnum):
    """A file in an open standard.

    ``SR`` a DICOM structured report, ``SEG`` a DICOM segmentation of every frame, ``FHIR`` a
    bundle of observations.
    """

    SR = "sr"
    SEG = "seg"
    FHIR = "fhir"


# What each is called; a long clip, or a pair of stills, has several segmentations.
FILES = {
    Export.SR: "measures.sr.dcm",
    Export.SEG: "*.seg.dcm",
    Export.FHIR: "observations.fhir.json",
}
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
    if set(exports) & set(OF_DICOM):
        need("The exports sr and seg need", "exchange", ("highdicom",))
    return exports
