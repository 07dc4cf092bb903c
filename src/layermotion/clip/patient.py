"""Owns what a DICOM file says of patient and day in words, for a record that may name them."""

from pathlib import Path

import pydicom
from pydicom.errors import InvalidDicomError

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
        dataset = pydicom.dcmread(
            source, stop_before_pixels=True, specific_tags=list(KEYWORDS.values())
        )
    except (InvalidDicomError, OSError):
        return {}
    found = {name: str(dataset.get(keyword, "") or "") for name, keyword in KEYWORDS.items()}
    if len(found["Date"]) == 8:
        found["Date"] = f"{found['Date'][:4]}-{found['Date'][4:6]}-{found['Date'][6:]}"
    found["Patient"] = found["Patient"].replace("^", " ").strip()
    return {name: words for name, words in found.items() if words}
