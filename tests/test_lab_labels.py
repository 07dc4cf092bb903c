"""Labels: every format gives the same masks, and each fault of a label is named."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from lab_data import (
    AREA,
    BOTH,
    COLUMNS,
    OPTIONS,
    ROWS,
    TODAY,
    Label,
    agree,
    make_lab,
    speckled_frames,
    wall_label,
    write_scan,
)
from numpy.typing import NDArray
from pycocotools import mask as coco_mask
from pydicom.dataset import FileMetaDataset
from pydicom.pixels.utils import pack_bits
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, SegmentationStorage
from test_lab_commands import run

from layermotion.consent.ledger import Consent
from layermotion.errors import InputError
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, read_coco, read_mask, write_coco
from layermotion.lab.checks import Kind, check_frame, fill_holes
from layermotion.lab.erasing import erase
from layermotion.lab.folder import ClipRecord, Lab, frame_key, open_secret
from layermotion.lab.importing import import_folder
from layermotion.lab.labelling import LabelNote, check_labels, read_labels, read_note, store_labels
from layermotion.lab.status import read_status
from layermotion.labels import STRUCTURES, Structure


@pytest.fixture
def lab_with_clip(tmp_path: Path) -> tuple[Lab, Path, ClipRecord]:
    """Make a laboratory with one clip of two frames."""
    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    write_scan(tmp_path / "scans" / "a.dcm", "4711", speckled_frames(0))
    secret = open_secret(lab, secret_path)
    (record,) = import_folder(lab, secret, tmp_path / "scans", OPTIONS).imported
    return lab, secret_path, record


def test_masks_become_label_values_and_back() -> None:
    frame = LabelledFrame.of("c-1-00000", wall_label())
    np.testing.assert_array_equal(frame.label, wall_label())
    masks = frame.masks.copy()
    masks[2] |= masks[1]
    overlapping = LabelledFrame("c-1-00000", masks)
    assert not overlapping.label[wall_label() == 2].any()


def test_polygons_written_give_the_same_pixels_when_read(tmp_path: Path) -> None:
    label = wall_label()
    label[100:104, 10:13] = 5  # a second small piece
    frame = LabelledFrame.of("c-1-00003", label)
    write_coco(tmp_path / "a.json", [frame], "images")
    (back,) = read_coco(tmp_path / "a.json")
    assert back.key == frame.key
    np.testing.assert_array_equal(back.label, label)
    content = json.loads((tmp_path / "a.json").read_text())
    areas = {a["category_id"]: a["area"] for a in content["annotations"]}
    assert areas[5] == pytest.approx(3.5 * 2.5)  # a quarter of a pixel inside on each side


@pytest.mark.parametrize("folder", ["C:\\data\\images\\", "images/", ""])
def test_labels_of_another_system_are_read(folder: str, tmp_path: Path) -> None:
    """Paths of Windows, and the mark that some editors put before UTF-8."""
    path = tmp_path / "a.json"
    write_coco(path, [LabelledFrame.of("c-1-00003", wall_label())], "images")
    content = json.loads(path.read_text())
    content["images"][0]["file_name"] = f"{folder}c-1-00003.png"
    path.write_text(json.dumps(content), encoding="utf-8-sig")
    assert [frame.key for frame in read_coco(path)] == ["c-1-00003"]


@pytest.mark.parametrize("compressed", [True, False])
def test_run_lengths_are_read(tmp_path: Path, compressed: bool) -> None:
    label = wall_label()
    annotations = []
    for value in range(1, 5):
        mask = np.asfortranarray(label == value).astype(np.uint8)
        if compressed:
            counts: object = coco_mask.encode(mask)["counts"].decode()
        else:  # runs down the columns, background first
            flat = np.concatenate([[0], mask.ravel(order="F"), [2]])
            edges = np.flatnonzero(np.diff(flat))
            counts = np.diff(np.concatenate([[0], edges])).tolist()
        run_lengths = {"size": [ROWS, COLUMNS], "counts": counts}
        annotations.append({"image_id": 7, "category_id": value + 10, "segmentation": run_lengths})
    names = ["fat", "External oblique (EO)", "IO", " TrA "]
    content = {
        "images": [{"id": 7, "file_name": "x/c-1-00003.png", "height": ROWS, "width": COLUMNS}],
        "categories": [{"id": i + 11, "name": name} for i, name in enumerate(names)],
        "annotations": annotations,
    }
    path = tmp_path / "a.json"
    path.write_text(json.dumps(content))
    (frame,) = read_coco(path)
    np.testing.assert_array_equal(frame.label, label)
    content["categories"][0]["name"] = "liver"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match="'liver'; call them fat, eo"):
        read_coco(path)
    for broken in ("{", '{"images": []}', "[]"):
        path.write_text(broken)
        with pytest.raises(InputError, match="not COCO JSON"):
            read_coco(path)


def test_mask_pictures_are_read_or_refused(tmp_path: Path) -> None:
    path = tmp_path / "c-1-00003.png"
    write_png(path, wall_label())
    np.testing.assert_array_equal(read_mask(path).label, wall_label())
    write_png(path, wall_label() * 40)
    with pytest.raises(InputError, match="the value 40, which is no label"):
        read_mask(path)
    cv2.imwrite(str(path), np.dstack([wall_label()] * 3))
    with pytest.raises(InputError, match="colour picture"):
        read_mask(path)
    path.write_bytes(b"\x89PNG")
    with pytest.raises(InputError, match="save it again"):
        read_mask(path)


def write_segmentation(path: Path, uid: str, label: Label, fractional: bool = False) -> None:
    """Write one plane for each structure, on the second frame of a clip."""
    values = [v for v in range(1, 6) if (label == v).any()]
    planes = np.stack([label == v for v in values])
    data = pydicom.Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.SOPClassUID, data.SOPInstanceUID = SegmentationStorage, "1.2.3"
    data.file_meta.MediaStorageSOPClassUID = SegmentationStorage
    data.file_meta.MediaStorageSOPInstanceUID = "1.2.3"
    data.SegmentationType = "FRACTIONAL" if fractional else "BINARY"
    data.SegmentSequence, data.PerFrameFunctionalGroupsSequence = Sequence(), Sequence()
    for number, value in enumerate(values, start=1):
        segment = pydicom.Dataset()
        segment.SegmentNumber, segment.SegmentLabel = number, str(STRUCTURES[value - 1]).upper()
        data.SegmentSequence.append(segment)
        identification, source = pydicom.Dataset(), pydicom.Dataset()
        derivation, group = pydicom.Dataset(), pydicom.Dataset()
        identification.ReferencedSegmentNumber = number
        source.ReferencedSOPInstanceUID, source.ReferencedFrameNumber = uid, 2
        derivation.SourceImageSequence = Sequence([source])
        group.SegmentIdentificationSequence = Sequence([identification])
        group.DerivationImageSequence = Sequence([derivation])
        data.PerFrameFunctionalGroupsSequence.append(group)
    data.NumberOfFrames, (data.Rows, data.Columns) = len(planes), label.shape
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.PixelRepresentation = 0
    if fractional:
        data.BitsAllocated, data.BitsStored, data.HighBit = 8, 8, 7
        data.MaximumFractionalValue = 200
        data.PixelData = np.where(planes, 120, 80).astype(np.uint8).tobytes()
    else:
        data.BitsAllocated, data.BitsStored, data.HighBit = 1, 1, 0
        data.PixelData = pack_bits(planes.astype(np.uint8))
    data.save_as(path, enforce_file_format=True)


@pytest.mark.parametrize("fractional", [False, True])
@pytest.mark.parametrize("original", [False, True])
def test_segmentations_are_read(
    lab_with_clip: tuple[Lab, Path, ClipRecord], tmp_path: Path, fractional: bool, original: bool
) -> None:
    lab, secret_path, record = lab_with_clip
    secret = open_secret(lab, secret_path) if original else None
    path = tmp_path / "labels.dcm"
    write_segmentation(path, "1.2.4711.9" if original else record.uid, wall_label(), fractional)
    (frame,) = read_labels(lab, path, secret)
    assert frame.key == frame_key(record.name, 1)
    np.testing.assert_array_equal(frame.label, wall_label())
    write_segmentation(path, "1.2.99", wall_label())
    with pytest.raises(InputError, match="not in this laboratory"):
        read_labels(lab, path, secret)
    with pytest.raises(InputError, match="no DICOM segmentation"):
        read_labels(lab, lab.clip_path(record.name), secret)


def faulty(change: Callable[[LabelledFrame], object]) -> LabelledFrame:
    """Spoil a sound label."""
    frame = LabelledFrame.of("c-1-00000", wall_label())
    change(frame)
    return frame


def mask_of(frame: LabelledFrame, structure: Structure) -> NDArray[np.bool_]:
    """View of one mask, to be changed in place."""
    view: NDArray[np.bool_] = frame.masks[STRUCTURES.index(structure)]
    return view


def swap(frame: LabelledFrame) -> None:
    """Give IO the place of TrA."""
    frame.masks[[2, 3]] = frame.masks[[3, 2]]


FAULTS = {
    Kind.OVERLAP: (
        lambda f: mask_of(f, Structure.IO).__ior__(mask_of(f, Structure.EO)),
        r"external oblique \(EO\) and internal oblique \(IO\) overlap in",
    ),
    Kind.ORDER: (
        swap,
        r"transversus abdominis \(TrA\) lies above internal oblique \(IO\) in 100 %",
    ),
    Kind.HOLE: (
        lambda f: mask_of(f, Structure.EO).__setitem__(np.s_[90:96, 150:155], False),
        r"external oblique \(EO\) has 1 hole, the largest of 30 pixels at row 92, column 152",
    ),
    Kind.STRAY: (
        lambda f: mask_of(f, Structure.TRA).__setitem__(np.s_[185:190, 100:104], True),
        r"stray piece of 20 pixels at row 187, column 102",
    ),
    Kind.MISSING: (
        lambda f: mask_of(f, Structure.IO).fill(False),
        r"internal oblique \(IO\) is missing",
    ),
    Kind.OUTSIDE: (
        lambda f: mask_of(f, Structure.FAT).__setitem__(np.s_[30:52, 80:90], True),
        "lie outside the image area",
    ),
    Kind.EMPTY: (lambda f: f.masks.fill(False), "nothing is labelled"),
}
RECORD = ClipRecord(
    "c-1", "1.2", "s-1", "a", "b", None, ROWS, COLUMNS, 2, 0.2, 0.25,
    (AREA.top, AREA.left, AREA.height, AREA.width), "accepted",  # type: ignore[arg-type]
)  # fmt: skip


@pytest.mark.parametrize("kind", FAULTS)
def test_each_fault_is_named_and_nothing_else(kind: Kind) -> None:
    change, sentence = FAULTS[kind]
    (fault,) = check_frame(faulty(change), {"c-1": RECORD})
    assert fault.kind is kind
    assert re.search(sentence, fault.sentence), fault.sentence
    assert fault.sentence.startswith("c-1-00000: ") and fault.sentence.endswith(".")


def test_a_sound_label_passes_and_small_slips_do_too() -> None:
    assert check_frame(faulty(lambda f: None), {"c-1": RECORD}) == ()

    def slips(frame: LabelledFrame) -> None:
        mask_of(frame, Structure.EO)[90:92, 150:152] = False  # four pixels
        mask_of(frame, Structure.IO)[:, 100] |= mask_of(frame, Structure.EO)[:, 100]
        mask_of(frame, Structure.IO)[84:100, 100] = False

    assert check_frame(faulty(slips), {"c-1": RECORD}) == ()


def test_frames_that_do_not_fit_are_named() -> None:
    frame = faulty(lambda f: None)
    kinds = [
        [fault.kind for fault in check_frame(case, clips)]
        for case, clips in (
            (frame, {}),
            (replace(frame, key="c-1-00002"), {"c-1": RECORD}),
            (replace(frame, key="Jane"), {"c-1": RECORD}),
            (frame, {"c-1": replace(RECORD, rows=99)}),
            (frame, {"c-1": replace(RECORD, row_mm=None)}),
        )
    ]
    assert kinds == [[Kind.UNKNOWN]] * 3 + [[Kind.SIZE], [Kind.SCALE]]


def test_a_layer_parted_by_a_shadow_is_no_stray_piece() -> None:
    def part(frame: LabelledFrame) -> None:
        frame.masks[:, :, 200:210] = False

    assert check_frame(faulty(part), {"c-1": RECORD}) == ()


def test_holes_are_filled_by_sides_not_corners() -> None:
    mask = np.zeros((5, 5), bool)
    for place in ((1, 2), (2, 1), (2, 3), (3, 2)):
        mask[place] = True
    assert fill_holes(mask)[2, 2] and fill_holes(mask).sum() == 5


def test_only_sound_labels_are_stored(
    lab_with_clip: tuple[Lab, Path, ClipRecord], tmp_path: Path
) -> None:
    lab, _, record = lab_with_clip
    folder = tmp_path / "masks"
    write_png(folder / f"{frame_key(record.name, 0)}.png", wall_label())
    turned = wall_label()[:, ::-1].copy()
    turned[wall_label()[:, ::-1] == 1], turned[wall_label()[:, ::-1] == 2] = 2, 1
    write_png(folder / f"{frame_key(record.name, 1)}.png", turned)
    frames = read_labels(lab, folder, None)
    assert check_labels(lab, frames).sound == (frame_key(record.name, 0),)
    assert list((lab.root / "labels").iterdir()) == []
    report = store_labels(lab, frames, "nurse 2")
    assert [fault.kind for fault in report.faults] == [Kind.ORDER]
    (stored,) = (lab.root / "labels").glob("*.png")
    np.testing.assert_array_equal(read_mask(stored).label, wall_label())
    write_coco(tmp_path / "twice.json", [frames[0], frames[0]], "images")
    with pytest.raises(InputError, match="twice"):
        read_labels(lab, tmp_path / "twice.json", None)
    with pytest.raises(InputError, match="holds no labels"):
        read_labels(lab, lab.root / "builds", None)
    # Another system's notes on a file lie beside it; what lab propose writes is one folder deeper.
    (folder / f"._{frame_key(record.name, 0)}.png").write_bytes(b"notes")
    assert len(read_labels(lab, folder, None)) == 2
    folder.rename(tmp_path / "labels")
    (tmp_path / "annotations.json").write_text("{}")
    with pytest.raises(InputError, match=r"holds no labels; .* or its labels or annotations.json"):
        read_labels(lab, tmp_path, None)


def moved(rows: int, columns: int) -> Label:
    """Labels shifted as a whole, such as by an editor that counts from another corner."""
    return np.roll(wall_label(), (rows, columns), axis=(0, 1))


def renamed() -> Label:
    """Every layer named one too deep, the deepest left out."""
    label = wall_label() + (wall_label() > 0)
    return np.asarray(np.where(label > 4, 0, label), np.uint8)


def corrected() -> Label:
    """One border drawn anew, by six pixels at one end."""
    label = wall_label()
    corners = np.array([[70, 106], [250, 118], [250, 124], [70, 106]])
    cv2.fillPoly(label, [corners], 2)
    return label


@pytest.mark.parametrize(
    ("label", "kind", "sentence"),
    [
        (renamed(), Kind.NAMED, r"\(EO\) lies where subcutaneous fat was proposed"),
        (moved(5, 0), Kind.MOVED, "moved by 5 rows and 0 columns"),
        (moved(-3, 8), Kind.MOVED, "moved by -3 rows and 8 columns"),
        (corrected(), None, ""),
        (wall_label(), None, ""),
    ],
)
def test_slips_are_told_by_what_was_proposed(
    lab_with_clip: tuple[Lab, Path, ClipRecord], label: Label, kind: Kind | None, sentence: str
) -> None:
    lab, _, record = lab_with_clip
    key = frame_key(record.name, 0)
    write_png(lab.proposal_path(key), wall_label())
    frame = LabelledFrame.of(key, label)
    report = store_labels(lab, [frame], "nurse 2")
    assert {fault.kind for fault in report.faults} == ({kind} if kind else set())
    assert (key in report.sound) is (kind is None)
    if kind:
        assert re.search(sentence, " ".join(fault.sentence for fault in report.faults))
        assert "--as-drawn" in report.faults[0].sentence
        assert not lab.label_path(key).exists()
        assert store_labels(lab, [frame], "nurse 2", as_drawn=True).sound == (key,)


def test_labels_carry_who_corrected_them_and_whether(
    lab_with_clip: tuple[Lab, Path, ClipRecord],
) -> None:
    lab, _, record = lab_with_clip
    for number, drawn in enumerate((wall_label(), corrected())):
        key = frame_key(record.name, number)
        write_png(lab.proposal_path(key), wall_label())
        store_labels(lab, [LabelledFrame.of(key, drawn)], " physio 3 ")
    notes = [read_note(lab, frame_key(record.name, number)) for number in range(2)]
    day = lab.today.isoformat()
    assert notes == [
        LabelNote("physio 3", day, True), LabelNote("physio 3", day, False)
    ]  # fmt: skip
    speck = wall_label()
    speck[92, 150:155] = 0
    store_labels(lab, [LabelledFrame.of(frame_key(record.name, 0), speck)], "physio 3")
    assert read_note(lab, frame_key(record.name, 0)).is_untouched
    with pytest.raises(InputError, match="who drew or corrected"):
        store_labels(lab, [LabelledFrame.of(frame_key(record.name, 0), speck)], " ")
    lab.label_path(frame_key(record.name, 0)).with_suffix(".json").unlink()
    assert read_note(lab, frame_key(record.name, 0)).is_untouched


def test_an_untouched_proposal_never_replaces_what_a_person_drew(
    lab_with_clip: tuple[Lab, Path, ClipRecord], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab, _, record = lab_with_clip
    keys = [frame_key(record.name, number) for number in range(2)]
    for key in keys:
        write_png(lab.proposal_path(key), wall_label())
        write_png(tmp_path / "to-label" / f"{key}.png", wall_label())
    store_labels(lab, [LabelledFrame.of(keys[0], corrected())], "physio 3")
    lab.ledger.record([Consent(record.subject, BOTH, TODAY, None)], "nurse 2")
    assert run("lab", "label", lab.root, tmp_path / "to-label", "--by", "physio-4") == 0
    text = capsys.readouterr().out
    assert f"{keys[0]}: the proposal as it went out, so the label that a person drew stays" in text
    assert "1 of 2 frames stored" in text and "1 of them untouched" in text
    np.testing.assert_array_equal(read_mask(lab.label_path(keys[0])).label, corrected())
    assert read_note(lab, keys[0]).by == "physio 3" and read_note(lab, keys[1]).is_untouched
    # Another drawing does replace it, and an untouched one what was untouched.
    other = wall_label()
    other[50:56] = 0
    report = store_labels(lab, [LabelledFrame.of(keys[0], other)], "physio 4", as_drawn=True)
    assert report.sound == (keys[0],) and read_note(lab, keys[0]).by == "physio 4"
    report = store_labels(lab, [LabelledFrame.of(keys[1], wall_label())], "physio 4")
    assert report.sound == (keys[1],) and report.kept == ()


def test_a_proposal_of_before_is_one_when_it_comes_back_late(
    lab_with_clip: tuple[Lab, Path, ClipRecord],
) -> None:
    lab, _, record = lab_with_clip
    key = frame_key(record.name, 0)
    proposals = [wall_label(), corrected(), np.roll(wall_label(), 2, axis=0)]
    for proposal in proposals:
        lab.keep_proposal(key)
        write_png(lab.proposal_path(key), proposal)
    assert len(lab.proposals_of(key)) == 3
    assert read_status(lab, lab.root).proposed == 1
    for proposal in proposals:
        assert store_labels(lab, [LabelledFrame.of(key, proposal)], "physio 3").sound == (key,)
        assert read_note(lab, key).is_untouched
    drawn = wall_label()
    drawn[50:56] = 0
    store_labels(lab, [LabelledFrame.of(key, drawn)], "physio 3", as_drawn=True)
    assert not read_note(lab, key).is_untouched
    erase(lab, record.subject, "nurse 2")
    assert lab.proposals_of(key) == []
