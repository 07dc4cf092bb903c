"""What is written of a whole clip: lateral, intervals of two sides, no old UID, no half file."""

import json
import os
from dataclasses import replace
from pathlib import Path

import highdicom
import numpy as np
import pydicom
import pytest
from lab_data import OPTIONS, agree, make_lab, speckled_frames, write_scan
from pydicom.sequence import Sequence
from pydicom.uid import UID
from report_content import make_content, make_measure
from standin import (
    Labels,
    draw_frames,
    truth_segmenter,
    wall_with_end,
    write_dicom,
)

from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.cli import main
from layermotion.errors import InputError
from layermotion.exchange.request import Export, ExportRequest
from layermotion.exchange.sr import write_report
from layermotion.files import atomic_path, write_text
from layermotion.lab.folder import open_secret
from layermotion.lab.importing import import_folder
from layermotion.labels import View

# -- lateral, through the command line -------------------------------------------------------------


@pytest.mark.parametrize("is_end_in_view", [True, False])
def test_files_tell_whether_lateral_is_known(
    is_end_in_view: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def draw(rows: int) -> Labels:
        labels = wall_with_end(rows)
        if not is_end_in_view:
            # The picture begins where the muscle is thick.
            labels[:, :95] = labels[:, 95:96]
        return labels

    segmenter = truth_segmenter(draw, np.full(15, 45.0), View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(15))
    with pytest.raises(SystemExit) as ended:
        main(["measure", str(source), "--out", str(tmp_path / "out"), "--no-overlay"])
    assert ended.value.code == 0
    (folder,) = (path for path in (tmp_path / "out").iterdir() if path.is_dir())
    document = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
    assert document["lateral"] == ("known" if is_end_in_view else "unknown")
    assert (LATERAL_UNKNOWN in document["cautions"]) == (not is_end_in_view)
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert (LATERAL_UNKNOWN in page) == (not is_end_in_view)


# -- structured report ---------------------------------------------------------------------------


def test_report_tells_upper_and_lower_uncertainty_apart(tmp_path: Path) -> None:
    uids = {name: pydicom.uid.generate_uid() for name in ("StudyInstanceUID", "SeriesInstanceUID")}
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(2), **uids)
    # 11.2 below and 10.8 above the value.
    measure = make_measure(value=41.2, interval=(30.0, 52.0))
    content = replace(
        make_content(measures=(measure,)),
        provenance={"weights": "standin-001", "weights SHA-256": "0" * 64},
    )
    write_report(tmp_path, content, ExportRequest((Export.SR,), (source,), "left", False))
    document = pydicom.dcmread(tmp_path / "measures.sr.dcm")
    report = highdicom.sr.srread(tmp_path / "measures.sr.dcm")
    (group,) = report.content.get_image_measurement_groups()
    (number,) = group.get_measurements()
    assert number.value == pytest.approx(41.2)
    parts = {
        item.ConceptNameCodeSequence[0].CodeMeaning: float(
            item.MeasuredValueSequence[0].NumericValue
        )
        for item in number[0].ContentSequence
        if item.ValueType == "NUM"
    }
    # The terms of PS3.16 TID 310, Measurement Properties.
    assert parts == {
        "+, range of upper measurement uncertainty": pytest.approx(10.8),
        "-, range of lower measurement uncertainty": pytest.approx(11.2),
    }
    assert document.SOPClassUID.name == "Comprehensive SR Storage"


# -- de-identification ---------------------------------------------------------------------------

UID_KEYWORDS = (
    "SOPInstanceUID",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "FrameOfReferenceUID",
    "SynchronizationFrameOfReferenceUID",
)


def test_every_uid_of_the_source_is_replaced_or_gone(tmp_path: Path) -> None:
    old = {keyword: f"1.2.826.4711.{k}" for k, keyword in enumerate(UID_KEYWORDS, start=1)}
    gone = ["1.2.826.4711.91", "1.2.826.4711.92", "1.2.826.4711.93", "1.2.826.4711.94"]

    def put(data: pydicom.Dataset) -> None:
        for keyword, uid in old.items():
            setattr(data, keyword, uid)
        data.file_meta.MediaStorageSOPInstanceUID = old["SOPInstanceUID"]
        data.IrradiationEventUID, data.InstanceCreatorUID, data.DeviceUID = gone[:3]
        nested = pydicom.Dataset()
        nested.ReferencedSOPInstanceUID = gone[3]
        data.ReferencedImageSequence = Sequence([nested])

    lab, secret_path = make_lab(tmp_path)
    agree(lab, secret_path, "4711")
    write_scan(tmp_path / "scans" / "one.dcm", "4711", speckled_frames(1), put)
    secret = open_secret(lab, secret_path)
    (record,) = import_folder(lab, secret, tmp_path / "scans", OPTIONS).imported
    path = lab.clip_path(record.name)
    data = pydicom.dcmread(path)
    for keyword, uid in old.items():
        assert data[keyword].value == secret.replaced_uid(uid), keyword
        assert UID(data[keyword].value).is_valid
    assert len({data[keyword].value for keyword in UID_KEYWORDS}) == len(UID_KEYWORDS)
    assert data.file_meta.MediaStorageSOPInstanceUID == data.SOPInstanceUID
    content = path.read_bytes()
    for uid in (*old.values(), *gone):
        assert uid.encode() not in content


# -- atomic replacement --------------------------------------------------------------------------


def test_a_reader_of_the_old_file_keeps_it_whole(tmp_path: Path) -> None:
    target = tmp_path / "measures.json"
    target.write_text("old" * 1000)
    linked = tmp_path / "copy.json"
    os.link(target, linked)
    with target.open() as reader:
        assert reader.read(3) == "old"
        write_text(target, "new")
        assert reader.read() == "old" * 999
    assert target.read_text() == "new"
    # A second name of the old file still stands for the old content.
    assert linked.read_text() == "old" * 1000


def test_a_file_is_replaced_in_one_step_within_its_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "deep" / "measures.json"
    write_text(target, "old")
    steps: list[tuple[Path, Path]] = []
    really_replace = os.replace

    def watched(source: Path, to: Path) -> None:
        assert target.read_text() == "old"
        assert Path(source).read_text() == "new"
        steps.append((Path(source).parent, Path(to)))
        really_replace(source, to)

    monkeypatch.setattr(os, "replace", watched)
    with atomic_path(target) as temporary:
        temporary.write_text("new")
        assert target.read_text() == "old"
        assert steps == []
    assert steps == [(target.parent, target)]
    assert [path.name for path in target.parent.iterdir()] == ["measures.json"]
    assert target.read_text() == "new"


def test_a_replacement_that_fails_keeps_the_old_file_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "measures.json"
    target.write_text("old")

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(InputError, match="measures.json cannot be written"):
        write_text(target, "new")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]
