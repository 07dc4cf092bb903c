"""Owns what a DICOM file says of patient and day in words, for a record that may name them."""

from pathlib import Path

from layermotion.clip.header import quiet, read_header
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.clip.signature import looks_like_dicom
from layermotion.errors import InputError

# DICOM keywords (PS3.6) by what a record calls them.
KEYWORDS = {"Patient": "PatientName", "Number": "PatientID", "Date": "StudyDate"}


def read_patient(source: Path) -> dict[str, str]:
    """Read name, number and day of a DICOM file; what it does not state is left out.

    Only for outputs that are wanted with identifiers.

    Returns
    -------
    dict
        By the names in ``KEYWORDS``; empty for files that are no DICOM.
    """
    try:
        with source.open("rb") as file:
            if not looks_like_dicom(file.read(132)):
                return {}
        with quiet():
            data = read_header(source, list(KEYWORDS.values())).data
            found = {name: str(data.get(keyword, "") or "") for name, keyword in KEYWORDS.items()}
    except (*DICOM_ERRORS, InputError):
        return {}
    if len(found["Date"]) == 8:
        found["Date"] = f"{found['Date'][:4]}-{found['Date'][4:6]}-{found['Date'][6:]}"
    found["Patient"] = found["Patient"].replace("^", " ").strip()
    return {name: words for name, words in found.items() if words}
