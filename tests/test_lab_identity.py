"""Who a subject is: site, issuer and ID; and no picture comes in under another name."""

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
    OPTIONS,
    TODAY,
    agree,
    make_lab,
    speckled_frames,
    subject_of,
    write_scan,
)
from numpy.typing import NDArray

from layermotion.consent.ledger import Consent, Scope
from layermotion.errors import InputError
from layermotion.lab.erasing import erase
from layermotion.lab.folder import Lab, open_secret
from layermotion.lab.importing import ImportReport, import_folder
from layermotion.lab.persons import Person, note_persons, read_consents
from layermotion.lab.secret import Secret

SECRET = Secret(bytes(32))


def bring(lab: Lab, source: Path, site: str = "clinic-a") -> ImportReport:
    """Import a folder."""
    return import_folder(lab, open_secret(lab), source, replace(OPTIONS, site=site))


@pytest.mark.parametrize("written", ["p4", " P4 ", "P4\0", "Ｐ４"])
def test_one_identity_is_one_subject_however_it_is_written(written: str) -> None:
    expected = Person("P4", "clinic-a", "Hospital").pseudonym(SECRET)
    assert Person(written, "Clinic-A", " HOSPITAL").pseudonym(SECRET) == expected


def test_the_same_id_of_another_site_or_issuer_is_another_person(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    write_scan(tmp_path / "there" / "a.dcm", "4711", speckled_frames(1))
    report = bring(lab, tmp_path / "there", "clinic-b")
    assert report.refused == (subject_of(lab, "4711", "clinic-b"),) and report.imported == ()

    def by_other(data: pydicom.Dataset) -> None:
        data.IssuerOfPatientID = "other hospital"

    write_scan(tmp_path / "here" / "a.dcm", "4711", speckled_frames(1), by_other)
    report = bring(lab, tmp_path / "here")
    assert report.refused == (subject_of(lab, "4711", issuer="Other Hospital"),)
    assert lab.clips() == {}
    assert len(bring(lab, tmp_path / "there").imported) == 1


@pytest.mark.parametrize(
    ("keyword", "value", "kind"),
    [("PatientBirthDate", "19810203", "birth date"), ("PatientSex", "M", "sex")],
)
def test_a_clash_of_birth_date_or_sex_stops_the_import(
    tmp_path: Path, keyword: str, value: str, kind: str
) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711", "4712")
    source = tmp_path / "scans"
    for number, identifier in enumerate(("4711", "4712", "4711")):
        is_other = number == 2

        def change(data: pydicom.Dataset, is_other: bool = is_other) -> None:
            setattr(data, keyword, value if is_other else getattr(data, keyword))

        write_scan(source / f"{number}.dcm", identifier, speckled_frames(number), change)
    with pytest.raises(InputError, match=f"File 3 states another {kind}") as caught:
        bring(lab, source)
    assert "4711" not in str(caught.value) and value not in str(caught.value)
    assert lab.clips() == {} and lab.register.known_marks(subject_of(lab, "4711")) == {}
    (source / "2.dcm").unlink()
    assert len(bring(lab, source).imported) == 2
    write_scan(tmp_path / "later" / "a.dcm", "4711", speckled_frames(3), change)
    with pytest.raises(InputError, match=f"File 1 states another {kind}"):
        bring(lab, tmp_path / "later")


def test_a_table_may_say_birth_date_and_sex_to_check_by(tmp_path: Path) -> None:
    lab, _ = make_lab(tmp_path)
    table = tmp_path / "consents.csv"
    heading = "subject,scope,day,expiry,site,issuer,birth_date,sex\n"
    table.write_text(heading + "4711,both,2024-03-01,,clinic-b,Hospital,1970-01-01,female\n")
    (row,) = read_consents(table, "clinic-a")
    assert row.person == Person("4711", "clinic-b", "hospital", "19700101", "F")
    note_persons(lab.register, SECRET, [("Row 2", row.person)])
    same, other = replace(row.person, sex="w"), replace(row.person, birth="19700102")
    note_persons(lab.register, SECRET, [("Row 3", same)])
    with pytest.raises(InputError, match="Row 4 states another birth date"):
        note_persons(lab.register, SECRET, [("Row 4", other)])
    note_persons(lab.register, SECRET, [("Row 4", other)], is_correction=True)  # after a slip
    note_persons(lab.register, SECRET, [("Row 4", other)])
    with pytest.raises(InputError, match="Row 5 states another birth date"):
        note_persons(lab.register, SECRET, [("Row 5", row.person)])
    table.write_text(heading + "4711,both,2024-03-01,,clinic-b,,1.1.1970,\n")
    with pytest.raises(InputError, match="Row 2 of consents.csv"):
        read_consents(table, None)
    table.write_text("subject,scope,day,expiry\n4711,both,2024-03-01,\n")
    with pytest.raises(InputError, match="needs a site"):
        read_consents(table, None)


def as_png(frames: NDArray[np.uint8], path: Path) -> None:
    """Export the first frame of a clip again as a picture."""
    path.parent.mkdir(parents=True)
    cv2.imwrite(str(path), frames[0])


def as_smaller_png(frames: NDArray[np.uint8], path: Path) -> None:
    """Export the last frame at another size and brighter."""
    path.parent.mkdir(parents=True)
    frame = cv2.convertScaleAbs(frames[-1], alpha=1.1)
    cv2.imwrite(str(path), cv2.resize(frame, None, fx=0.8, fy=0.8, interpolation=cv2.INTER_AREA))


def as_mirrored_cut(frames: NDArray[np.uint8], path: Path) -> None:
    """Export a part of the image alone, mirrored."""
    path.parent.mkdir(parents=True)
    cv2.imwrite(str(path), frames[0][AREA.slices][10:-10, 180:10:-1])


def as_dicom(frames: NDArray[np.uint8], path: Path) -> None:
    """Export the clip under another ID."""
    write_scan(path, path.parent.name, frames)


@pytest.mark.parametrize("export", [as_png, as_smaller_png, as_mirrored_cut, as_dicom])
@pytest.mark.parametrize("has_withdrawn", [False, True])
def test_a_copy_under_another_id_stays_out(
    tmp_path: Path, export: Callable[[NDArray[np.uint8], Path], None], has_withdrawn: bool
) -> None:
    lab, secret_path = make_lab(tmp_path)
    owner, other = agree(lab, secret_path, "4711", "4712")
    frames = smooth_frames(5)
    write_scan(tmp_path / "scans" / "a.dcm", "4711", frames)
    (record,) = bring(lab, tmp_path / "scans").imported
    if has_withdrawn:
        lab.ledger.withdraw(owner, TODAY, "nurse 2")
        erase(lab, owner, "nurse 2")
        assert not lab.clip_path(record.name).exists()
    export(frames, tmp_path / "again" / "4712" / "copy.png")
    write_scan(tmp_path / "again" / "own" / "b.dcm", "4712", smooth_frames(6))
    report = bring(lab, tmp_path / "again")
    assert [clip.subject for clip in report.imported] == [other]
    (sentence,) = report.failed
    assert f"the same pictures as the clip {record.name} of another subject" in sentence


def smooth_frames(seed: int) -> NDArray[np.uint8]:
    """Screens whose image has the grain of ultrasound, so that a scaled copy still shows it."""
    rng = np.random.default_rng(seed)
    frames = speckled_frames(seed, 3)
    for frame in frames:
        grain = cv2.GaussianBlur(rng.rayleigh(90, (AREA.height, AREA.width)), (0, 0), 1.5)
        frame[AREA.slices] = np.clip(20 + grain, 0, 255)
    return frames


def test_a_subjects_own_repeats_are_no_copies(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    frames = smooth_frames(5)
    for name, shown in (("a", frames), ("b", frames[:2])):
        write_scan(tmp_path / "scans" / f"{name}.dcm", "4711", shown)
    assert len(bring(lab, tmp_path / "scans").imported) == 2


def test_prints_tell_nothing_without_the_secret(tmp_path: Path) -> None:
    from layermotion.lab.copies import find_copy, load_print, print_of
    from layermotion.lab.leakage import picture_hash

    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    frames = smooth_frames(5)
    write_scan(tmp_path / "scans" / "a.dcm", "4711", frames)
    bring(lab, tmp_path / "scans")
    (kept,) = map(load_print, lab.print_paths())
    pictures = [frame[AREA.slices] for frame in frames]
    assert find_copy(pictures, "s-1", [kept], open_secret(lab)) == kept.name
    assert find_copy(pictures, "s-1", [kept], SECRET) is None  # another secret
    assert 90 < int((picture_hash(pictures[0]) != kept.bits[0]).sum()) < 165
    assert print_of("a", "s-1", pictures, SECRET).bits.shape == (3, 255)
    lab.print_path(kept.name).write_bytes(b"damaged")
    with pytest.raises(InputError, match="is damaged, so copies cannot be told"):
        bring(lab, tmp_path / "scans")


def test_who_agrees_again_after_erasure_may_bring_the_same_clip(tmp_path: Path) -> None:
    lab, secret_path = make_lab(tmp_path)
    (subject,) = agree(lab, secret_path, "4711")
    write_scan(tmp_path / "scans" / "a.dcm", "4711", smooth_frames(5))
    bring(lab, tmp_path / "scans")
    erase(lab, subject, "nurse 2")
    assert bring(lab, tmp_path / "scans").refused == (subject,)
    lab.ledger.record([Consent(subject, tuple(Scope), date(2024, 6, 2), None)], "nurse 2")
    assert len(bring(replace(lab, today=date(2024, 6, 2)), tmp_path / "scans").imported) == 1
