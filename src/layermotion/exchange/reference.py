"""Owns what our DICOM objects share: the reference to the image measured, codes, and writing.

They refer to the image by its UIDs, and are marked as preliminary and not verified. Without leave
to keep identifiers, patient, dates and numbers are left blank; the UIDs still lead to the study in
the archive it came from.
"""

import re
import warnings
from pathlib import Path

from highdicom import sr
from pydicom import Dataset, dcmread
from pydicom.errors import InvalidDicomError

from layermotion.errors import InputError
from layermotion.exchange.codes import SCHEME, SCHEME_NAME, Coded
from layermotion.files import atomic_path

MANUFACTURER = "layermotion"
# Beyond what a scanner numbers its series (our choice).
SERIES_NUMBER = 9001
NEEDED = ("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
TECHNICAL = (
    "Modality",
    "Rows",
    "Columns",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "ImageType",
)
# What a DICOM object must state of patient and study, blank where it is not to be known.
IDENTIFYING = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
# Values that the standard does not allow, such as 1997.04.24, are left out of what we write
# (PS3.5 6.2 for dates and times, PS3.3 C.7.1.1 for the sex).
ALLOWED = {
    "PatientBirthDate": r"\d{8}",
    "StudyDate": r"\d{8}",
    "StudyTime": r"\d{2,6}(\.\d{1,6})?",
    "PatientSex": "[MFO]",
}


def read_reference(source: Path, *, keep_identifiers: bool) -> Dataset:
    """Read what another object needs to refer to an image, and nothing else of it.

    Raises
    ------
    InputError
        If the image has no UIDs to refer to, or a form that DICOM does not know.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # they may quote values of the file
            whole = dcmread(source, force=True, stop_before_pixels=True)
    except (OSError, InvalidDicomError) as error:
        raise InputError(f"{source.name} cannot be read again for its UIDs.") from error
    if not all(whole.get(keyword) for keyword in NEEDED):
        raise InputError(
            f"{source.name} lacks the UIDs of its study, so no DICOM file can refer to it; "
            f"leave sr and seg out of --export."
        )
    sop_class = whole.SOPClassUID
    if sop_class.is_private or sop_class.is_retired:
        raise InputError(
            f"{source.name} is stored in a form that DICOM has retired or does not know, which no "
            f"new file refers to; leave sr and seg out of --export."
        )
    reference = Dataset()
    for keyword in (*NEEDED, *TECHNICAL):
        if keyword in whole:
            setattr(reference, keyword, whole.get(keyword))
    for keyword in IDENTIFYING:
        kept = whole.get(keyword) if keep_identifiers else None
        is_allowed = re.fullmatch(ALLOWED.get(keyword, ".*"), str(kept))
        setattr(reference, keyword, kept if kept is not None and is_allowed else "")
    return reference


def concept(code: Coded) -> sr.CodedConcept:
    """Put a code into the form of DICOM."""
    return sr.CodedConcept(value=code.value, scheme_designator=code.scheme, meaning=code.meaning)


def save_document(target: Path, document: Dataset) -> None:
    """Write a DICOM object atomically, with the name of our own coding scheme."""
    scheme = Dataset()
    scheme.CodingSchemeDesignator = SCHEME
    scheme.CodingSchemeName = SCHEME_NAME
    document.CodingSchemeIdentificationSequence = [scheme]
    with atomic_path(target) as temporary:
        document.save_as(temporary)
