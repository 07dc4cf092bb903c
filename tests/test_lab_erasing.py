"""Erasure: no byte that shows a subject is left, others keep theirs, and a receipt says so."""

import json
import sqlite3
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from lab_data import (
    TODAY,
    agree,
    import_subjects,
    label_everything,
    labelled_lab,
    make_lab,
    subject_of,
    wall_label,
)
from numpy.typing import NDArray
from pydicom.encaps import generate_frames
from test_lab_commands import run

from layermotion.errors import InputError
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, read_coco, read_mask, write_coco
from layermotion.lab.erasing import erase
from layermotion.lab.folder import Lab, Review, frame_key
from layermotion.lab.leakage import find_leaks
from layermotion.lab.making import make_build
from layermotion.lab.proposals import propose
from layermotion.lab.review import clips_on, record_review, write_sheets
from layermotion.network.segmenter import load_segmenter

SUBJECTS = ("101", "102", "103", "104")
# A stretch of compressed picture that no other file holds by chance.
STRETCH_BYTES = 64


@pytest.fixture
def handed_out(tmp_path: Path) -> Lab:
    """Make a laboratory of two subjects, whose frames were handed out with labels."""
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, *SUBJECTS[:2])
    import_subjects(lab, secret_path, tmp_path / "scans", SUBJECTS[:2], "clinic-a")
    out = tmp_path / "to-label"
    frames = [LabelledFrame.of(frame_key(name, 0), wall_label()) for name in lab.clips()]
    for name in lab.clips():
        lab.register.note_copies(out / "labels" / f"{frame_key(name, 0)}.png", [name])
        write_png(out / "labels" / f"{frame_key(name, 0)}.png", wall_label())
    lab.register.note_copies(out / "annotations.json", lab.clips())
    write_coco(out / "annotations.json", frames, "images")
    return lab


@pytest.fixture
def used(tmp_path: Path, trained_weights: Path) -> Lab:
    """Make a laboratory that was used in every way, with what killed commands left."""
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, *SUBJECTS)
    import_subjects(lab, secret_path, tmp_path / "scans", SUBJECTS, "clinic-a")
    record_review(lab, tuple(lab.clips()), Review.ACCEPTED)
    segmenter = load_segmenter("smoke-001", folder=trained_weights)
    propose(lab, segmenter, 8, tmp_path / "to-label")
    label_everything(lab)
    write_sheets(lab, tuple(lab.clips().values()), "first")
    make_build(lab, "spring", 1 / 4)
    name = clip_of(lab, "101")
    for left in (f"clips/.{name}-abc.dcm", f"builds/.summer-x/images/{name}-00000.png"):
        path = lab.root / left
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(lab.clip_path(name).read_bytes())
    (lab.root / "review" / ".first-abc.png").write_bytes(b"half a sheet")
    return lab


def clip_of(lab: Lab, identifier: str) -> str:
    """Name of a subject's clip."""
    subject = subject_of(lab, identifier)
    (name,) = (name for name, record in lab.clips().items() if record.subject == subject)
    return name


