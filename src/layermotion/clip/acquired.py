"""Owns when a recording was made, as its file states it: it puts recordings in order, no more."""

import re
from pathlib import Path

from pydicom import Dataset

from layermotion.clip.header import quiet, read_header
from layermotion.clip.regions import DICOM_ERRORS
from layermotion.clip.signature import looks_like_dicom
from layermotion.errors import InputError

# Date and time of a recording, the best statement first (PS3.3 C.7.6.1 and C.12.1.1).
STATEMENTS = (("AcquisitionDate", "AcquisitionTime"), ("ContentDate", "ContentTime"))
WHOLE = "AcquisitionDateTime"
TAGS = [WHOLE, *(name for pair in STATEMENTS for name in pair)]


def acquired_at(source: Path) -> str | None:
    """Date and time of a recording as text that sorts by time; None where the file states none.

    It must not be written anywhere: a date may lead to a person.

    Parameters
    ----------
    source
        Any recording; only a DICOM file can state a time.
    """
    try:
        with source.open("rb") as file:
            if not looks_like_dicom(file.read(132)):
                return None
        with quiet():
            return _stated(read_header(source, TAGS).data)
    except (*DICOM_ERRORS, InputError):
        return None


def _stated(header: Dataset) -> str | None:
    # Of a zone after the time nothing is used: one visit is in one place.
    whole = re.split("[+-]", _text(header, WHOLE))[0]
    statements = [(whole[:8], whole[8:])]
    statements += [(_text(header, date), _text(header, time)) for date, time in STATEMENTS]
    for date, time in statements:
        day, moment = re.sub(r"\D", "", date), re.sub(r"[^\d.]", "", time)
        # Hours alone do not tell the order of a visit.
        if len(day) == 8 and len(moment) >= 4:
            return f"{day}{moment}"
    return None


def _text(header: Dataset, keyword: str) -> str:
    value = header.get(keyword)
    return "" if value is None else str(value).strip(" \0")
