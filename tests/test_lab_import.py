"""Import: only consenting subjects, no identity left in files, names or reports."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from lab_data import (
    AREA,
    COLUMN_MM,
    COLUMNS,
    OPTIONS,
    ROW_MM,
    ROWS,
    agree,
    make_lab,
    speckled_frames,
    subject_of,
    write_scan,
)
from numpy.typing import NDArray
from pydicom.datadict import dictionary_VR
from pydicom.sequence import Sequence
from pydicom.uid import UID

from layermotion.clip import Frame
from layermotion.clip.dicom import read_dicom
from layermotion.clip.regions import numbers
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError
from layermotion.files import make_folder
from layermotion.geometry import ImageArea, Spacing
from layermotion.lab.deidentify import clean_header
from layermotion.lab.folder import ClipRecord, Lab, Review, create_lab, open_lab, open_secret
from layermotion.lab.importing import ImportOptions, ImportReport, import_folder
from layermotion.lab.review import mask_box, record_review, without_sheet, write_sheets
from layermotion.lab.secret import Secret
from layermotion.lab.storing import write_clip
from layermotion.labels import View

# Attributes that ultrasound files hold and that DICOM PS3.15 Table E.1-1 lists with the action X
# (or X/Z, X/D, X/Z/D, of which removing meets the ultrasound objects) for the basic profile.
REMOVED = """
AcquisitionDate AcquisitionDateTime AcquisitionTime AcquisitionDeviceProcessingDescription
AdditionalPatientHistory AdmissionID AdmittingDiagnosesDescription Allergies BurnedInAnnotation
ContentDate ContentTime CurrentPatientLocation DerivationDescription DeviceSerialNumber
EthnicGroup ImageComments InstanceCreationDate InstanceCreationTime InstitutionAddress
InstitutionName InstitutionalDepartmentName IssuerOfPatientID MedicalAlerts MedicalRecordLocator
MilitaryRank NameOfPhysiciansReadingStudy Occupation OperatorsName OtherPatientIDs
OtherPatientNames PatientAge PatientAddress PatientBirthName PatientBirthTime PatientComments
PatientSize PatientWeight PatientTelephoneNumbers PatientMotherBirthName
PerformedProcedureStepDescription PerformedProcedureStepID PerformedProcedureStepStartDate
PerformedProcedureStepStartTime PerformingPhysicianName PhysiciansOfRecord PregnancyStatus
ProtocolName RegionOfResidence RequestedProcedureDescription RequestedProcedureID
RequestingPhysician RequestingService SeriesDate SeriesDescription SeriesTime SmokingStatus
StationName StudyComments StudyDescription TimezoneOffsetFromUTC
""".split()
# The same table: action Z, type 2 in the ultrasound objects (PS3.3 A.6).
EMPTIED = """
PatientBirthDate PatientSex StudyDate StudyTime StudyID AccessionNumber ReferringPhysicianName
""".split()
VALUES = {"DA": "20240102", "TM": "101112", "DT": "20240102101112", "AS": "054Y", "DS": "4711",
          "IS": "4711", "US": 4711, "CS": "JANE"}  # fmt: skip


# What ``fill`` writes as the issuer of the Patient ID.
ISSUER = "JANE 4711"


def fill(data: pydicom.Dataset) -> None:
    """Put identity into every attribute that the profile removes, and into private ones."""
    for keyword in REMOVED:
        setattr(data, keyword, VALUES.get(dictionary_VR(keyword), "JANE 4711"))
    block = data.private_block(0x0009, "JANE 4711", create=True)
    block.add_new(0x01, "LO", "JANE 4711")
    nested = pydicom.Dataset()
    nested.PatientName, nested.ReferencedSOPInstanceUID = "Doe^Jane", "1.2.4711.77"
    data.ReferencedImageSequence = Sequence([nested])
    data.SequenceOfUltrasoundRegions[0].add_new(0x00091001, "LO", "JANE 4711")
    data.BodyPartExamined = "ABDOMEN"


@pytest.fixture
def imported(tmp_path: Path) -> tuple[Lab, Path, ImportReport]:
    """Make a laboratory and import three subjects, one of them without consent."""
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711", "4712", issuer=ISSUER)
    source = tmp_path / "from Jane Doe"
    for seed, identifier in enumerate(("4711", "4712", "4713")):
        write_scan(source / f"Doe Jane {seed}.dcm", identifier, speckled_frames(seed), fill)
    secret = open_secret(lab, secret_path)
    return lab, secret_path, import_folder(lab, secret, source, OPTIONS)


def test_subjects_without_valid_consent_stay_out(
    imported: tuple[Lab, Path, ImportReport], tmp_path: Path
) -> None:
    lab, secret_path, report = imported
    secret = open_secret(lab, secret_path)
    assert report.refused == (subject_of(lab, "4713", issuer=ISSUER),)
    assert {record.subject for record in report.imported} == {
        subject_of(lab, "4711", issuer=ISSUER), subject_of(lab, "4712", issuer=ISSUER)}  # fmt: skip
    assert report.failed == () and len(list(lab.root.glob("clips/*.dcm"))) == 2
    again = import_folder(lab, secret, tmp_path / "from Jane Doe", OPTIONS)
    assert (again.imported, again.known, again.refused) == ((), 2, report.refused)
    later = replace(lab, today=date(2025, 1, 1))
    late = import_folder(later, secret, tmp_path / "from Jane Doe", OPTIONS)
    assert len(late.refused) == 3 and late.known == 0


def test_no_identity_is_left_anywhere(imported: tuple[Lab, Path, ImportReport]) -> None:
    lab, _, report = imported
    write_sheets(lab, report.imported, "first")
    files = [path for path in lab.root.rglob("*") if path.is_file()]
    assert len(files) == 3 * 2 + 1 + 1 + 1
    for path in files:
        assert not {"jane", "doe", "4711"} & set(path.name.lower().replace("-", " ").split())
        if path.suffix == ".png":
            continue  # compressed pixels: black around the image, see below
        content = (
            str(pydicom.dcmread(path, stop_before_pixels=True)).encode()
            if (path.suffix == ".dcm")
            else path.read_bytes()
        )
        words = (b"jane", b"doe", b"roe", b"acc-", b"study-4", b"20240102", b"054y")
        # Keyed hashes hold any three letters now and then.
        for word in words if path.suffix != ".npz" else (w for w in words if len(w) > 3):
            assert word not in content.lower(), (path.name, word)
    # As a number by itself: random identifiers hold any four digits now and then.
    told = str(report)
    assert not re.search(r"(?<![0-9a-f])4711(?![0-9a-f])", told) and "Jane" not in told


def test_header_follows_the_profile(imported: tuple[Lab, Path, ImportReport]) -> None:
    lab, secret_path, report = imported
    secret = open_secret(lab, secret_path)
    record = next(r for r in report.imported if r.subject == subject_of(lab, "4711", issuer=ISSUER))
    data = pydicom.dcmread(lab.clip_path(record.name))
    assert [keyword for keyword in REMOVED if keyword in data] == []
    assert [keyword for keyword in EMPTIED if data[keyword].value] == []
    assert not any(element.tag.is_private for element in data.iterall())
    assert data.PatientName == data.PatientID == record.subject
    assert data.SOPInstanceUID == secret.replaced_uid("1.2.4711.9")
    assert data.file_meta.MediaStorageSOPInstanceUID == data.SOPInstanceUID
    assert data.StudyInstanceUID == secret.replaced_uid("1.2.4711.1")
    assert all(UID(data[k].value).is_valid for k in ("StudyInstanceUID", "SeriesInstanceUID"))
    assert data.Manufacturer == record.scanner == secret.scanner("Invented Model 5")
    assert data.BodyPartExamined == "ABDOMEN" and "ManufacturerModelName" not in data
    assert data.PatientIdentityRemoved == "YES"
    assert [c.CodeValue for c in data.DeidentificationMethodCodeSequence] == ["113100"]


def test_text_hidden_under_another_representation_goes() -> None:
    data = pydicom.Dataset()
    data.add_new("BodyPartExamined", "LT", "Jane Doe")
    data.add_new("DepthOfScanField", "LT", "Jane Doe")
    data.add_new("StudyDate", "DA", "20240102")
    cleaned = clean_header(data, Secret(bytes(32)), "s-1")
    assert "BodyPartExamined" not in cleaned and cleaned.StudyDate == ""
    assert "DepthOfScanField" not in cleaned


def test_free_text_in_coded_fields_goes(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    coded = ("Modality", "BodyPartExamined", "Laterality", "TransducerType", "Manufacturer")
    others = ("ManufacturerModelName", "LossyImageCompression", "LossyImageCompressionMethod")

    def poison(data: pydicom.Dataset) -> None:
        for keyword in (*coded, *others):
            setattr(data, keyword, "DOE JANE")

    write_scan(tmp_path / "scans" / "a.dcm", "4711", speckled_frames(0), poison)
    secret = open_secret(lab, secret_path)
    (record,) = import_folder(lab, secret, tmp_path / "scans", OPTIONS).imported
    assert record.scanner == secret.scanner("DOE JANE DOE JANE")
    for path in lab.root.rglob("*"):
        assert path.is_dir() or b"DOE" not in path.read_bytes(), path


def test_known_codes_stay() -> None:
    data = pydicom.Dataset()
    known = {"Modality": "US", "BodyPartExamined": "PELVIS", "Laterality": "L"}
    known |= {"TransducerType": "LINEAR", "LossyImageCompression": "01"}
    for keyword, value in known.items():
        setattr(data, keyword, value)
    cleaned = clean_header(data, Secret(bytes(32)), "s-1")
    assert {keyword: cleaned[keyword].value for keyword in known} == known


def test_pixels_are_kept_inside_the_image_and_black_around(
    imported: tuple[Lab, Path, ImportReport],
) -> None:
    lab, secret_path, report = imported
    subject = subject_of(lab, "4712", issuer=ISSUER)
    record = next(r for r in report.imported if r.subject == subject)
    original = speckled_frames(1)
    frames = np.stack(list(lab.frames(record, [1, 0])))[::-1]
    top, left, height, width = record.area
    assert (top, left, height, width) == (AREA.top, AREA.left, AREA.height, AREA.width)
    np.testing.assert_array_equal(frames[(slice(None), *AREA.slices)],
                                  original[(slice(None), *AREA.slices)])  # fmt: skip
    outside = np.ones((ROWS, COLUMNS), bool)
    outside[AREA.slices] = False
    assert original[:, outside].any() and not frames[:, outside].any()
    clip = open_clip(lab.clip_path(record.name), SourceOptions())
    assert clip.spacing is not None and record.spacing is not None
    for spacing in (clip.spacing, record.spacing):
        assert (spacing.row_mm, spacing.column_mm) == pytest.approx((ROW_MM, COLUMN_MM))
    assert [frame.time_s for frame in clip.frames()] == pytest.approx([0.0, 0.04])
    assert record.scanner.startswith("scanner-") and record.view is View.ABDOMINAL_WALL


def test_pictures_go_by_their_subjects_folder(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    (subject,) = agree(lab, secret_path, "4711")
    source = tmp_path / "scans"
    (source / "4711").mkdir(parents=True)
    picture = speckled_frames(3, 1)[0]
    cv2.imwrite(str(source / "4711" / "Jane.png"), picture)
    cv2.imwrite(str(source / "Jane loose.png"), picture)
    (source / "4711" / "Jane notes.txt").write_text("Jane")
    (source / "4711" / "Jane empty.mp4").write_bytes(b"")
    options = ImportOptions("clinic-a", "old cart", SourceOptions())
    report = import_folder(lab, open_secret(lab, secret_path), source, options)
    (record,) = report.imported
    assert (record.subject, record.scanner, record.spacing) == (subject, "old cart", None)
    assert record.frames == 1
    assert len(report.failed) == 3
    assert any("subject's folder" in sentence for sentence in report.failed)
    assert not any("Jane" in sentence or "4711" in sentence for sentence in report.failed)


def test_damaged_values_are_neither_quoted_nor_fatal(
    tmp_path: Path, recwarn: pytest.WarningsRecorder, caplog: pytest.LogCaptureFixture
) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711", "4712")

    def with_series(data: pydicom.Dataset) -> None:
        data.SeriesNumber = 20201234

    for identifier, value in (("4711", b"19700101"), ("4712", b"20201234")):
        path = tmp_path / "scans" / f"{identifier}.dcm"
        write_scan(path, identifier, speckled_frames(int(identifier)), with_series)
        content = path.read_bytes()
        assert content.count(value) == 1  # a birth date, or the number of the series
        path.write_bytes(content.replace(value, b"Jane Doe"))
    recwarn.clear()
    secret = open_secret(lab, secret_path)
    report = import_folder(lab, secret, tmp_path / "scans", OPTIONS)
    assert [record.subject for record in report.imported] == [subject_of(lab, "4711")]
    assert report.failed == ("File 2: The file has a damaged header; export it again.",)
    assert not any("Jane" in str(warning.message) for warning in recwarn)
    assert "Jane" not in caplog.text


def test_a_file_without_a_patient_is_refused(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    source = tmp_path / "scans"
    write_scan(source / "a.dcm", "4711", speckled_frames(0), lambda d: setattr(d, "PatientID", ""))
    report = import_folder(lab, open_secret(lab, secret_path), source, OPTIONS)
    assert report.imported == () and "no Patient ID" in report.failed[0]


def test_review_masks_text_and_states_what_was_done(
    imported: tuple[Lab, Path, ImportReport],
) -> None:
    lab, _, report = imported
    record = report.imported[0]
    record_review(lab, (record.name,), Review.ACCEPTED)
    data = pydicom.dcmread(lab.clip_path(record.name))
    assert data.BurnedInAnnotation == "NO"
    assert [c.CodeValue for c in data.DeidentificationMethodCodeSequence] == ["113100", "113101"]
    before = next(lab.frames(record, [1]))
    mask_box(lab, record.name, (50, 70, 20, 30))
    after = next(lab.frames(record, [1]))
    expected: NDArray[np.uint8] = before.copy()
    expected[50:70, 70:100] = 0
    assert before[50:70, 70:100].any()
    np.testing.assert_array_equal(after, expected)
    assert lab.clip(record.name).review is Review.PENDING
    clip = open_clip(lab.clip_path(record.name), SourceOptions())
    assert [frame.time_s for frame in clip.frames()] == pytest.approx([0.0, 0.04])
    with pytest.raises(InputError, match="does not lie in"):
        mask_box(lab, record.name, (230, 0, 20, 20))
    with pytest.raises(InputError, match="no clip"):
        record_review(lab, ("c-0",), Review.ACCEPTED)


def test_contact_sheet_shows_text_that_stands_still(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    frames = speckled_frames(0, 12)
    for frame in frames:
        cv2.putText(frame, "DOE", (120, 120), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2)
    write_scan(tmp_path / "scans" / "a.dcm", "4711", frames)
    secret = open_secret(lab, secret_path)
    report = import_folder(lab, secret, tmp_path / "scans", OPTIONS)
    (path,) = write_sheets(lab, report.imported, "first")
    sheet = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert sheet is not None
    darkest = sheet[30:-14, 575:]  # the right-hand picture, without caption and gap
    assert (darkest > 200).sum() > 200 and np.median(darkest) < 80


def test_clips_whose_sheet_a_killed_import_did_not_write_come_onto_the_next(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711", "4712")
    secret = open_secret(lab, secret_path)
    for number, identifier in enumerate(("4711", "4712")):
        frames = speckled_frames(number)
        write_scan(tmp_path / "scans" / f"{identifier}.dcm", identifier, frames)
    report = import_folder(lab, secret, tmp_path / "scans", OPTIONS)
    first, second = report.imported
    assert set(without_sheet(lab)) == {first, second}
    # The killed one had noted what its sheet would show, and left a hidden part of it.
    lab.register.note_copies(lab.root / "review" / "import-1.png", [second.name])
    make_folder(lab.root / "review")
    left = lab.root / "review" / ".import-1-abcd1234.png"
    left.write_bytes(b"half a sheet")
    assert set(without_sheet(lab)) == {first, second}
    assert [p.name for p in write_sheets(lab, (first,), "import")] == ["import-1.png"]
    assert not left.exists()
    assert without_sheet(lab) == (second,)
    assert [p.name for p in write_sheets(lab, (second,), "import")] == ["import-2.png"]
    assert without_sheet(lab) == ()
    record_review(lab, (first.name,), Review.ACCEPTED)
    for path in (lab.root / "review").glob("*.png"):
        path.unlink()
    assert without_sheet(lab) == (second,)
    lab.ledger.withdraw(second.subject, lab.today, "nurse 2")
    assert without_sheet(lab) == ()


def test_a_long_clip_keeps_its_times_and_is_masked(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    (subject,) = agree(lab, secret_path, "4711")
    header = pydicom.Dataset()
    header.SOPInstanceUID, header.Modality = "1.2.3", "US"
    count, side = 6_000, 32  # more than 64 kB of steps, an odd number of letters
    times_s = np.cumsum(np.tile([10.0001, 10.0003], count // 2))
    pixels = speckled_frames(1, 1)[0, 60 : 60 + side, 80 : 80 + side]
    frames = (Frame(k, float(time_s), pixels) for k, time_s in enumerate(times_s))
    area, spacing = ImageArea(0, 0, side, side), Spacing(ROW_MM, COLUMN_MM, "made up")
    write_clip(lab.clip_path("c-1"), header, frames, area, spacing)
    record = ClipRecord(
        "c-1", "1.2.3", subject, "a", "b", None, side, side, count, ROW_MM, COLUMN_MM,
        (0, 0, side, side), Review.PENDING,
    )  # fmt: skip
    lab.save(record)
    mask_box(lab, "c-1", (4, 5, 6, 7))
    record_review(lab, ("c-1",), Review.ACCEPTED)
    path = lab.clip_path("c-1")
    assert path.stat().st_size % 2 == 0
    steps_ms = numbers(pydicom.dcmread(path), "FrameTimeVector")
    np.testing.assert_allclose(steps_ms, 1000 * np.diff(times_s, prepend=times_s[0]), atol=1e-3)
    found = next(read_dicom(path, None).read()).pixels
    assert not found[4:10, 5:12].any() and found[10:].all()


def test_a_laboratory_and_its_secret_belong_together(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    with pytest.raises(InputError, match="already"):
        create_lab(lab.root, secret_path)
    with pytest.raises(InputError, match="inside the data"):
        create_lab(tmp_path / "b", tmp_path / "b" / "secret")
    other, other_secret = make_lab(tmp_path / "other")
    with pytest.raises(InputError, match="not the secret"):
        open_secret(other, secret_path)
    with pytest.raises(InputError, match="not the folder of a laboratory"):
        open_lab(tmp_path)
    assert open_lab(lab.root).root == lab.root and other_secret != secret_path


@pytest.mark.parametrize("make", [lambda p: p / "none", lambda p: p])
def test_a_source_without_files_is_refused(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    lab, secret_path = make_lab(tmp_path)
    secret = open_secret(lab, secret_path)
    (tmp_path / "void").mkdir()
    with pytest.raises(InputError):
        import_folder(lab, secret, make(tmp_path / "void"), OPTIONS)
    with pytest.raises(InputError, match="inside the laboratory"):
        import_folder(lab, secret, lab.root / "clips", OPTIONS)