def files_of(folder: Path) -> dict[Path, bytes]:
    """Every file outside the scans, hidden ones included, with its bytes."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {p: p.read_bytes() for p in paths if "scans" not in p.parts and "keys" not in p.parts}


def stretches(content: bytes) -> list[bytes]:
    """Parts from the inside of a compressed picture."""
    return [content[at : at + STRETCH_BYTES] for at in range(256, len(content) - 128, 512)]


def pictures_in(files: dict[Path, bytes]) -> list[tuple[str, NDArray[np.uint8]]]:
    """Every grey picture that can be read out of files, whatever they are called."""
    found = []
    for path, content in files.items():
        if b"DICM" in content[:132]:
            images = list(pydicom.dcmread(path).pixel_array)
        else:
            image = cv2.imdecode(np.frombuffer(content or b"0", np.uint8), cv2.IMREAD_GRAYSCALE)
            images = [] if image is None else [np.asarray(image, np.uint8)]
        found += [(f"{path}-{n}", image) for n, image in enumerate(images) if image.std() > 20]
    return found


def test_no_byte_of_an_erased_subject_is_left(tmp_path: Path, used: Lab) -> None:
    name, other = clip_of(used, "101"), clip_of(used, "102")
    dicom = pydicom.dcmread(used.clip_path(name))
    shown = [*used.frames(used.clip(name), [0, 1])]
    before = files_of(tmp_path)
    parts = [*generate_frames(dicom.PixelData, number_of_frames=2)]
    parts += [c for path, c in before.items() if path.suffix == ".png" and name in path.name]
    others = b"".join(content for path, content in before.items() if other in path.name)
    own = [s for part in parts for s in stretches(part) if s not in others]
    assert len(own) > 50
    held = [path for path, content in before.items() if any(s in content for s in own)]
    assert len(held) >= 3  # the search finds what is there
    assert {leak.other for leak in find_leaks([("own", shown[0])], pictures_in(before))}

    receipt, path = erase(used, subject_of(used, "101"), "nurse 2")

    after = files_of(tmp_path)
    kept = {p for p in after if p.parent.name in ("receipts", "prints")}
    kept.add(used.root / "consent.sqlite")
    for file, content in after.items():
        assert not any(stretch in content for stretch in own), file
        if file not in kept:
            assert name not in file.name and name.encode() not in content, file
            assert receipt.subject.encode() not in content, file
    areas = [("own", frame[used.clip(other).image_area.slices]) for frame in shown]
    assert find_leaks(areas, pictures_in(after)) == ()
    # Others keep all but what showed both.
    gone = {p for p in set(before) - set(after) if name not in p.name}
    assert {p.relative_to(used.root).parts[0] for p in gone} == {"review", "builds"}
    assert {frame.key.rpartition("-")[0] for frame in
            read_coco(tmp_path / "to-label" / "annotations.json")} == set(used.clips())  # fmt: skip
    chosen = (tmp_path / "to-label" / "chosen.csv").read_text().splitlines()
    assert len(chosen) == 1 + 6 and other in "".join(chosen)
    assert read_mask(used.label_path(frame_key(other, 0))).label.any()
    stored = json.loads(path.read_text())
    assert stored["clips"] == [name] and stored["by"] == "nurse 2" and not stored["not_reached"]
    assert stored["files"]["copies and sheets"] == 2 * 2 + 2 + 1
    assert used.ledger.withdrawn(TODAY) == {receipt.subject}


def test_copies_that_are_not_found_are_said_and_found_later(tmp_path: Path, used: Lab) -> None:
    subject = subject_of(used, "101")
    (tmp_path / "to-label").rename(tmp_path / "elsewhere")
    receipt, _ = erase(used, subject, "nurse 2")
    assert len(receipt.not_reached) == 2 * 2 + 2
    assert all(str(tmp_path / "to-label") in path for path in receipt.not_reached)
    (tmp_path / "elsewhere").rename(tmp_path / "to-label")
    again, _ = erase(used, subject, "nurse 2")
    assert again.not_reached == () and again.files == {"copies and sheets": 6}
    assert not [p for p in (tmp_path / "to-label").rglob("*") if again.clips[0] in p.name]


@pytest.mark.parametrize(
    "spoilt",
    [
        b"", b"[]", b"{}", b'{"annotations": []}', b'{"images": 3, "annotations": []}',
        b'{"images": [{"id": 1}], "annotations": []}', b"\xff\xfe{", b"[" * 100_000,
    ],
)  # fmt: skip
def test_a_copy_that_cannot_be_read_stops_no_erasure(
    tmp_path: Path, handed_out: Lab, spoilt: bytes
) -> None:
    lab, subject = handed_out, subject_of(handed_out, "101")
    name = clip_of(lab, "101")
    coco = tmp_path / "to-label" / "annotations.json"
    sound = coco.read_bytes()
    coco.write_bytes(spoilt)
    receipt, path = erase(lab, subject, "nurse 2")
    assert receipt.not_erased == (str(coco),) and coco.read_bytes() == spoilt
    assert json.loads(path.read_text())["not_erased"] == [str(coco)]
    assert name not in lab.clips() and receipt.not_reached == ()
    assert not [p for p in (tmp_path / "to-label").rglob("*") if name in p.name]
    coco.write_bytes(sound)  # corrected, the next call takes the rest
    again, _ = erase(lab, subject, "nurse 2")
    assert again.not_erased == again.not_reached == ()
    assert name not in coco.read_text() and json.loads(coco.read_text())["images"]


def test_outlines_whose_picture_a_file_no_longer_lists_go(tmp_path: Path, handed_out: Lab) -> None:
    coco = tmp_path / "to-label" / "annotations.json"
    content = json.loads(coco.read_text())
    coco.write_text(json.dumps(content | {"images": content["images"][:1]}))
    erase(handed_out, subject_of(handed_out, "101"), "nurse 2")
    left = json.loads(coco.read_text())
    assert {a["image_id"] for a in left["annotations"]} <= {i["id"] for i in left["images"]}


def test_a_copy_that_was_not_erased_is_said_with_the_remedy(
    tmp_path: Path, handed_out: Lab, capsys: pytest.CaptureFixture[str]
) -> None:
    coco = tmp_path / "to-label" / "annotations.json"
    coco.write_bytes(b"")
    person = ("--subject", "101", "--site", "clinic-a", "--by", "nurse-2")
    assert run("lab", "erase", handed_out.root, *person) == 1
    said = capsys.readouterr().out
    assert f"delete or correct it, and erase again: {coco}\n" in said and "Receipt: " in said


@pytest.mark.parametrize("was_absolute", [False, True])
def test_a_renamed_laboratory_keeps_no_sheet_of_who_was_erased(
    tmp_path: Path, handed_out: Lab, was_absolute: bool
) -> None:
    lab, subject = handed_out, subject_of(handed_out, "101")
    own, other = (lab.clip(clip_of(lab, number)) for number in ("101", "102"))
    write_sheets(lab, (own, other), "again")
    (kept,) = write_sheets(lab, (other,), "again")
    assert lab.register.copies_of([own.name])[-1] != kept
    renamed = Lab(lab.root.rename(tmp_path / "our-lab"), lab.today)
    if was_absolute:  # as earlier versions noted it
        with sqlite3.connect(renamed.root / "consent.sqlite") as connection:
            connection.execute(
                "UPDATE copies SET path = ? || path WHERE path LIKE 'review/again-1%'",
                (f"{lab.root}/",),
            )
    receipt, _ = erase(renamed, subject, "nurse 2")
    assert [path.name for path in (renamed.root / "review").iterdir()] == [kept.name]
    assert receipt.not_reached == (
        (str(lab.root / "review" / "again-1.png"),) if was_absolute else ()
    )
    assert clips_on(renamed, [renamed.root / "review" / kept.name]) == (other.name,)


def test_erasure_goes_on_after_a_stop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    used, _ = labelled_lab(tmp_path, ("101",))
    subject, name = subject_of(used, "101"), clip_of(used, "101")

    def stop(path: Path, text: str) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr("layermotion.lab.erasing.write_text", stop)
        erase(used, subject, "nurse 2")
    receipt, _ = erase(used, subject, "nurse 2")
    assert receipt.clips == (name,) and name not in used.clips()
    assert not [p for p in used.root.rglob(f"*{name}*") if p.parent.name != "prints"]


def test_who_is_not_known_cannot_be_erased(tmp_path: Path) -> None:
    used, secret_path = make_lab(tmp_path)
    agree(used, secret_path, "101")
    with pytest.raises(InputError, match="check the identifier"):
        erase(used, subject_of(used, "999"), "nurse 2")
    with pytest.raises(InputError, match="needs to know who erases"):
        erase(used, subject_of(used, "101"), " ")
