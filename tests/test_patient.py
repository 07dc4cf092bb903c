"""What a DICOM file says of patient and day, only where identifiers are wanted."""

from pathlib import Path

import numpy as np
import pydicom
from standin import write_dicom

from layermotion.clip.patient import read_patient


def test_name_number_and_day_are_read_in_words(tmp_path: Path) -> None:
    path = write_dicom(tmp_path / "clip.dcm", [np.zeros((64, 64), np.uint8)] * 2)
    dataset = pydicom.dcmread(path)
    dataset.PatientName, dataset.PatientID, dataset.StudyDate = "Example^Ann", "X 1", "20260102"
    dataset.save_as(path)
    assert read_patient(path) == {"Patient": "Example Ann", "Number": "X 1", "Date": "2026-01-02"}
    dataset.PatientName = dataset.PatientID = dataset.StudyDate = ""
    dataset.save_as(path)
    assert read_patient(path) == {}


def test_what_is_no_dicom_says_nothing(tmp_path: Path) -> None:
    other = tmp_path / "clip.mp4"
    other.write_bytes(b"not a header")
    assert read_patient(other) == {} and read_patient(tmp_path / "missing.dcm") == {}
