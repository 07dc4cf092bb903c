"""Owns de-identification of DICOM headers by the basic profile of DICOM PS3.15 Annex E.

The profile lists what to remove, empty or replace (Table E.1-1) and lets everything else stand.
Here only what is listed below stays; all else goes, private attributes included, so a new or
misused attribute cannot leak. That is stricter than the profile, and meets it. Pixels, times and
calibration are written anew by ``folder.write_clip``.
"""

from dataclasses import dataclass
from enum import StrEnum

from pydicom import DataElement, Dataset
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence

from layermotion.lab.secret import Secret


class Action(StrEnum):
    """What to do with an attribute; letters as in PS3.15 Table E.1-1a."""

    KEEP = "K"
    EMPTY = "Z"
    REPLACE_UID = "U"
    PSEUDONYM = "Z, by a dummy value that is consistent"


# What ultrasound files hold and a data set needs. Attributes that PS3.15 Table E.1-1 lists carry
# its action for the basic profile; those with K are not listed there.
ACTIONS = {
    # Patient and study: type 2 in the ultrasound objects (PS3.3 A.6, A.7), so empty, not absent.
    "PatientName": Action.PSEUDONYM,
    "PatientID": Action.PSEUDONYM,
    "PatientBirthDate": Action.EMPTY,
    "PatientSex": Action.EMPTY,
    "StudyDate": Action.EMPTY,
    "StudyTime": Action.EMPTY,
    "StudyID": Action.EMPTY,
    "AccessionNumber": Action.EMPTY,
    "ReferringPhysicianName": Action.EMPTY,
    "SOPInstanceUID": Action.REPLACE_UID,
    "StudyInstanceUID": Action.REPLACE_UID,
    "SeriesInstanceUID": Action.REPLACE_UID,
    "FrameOfReferenceUID": Action.REPLACE_UID,
    "SynchronizationFrameOfReferenceUID": Action.REPLACE_UID,
    "Modality": Action.KEEP,
    "SeriesNumber": Action.KEEP,
    "InstanceNumber": Action.KEEP,
    "BodyPartExamined": Action.KEEP,
    "Laterality": Action.KEEP,
    # For tables by scanner; its model, serial number and station are removed.
    "Manufacturer": Action.PSEUDONYM,
    "TransducerType": Action.KEEP,
    "DepthOfScanField": Action.KEEP,
    "MechanicalIndex": Action.KEEP,
    "LossyImageCompression": Action.KEEP,
    "LossyImageCompressionRatio": Action.KEEP,
    "LossyImageCompressionMethod": Action.KEEP,
}
# A kept attribute must hold a number (PS3.5 section 6.2), or a code that is known here: a file may
# give an attribute another representation than the standard's, or free text for its code.
NUMBERS = frozenset({"DS", "IS"})
# Defined terms of the body parts that this tool measures (PS3.16 Annex L), of transducers
# (PS3.3 C.8.5.6.1.9, from memory) and of compressions (PS3.3 C.7.6.1.1.5.1, from memory).
KNOWN = {
    "Modality": {"US"},
    "BodyPartExamined": {"ABDOMEN", "ABDOMENPELVIS", "BLADDER", "PELVIS"},
    "Laterality": {"L", "R"},
    "TransducerType": {"SECTOR_PHASED", "SECTOR_MECH", "SECTOR_ANNULAR", "LINEAR", "CURVED LINEAR"}
    | {"VECTOR_PHASED", "ENDOCAV_PA", "ENDOCAV_MECH", "ENDOCAV_CLA", "ENDOCAV_LINEAR"},
    "LossyImageCompression": {"00", "01"},
    "LossyImageCompressionMethod": {"ISO_10918_1", "ISO_14495_1", "ISO_15444_1", "ISO_15444_2"}
    | {"ISO_13818_2", "ISO_14496_10", "ISO_23008_2"},
}
# What the make of a scanner is told by.
MAKE = ("Manufacturer", "ManufacturerModelName")


@dataclass(frozen=True)
class Code:
    """One coded concept of PS3.16 CID 7050, De-identification Method."""

    value: str
    meaning: str

    def item(self) -> Dataset:
        """Make it an item of the De-identification Method Code Sequence."""
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator = self.value, "DCM"
        item.CodeMeaning = self.meaning
        return item


BASIC_PROFILE = Code("113100", "Basic Application Confidentiality Profile")
CLEAN_PIXELS = Code("113101", "Clean Pixel Data Option")


def clean_header(original: Dataset, secret: Secret, subject: str) -> Dataset:
    """Header of a file without identity.

    Parameters
    ----------
    original
        Header as the scanner wrote it; it is not changed.
    secret
        Keys the replaced UIDs.
    subject
        Pseudonym that takes the place of name and number.

    Returns
    -------
    Dataset
        Only attributes of ``ACTIONS``, with what was done stated (PS3.15 E.1.1, step 9).
    """
    cleaned = Dataset()
    cleaned.SpecificCharacterSet = "ISO_IR 192"  # UTF-8, whatever the original was written in
    for keyword, action in ACTIONS.items():
        if action is Action.EMPTY:
            setattr(cleaned, keyword, "")
        if action not in (Action.REPLACE_UID, Action.KEEP) or keyword not in original:
            continue
        element = original[keyword]
        if action is Action.REPLACE_UID and element.value:
            setattr(cleaned, keyword, secret.replaced_uid(str(element.value)))
        elif action is Action.KEEP and _is_plain(keyword, element):
            setattr(cleaned, keyword, element.value)
    make = " ".join(str(original.get(keyword) or "").strip() for keyword in MAKE).strip()
    cleaned.Manufacturer = secret.scanner(make) if make else ""
    cleaned.PatientName = cleaned.PatientID = subject
    cleaned.PatientIdentityRemoved = "YES"
    cleaned.LongitudinalTemporalInformationModified = "REMOVED"
    cleaned.DeidentificationMethodCodeSequence = Sequence([BASIC_PROFILE.item()])
    return cleaned


def _is_plain(keyword: str, element: DataElement) -> bool:
    """Whether a value is a number, or nothing but codes that are known."""
    if keyword not in KNOWN:
        return element.VR in NUMBERS
    values = element.value if isinstance(element.value, MultiValue) else [element.value]
    return element.VR == "CS" and all(value in KNOWN[keyword] for value in values)
