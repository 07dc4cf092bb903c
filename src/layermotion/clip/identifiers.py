"""Owns what a DICOM header says of the person and the day; it is compared and never shown."""

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from pydicom import Dataset

from layermotion.clip.header import quiet, read_header
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.clip.signature import looks_like_dicom
from layermotion.errors import InputError

TAGS = (
    "PatientID",
    "IssuerOfPatientID",
    "PatientName",
    "PatientBirthDate",
    "AcquisitionDate",
    "AcquisitionDateTime",
    "StudyDate",
)
# Of the five parts of a name the first three; prefix and suffix change (PS3.5 6.2.1.1).
NAME_PARTS = 3


@dataclass(frozen=True, repr=False)
class Identifiers:
    """What a header states; each is empty where it states nothing.

    Parameters
    ----------
    number, issuer
        Patient ID, and who gave it.
    name
        Family, given and middle name in lower case.
    birth, day
        Date of birth, and the date on which the recording was made: ``YYYYMMDD``.
    """

    number: str = ""
    issuer: str = ""
    name: str = ""
    birth: str = ""
    day: str = ""

    def __repr__(self) -> str:
        return "Identifiers(hidden)"


NOTHING_STATED = Identifiers()


def read_identifiers(source: Path) -> Identifiers:
    """Read who and when from a source; nothing from one that is no readable DICOM file."""
    try:
        with source.open("rb") as file:
            if not looks_like_dicom(file.read(132)):
                return NOTHING_STATED
        with quiet():
            dataset = read_header(source, TAGS).data
            return Identifiers(
                number=_text(dataset, "PatientID"),
                issuer=_text(dataset, "IssuerOfPatientID"),
                name=_name(_text(dataset, "PatientName")),
                birth=_date(_text(dataset, "PatientBirthDate")),
                day=_day(dataset),
            )
    except (*DICOM_ERRORS, InputError):
        return NOTHING_STATED


def _text(dataset: Dataset, keyword: str) -> str:
    """Value without its padding; empty where there is none."""
    value = dataset.get(keyword)
    return unicodedata.normalize("NFC", "" if value is None else str(value)).strip(" \0\t\r\n")


def _name(text: str) -> str:
    """First writing of a name, without padding, prefix and suffix, in lower case.

    Examples
    --------
    >>> _name("Doe^Jane Ann^^Dr."), _name("DOE ^ JANE  ANN"), _name("^^^^")
    ('doe^jane ann', 'doe^jane ann', '')
    """
    parts = text.partition("=")[0].split("^")[:NAME_PARTS]
    return "^".join(" ".join(part.split()) for part in parts).strip("^").casefold()


def _date(text: str) -> str:
    """Digits of a date, also of the old form 1997.04.24; empty where they are no date.

    Examples
    --------
    >>> _date("1997.04.24"), _date("unknown")
    ('19970424', '')
    """
    digits = re.sub(r"\D", "", text)
    return digits[:8] if len(digits) >= 8 else ""


def _day(dataset: Dataset) -> str:
    """Day of the recording, else of its study."""
    days = (_date(_text(dataset, keyword)) for keyword in TAGS[TAGS.index("AcquisitionDate") :])
    return next((day for day in days if day), "")
