"""Owns the invented laboratory that the tests of the lab share."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.dataset import FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, UltrasoundMultiFrameImageStorage

from layermotion.clip.source import SourceOptions
from layermotion.consent.ledger import Consent, Scope
from layermotion.geometry import ImageArea
from layermotion.lab.annotations import LabelledFrame
from layermotion.lab.folder import Lab, Review, create_lab, frame_key, open_secret
from layermotion.lab.importing import ImportOptions, import_folder
from layermotion.lab.labelling import store_labels
from layermotion.lab.persons import Person
from layermotion.lab.review import record_review
from layermotion.labels import View

Label = NDArray[np.uint8]

BOTH = (Scope.TRAINING, Scope.EVALUATION)
TODAY = date(2024, 6, 1)
AREA = ImageArea(40, 60, 160, 200)
ROWS, COLUMNS = 240, 320
ROW_MM, COLUMN_MM = 0.2, 0.25
OPTIONS = ImportOptions("clinic-a", None, SourceOptions(view=View.ABDOMINAL_WALL))


def make_lab(folder: Path) -> tuple[Lab, Path]:
    """Make an empty laboratory and return it with the path of its secret."""
    secret_path = folder / "keys" / "secret"
    return replace(create_lab(folder / "lab", secret_path), today=TODAY), secret_path


def subject_of(lab: Lab, identifier: str, site: str = "clinic-a", issuer: str = "") -> str:
    """Pseudonym of a subject."""
    return Person(identifier, site, issuer).pseudonym(open_secret(lab))


def agree(
    lab: Lab, secret_path: Path, *identifiers: str, site: str = "clinic-a", issuer: str = ""
) -> tuple[str, ...]:
    """Record the consent of subjects, and return their pseudonyms."""
    subjects = tuple(subject_of(lab, identifier, site, issuer) for identifier in identifiers)
    for subject in subjects:
        consent = Consent(subject, BOTH, date(2024, 1, 1), date(2024, 12, 31))
        lab.ledger.record([consent], "nurse 2")
    return subjects


def speckled_frames(seed: int, count: int = 2) -> NDArray[np.uint8]:
    """Screens with a speckled image in ``AREA`` and a name burned in above it."""
    rng = np.random.default_rng(seed)
    frames = np.zeros((count, ROWS, COLUMNS), np.uint8)
    for frame in frames:
        frame[AREA.slices] = rng.integers(30, 220, (AREA.height, AREA.width))
        cv2.putText(frame, "DOE JANE 4711", (60, 25), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 255, 1)
    return frames


def write_scan(
    path: Path,
    identifier: str,
    frames: NDArray[np.uint8],
    change: Callable[[pydicom.Dataset], None] | None = None,
) -> Path:
    """Write frames as a scanner would, with the identity of an invented patient."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UltrasoundMultiFrameImageStorage
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = pydicom.Dataset()
    data.file_meta = meta
    data.SOPClassUID, data.SOPInstanceUID = UltrasoundMultiFrameImageStorage, f"1.2.{identifier}.9"
    meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID
    data.StudyInstanceUID, data.SeriesInstanceUID = f"1.2.{identifier}.1", f"1.2.{identifier}.2"
    data.PatientName, data.PatientID = "Doe^Jane", identifier
    data.PatientBirthDate, data.PatientSex = "19700101", "F"
    data.StudyDate, data.StudyTime, data.StudyID = "20240102", "101112", "STUDY-4711"
    data.AccessionNumber, data.ReferringPhysicianName = "ACC-4711", "Roe^Richard"
    data.Modality, data.Manufacturer, data.ManufacturerModelName = "US", "Invented", "Model 5"
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.NumberOfFrames, data.Rows, data.Columns = frames.shape
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    data.FrameTime, data.FrameIncrementPointer = "40", 0x00181063
    region = pydicom.Dataset()
    region.RegionSpatialFormat = region.RegionDataType = 1
    region.RegionFlags = 0
    region.RegionLocationMinX0, region.RegionLocationMinY0 = AREA.left, AREA.top
    region.RegionLocationMaxX1 = AREA.left + AREA.width - 1
    region.RegionLocationMaxY1 = AREA.top + AREA.height - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX, region.PhysicalDeltaY = COLUMN_MM / 10, ROW_MM / 10
    data.SequenceOfUltrasoundRegions = Sequence([region])
    data.PixelData = frames.tobytes()
    if change is not None:
        change(data)
    path.parent.mkdir(parents=True, exist_ok=True)
    data.save_as(path, enforce_file_format=True)
    return path


def wall_label() -> Label:
    """Draw four slanting layers with unlabelled borders between them, inside ``AREA``."""
    label = np.zeros((ROWS, COLUMNS), np.uint8)
    for value, top in enumerate((50, 80, 110, 140), start=1):
        corners = np.array([[70, top], [250, top + 8], [250, top + 30], [70, top + 22]])
        cv2.fillPoly(label, [corners], value)
    return label


def label_everything(lab: Lab) -> None:
    """Accept every clip in review and label each frame with the same sound layers."""
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    for name, record in lab.clips().items():
        for number in range(record.frames):
            store_label(lab, frame_key(name, number), wall_label())


def unlabel(lab: Lab, key: str) -> None:
    """Take the label of a frame away."""
    lab.label_path(key).unlink()
    lab.label_path(key).with_suffix(".json").unlink(missing_ok=True)


def store_label(lab: Lab, key: str, label: Label) -> None:
    """Store a label that a person drew."""
    report = store_labels(lab, [LabelledFrame.of(key, label)], "nurse 2", as_drawn=True)
    assert report.sound == (key,)


def labelled_lab(
    folder: Path, identifiers: tuple[str, ...], site: str = "clinic-a"
) -> tuple[Lab, Path]:
    """Make a laboratory whose consenting subjects each have one labelled clip."""
    lab, secret_path = make_lab(folder)
    agree(lab, secret_path, *identifiers, site=site)
    import_subjects(lab, secret_path, folder / "scans", identifiers, site)
    label_everything(lab)
    return lab, secret_path


def import_subjects(
    lab: Lab, secret_path: Path, source: Path, identifiers: tuple[str, ...], site: str
) -> None:
    """Import one clip of each subject."""
    for identifier in identifiers:
        write_scan(source / f"{identifier}.dcm", identifier, speckled_frames(int(identifier)))
    options = ImportOptions(site, None, SourceOptions(view=View.ABDOMINAL_WALL))
    import_folder(lab, open_secret(lab, secret_path), source, options)
