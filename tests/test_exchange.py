"""Exports through the command line, read back with other programs' readers."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import highdicom
import numpy as np
import pydicom
import pydicom.data
import pytest
from fhir.resources.R4B.bundle import Bundle
from pydicom import Dataset
from pydicom.uid import generate_uid
from report_content import make_boundaries, make_content
from standin import write_dicom
from visits import REST_ROWS, DrawnVisit, activation

from layermotion.cli import main
from layermotion.clip import Frame
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.masks import mask_stack
from layermotion.edges.recording import Recording
from layermotion.exchange.export import write_exports
from layermotion.exchange.request import Export, ExportRequest
from layermotion.geometry import ImageArea
from layermotion.labels import FULL_NAMES, STRUCTURES, Structure
from layermotion.measures.measure import Measure, Status
from layermotion.report.content import ReportContent
from layermotion.report.key_frames import KeyFrame
from layermotion.series.by_hand import ByHand

PATIENT, NUMBER = "Invented^Patient", "INV-7"
ADDED = {"measures.sr.dcm", "outlines.seg.dcm", "observations.fhir.json"}
ROW_MM = 0.08


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> DrawnVisit:
    visit = DrawnVisit(tmp_path_factory.mktemp("drawn") / "visit")
    identity = {"PatientName": PATIENT, "PatientID": NUMBER, "StudyDate": "20260102"}
    visit.wall("left_draw_in_1.dcm", 22, **identity)
    visit.bladder("midline_cough_1.dcm", -60, **identity)
    return visit


@pytest.fixture(scope="module")
def out(drawn: DrawnVisit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Measure with all exports once, for the tests that only read."""
    folder = tmp_path_factory.mktemp("measured") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("layermotion.commands.session.load_in_use", lambda: drawn.segmenter())
        command = ("session", drawn.folder, "--out", folder, "--no-overlay")
        assert run(*command, "--export", "sr,seg,fhir") == 0
    return folder


def items(dataset: Dataset) -> Iterator[Dataset]:
    """All content items of a structured report, depth first."""
    for item in dataset.get("ContentSequence", ()):
        yield item
        yield from items(item)


def test_exports_stand_beside_the_other_files(out: Path) -> None:
    for name in ("left-draw_in-1", "midline-cough-1"):
        assert {path.name for path in (out / name).iterdir()} >= ADDED


def test_report_gives_every_number_back(out: Path) -> None:
    folder = out / "left-draw_in-1"
    report = highdicom.sr.srread(folder / "measures.sr.dcm")
    measures = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["measures"]
    expected = {
        (m["structure"], m["name"], m["unit"]): m for m in measures if m["value"] is not None
    }
    found = {}
    for group in report.content.get_image_measurement_groups():
        structure = group.tracking_identifier.split(",")[0]
        (site,) = group.finding_sites
        assert site.laterality.value == "7771000"
        for measurement in group.get_measurements():
            unit = {"{ratio}": "ratio"}.get(measurement.unit.value, measurement.unit.value)
            found[structure, measurement.name.value, unit] = measurement
    assert found.keys() == expected.keys()
    assert len(found) > 15
    for key, measurement in found.items():
        assert measurement.value == pytest.approx(expected[key]["value"], abs=1e-4)
    # The interval, by pydicom alone: upper and lower uncertainty of the TrA's change in mm.
    document = pydicom.dcmread(folder / "measures.sr.dcm")
    change = expected["tra", "thickness_change", "mm"]
    numbers = [
        item
        for item in items(document)
        if item.ValueType == "NUM"
        and float(item.MeasuredValueSequence[0].NumericValue) == change["value"]
    ]
    (properties,) = [
        {
            part.ConceptNameCodeSequence[0].CodeMeaning: float(
                part.MeasuredValueSequence[0].NumericValue
            )
            for part in number.ContentSequence
            if part.ValueType == "NUM"
        }
        for number in numbers
    ]
    assert sorted(properties.values()) == pytest.approx(
        [change["high"] - change["value"]] * 2, abs=2e-4
    )


@pytest.mark.parametrize("is_lateral_known", [True, False])
def test_exports_say_what_is_positive(is_lateral_known: bool, tmp_path: Path) -> None:
    signs = {
        "slide": "+ is lateral" if is_lateral_known else "+ is to the right",
        "base_displacement": "+ is lift",
        "thickness_change": None,
    }
    uids = {name: generate_uid() for name in ("StudyInstanceUID", "SeriesInstanceUID")}
    source = write_dicom(tmp_path / "clip.dcm", [np.zeros((90, 90), np.uint8)] * 3, **uids)
    content = content_of(pydicom.dcmread(source, stop_before_pixels=True))
    measures = tuple(
        Measure(name, "tra", "draw_in", "1", -4.0, "mm", -5.0, -3.0, Status.DRAFT, "", "0-1", "")
        for name in signs
    )
    analysis = replace(
        content.analysis, measures=measures, is_lateral_known=is_lateral_known, cautions=()
    )
    request = ExportRequest((Export.SR, Export.FHIR), (source,), None, False)
    write_exports(tmp_path, replace(content, analysis=analysis), request)
    report = highdicom.sr.srread(tmp_path / "measures.sr.dcm")
    (group,) = report.content.get_image_measurement_groups()
    methods = [number.method for number in group.get_measurements()]
    assert [method and method.meaning for method in methods] == list(signs.values())
    bundle = json.loads((tmp_path / "observations.fhir.json").read_text(encoding="utf-8"))
    for entry, sign in zip(bundle["entry"], signs.values(), strict=True):
        notes = " ".join(note["text"] for note in entry["resource"]["note"])
        assert sign in notes if sign else "+ is" not in notes
    # Without cautions there is no part for them.
    assert "UMLS" not in str(pydicom.dcmread(tmp_path / "measures.sr.dcm"))


def test_a_small_negative_value_is_no_negative_zero(tmp_path: Path) -> None:
    measure = Measure(
        "slide", "tra", "draw_in", "1", -4e-5, "mm", -1.0, 1.0, Status.DRAFT, "", "0-1", ""
    )
    source = write_dicom(tmp_path / "clip.dcm", [np.zeros((90, 90), np.uint8)] * 3)
    content = content_of(pydicom.dcmread(source, stop_before_pixels=True))
    analysis = replace(content.analysis, measures=(measure,))
    request = ExportRequest((Export.FHIR,), (source,), None, False)
    write_exports(tmp_path, replace(content, analysis=analysis), request)
    assert "-0.0," not in (tmp_path / "observations.fhir.json").read_text(encoding="utf-8")


def test_exports_hold_the_cautions_of_the_clip(out: Path) -> None:
    folder = out / "left-draw_in-1"
    cautions = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["cautions"]
    assert cautions
    document = pydicom.dcmread(folder / "measures.sr.dcm")
    comments = [item.TextValue for item in items(document)
                if item.ValueType == "TEXT"
                and item.ConceptNameCodeSequence[0].CodeValue == "121106"]  # fmt: skip
    assert comments == cautions
    bundle = json.loads((folder / "observations.fhir.json").read_text(encoding="utf-8"))
    for entry in bundle["entry"]:
        notes = [note["text"] for note in entry["resource"]["note"]]
        assert set(cautions) <= set(notes)


def test_report_is_a_draft_that_refers_to_the_source(drawn: DrawnVisit, out: Path) -> None:
    source = pydicom.dcmread(drawn.folder / "left_draw_in_1.dcm")
    document = pydicom.dcmread(out / "left-draw_in-1" / "measures.sr.dcm")
    assert document.SOPClassUID.name == "Comprehensive SR Storage"
    assert (document.CompletionFlag, document.VerificationFlag) == ("PARTIAL", "UNVERIFIED")
    assert document.PreliminaryFlag == "PRELIMINARY"
    assert document.ContentTemplateSequence[0].TemplateIdentifier == "1500"
    assert document.StudyInstanceUID == source.StudyInstanceUID
    (evidence,) = document.CurrentRequestedProcedureEvidenceSequence
    (series,) = evidence.ReferencedSeriesSequence
    (instance,) = series.ReferencedSOPSequence
    assert series.SeriesInstanceUID == source.SeriesInstanceUID
    assert instance.ReferencedSOPInstanceUID == source.SOPInstanceUID
    images = [item for item in items(document) if item.ValueType == "IMAGE"]
    frames = images[0].ReferencedSOPSequence[0].ReferencedFrameNumber
    assert min(frames) >= 1 and max(frames) <= int(source.NumberOfFrames)


def test_codes_are_standard_or_of_the_declared_scheme(out: Path) -> None:
    document = pydicom.dcmread(out / "midline-cough-1" / "measures.sr.dcm")
    (scheme,) = document.CodingSchemeIdentificationSequence
    assert scheme.CodingSchemeDesignator == "99LAYERMOTION"
    codes = set()
    for item in items(document):
        for code in (
            *item.get("ConceptNameCodeSequence", ()),
            *item.get("ConceptCodeSequence", ()),
        ):
            codes.add((code.CodingSchemeDesignator, code.get("CodeValue", "")))
    assert {scheme for scheme, _ in codes} <= {
        "DCM",
        "SCT",
        "UCUM",
        "UMLS",
        "RFC5646",
        "99LAYERMOTION",
    }
    # Bladder, and linear displacement.
    assert {("SCT", "89837001"), ("DCM", "110856")} <= codes


def test_segmentation_outlines_every_frame_as_it_was_drawn(drawn: DrawnVisit, out: Path) -> None:
    source = pydicom.dcmread(drawn.folder / "left_draw_in_1.dcm")
    path = out / "left-draw_in-1" / "outlines.seg.dcm"
    segmentation = highdicom.seg.segread(path)
    labels = [segment.SegmentLabel for segment in segmentation.SegmentSequence]
    assert [label.split(" (")[-1].rstrip(")") for label in labels] == [
        "subcutaneous fat",
        "EO",
        "IO",
        "TrA",
    ]
    count = int(source.NumberOfFrames)
    masks = segmentation.get_pixels_by_source_frame(
        source.SOPInstanceUID, range(1, count + 1), combine_segments=True
    )
    assert masks.shape == (count, source.Rows, source.Columns)
    # Away from the sides, as many rows as were drawn, two pixels at most apart, in every frame.
    tra_rows = (masks[:, :, 60:180] == 4).sum(axis=1)
    wanted = np.round(REST_ROWS + 22 * activation())
    assert np.abs(tra_rows - wanted[:, None]).max() <= 2
    # The file is a fraction of its masks: 34 frames of 4 layers of 9,600 bytes.
    assert path.stat().st_size < 0.05 * count * 4 * source.Rows * source.Columns / 8


def test_segmentation_is_read_alike_by_another_reader(drawn: DrawnVisit, out: Path) -> None:
    source = pydicom.dcmread(drawn.folder / "left_draw_in_1.dcm")
    document = pydicom.dcmread(out / "left-draw_in-1" / "outlines.seg.dcm")
    frames = document.pixel_array
    assert frames.shape == (int(document.NumberOfFrames), source.Rows, source.Columns)
    assert set(np.unique(frames)) == {0, 1}
    # Type 2C in PS3.3, C.7.6.1, where there is no frame of reference.
    assert "FrameOfReferenceUID" in document or document.PatientOrientation == ""
    places = []
    for item in document.PerFrameFunctionalGroupsSequence:
        image = item.DerivationImageSequence[0].SourceImageSequence[0]
        assert image.ReferencedSOPInstanceUID == source.SOPInstanceUID
        assert image.ReferencedSOPClassUID == source.SOPClassUID
        segment = item.SegmentIdentificationSequence[0].ReferencedSegmentNumber
        places.append((segment, int(image.ReferencedFrameNumber)))
        assert list(item.FrameContentSequence[0].DimensionIndexValues) == list(places[-1])
    assert len(set(places)) == len(places) == len(frames)
    middle = next(k for k, place in enumerate(places) if place == (4, 20))
    rows = frames[middle][:, 60:180].sum(axis=0).astype(int)
    assert np.abs(rows - (REST_ROWS + 22)).max() <= 2


def test_long_clip_is_spread_over_files_and_odd_sizes_keep_their_frames(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("layermotion.exchange.seg.FRAMES_A_FILE", 20)
    # 91 x 237 pixels are no whole number of bytes.
    uids = {name: generate_uid() for name in ("StudyInstanceUID", "SeriesInstanceUID")}
    source = write_dicom(tmp_path / "clip.dcm", [np.zeros((91, 237), np.uint8)] * 50, **uids)
    image = pydicom.dcmread(source, stop_before_pixels=True)
    out = tmp_path / "out"
    content = content_of(image)
    with Recording() as recording:
        for k in range(50):
            recording.append(make_boundaries(20.0, 30.0 + k))
        request = ExportRequest((Export.SEG,), (source,), None, False)
        write_exports(out, with_edges(content, recording), request)
    paths = sorted(out.iterdir())
    assert [path.name for path in paths] == [f"outlines-{k}.seg.dcm" for k in (1, 2, 3)]
    heights, series = [], set()
    for path in paths:
        document = pydicom.dcmread(path)
        series.add(document.SeriesInstanceUID)
        heights += document.pixel_array[:, :, 100].sum(axis=1).tolist()
    assert heights == [11 + k for k in range(50)]
    assert len(series) == 1
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("placed", "kind"), [(Structure.TRA, "SEMIAUTOMATIC"), (Structure.IO, "AUTOMATIC")]
)
def test_segmentation_says_of_which_structure_a_person_placed_an_edge(
    placed: Structure, kind: str, tmp_path: Path
) -> None:
    uids = {name: generate_uid() for name in ("StudyInstanceUID", "SeriesInstanceUID")}
    source = write_dicom(tmp_path / "clip.dcm", [np.zeros((91, 237), np.uint8)] * 3, **uids)
    content = content_of(pydicom.dcmread(source, stop_before_pixels=True))
    request = ExportRequest((Export.SEG,), (source,), None, False)
    by_hand = ByHand({placed: np.array([False, True, False])})
    with Recording() as recording:
        for _ in range(3):
            recording.append(make_boundaries())
        found = with_edges(content, recording)
        footage = replace(found.analysis.footage, by_hand=by_hand)
        write_exports(
            tmp_path, replace(found, analysis=replace(found.analysis, footage=footage)), request
        )
    document = pydicom.dcmread(tmp_path / "outlines.seg.dcm")
    # PS3.3, C.8.20.2: AUTOMATIC, SEMIAUTOMATIC or MANUAL, of a segment as a whole.
    (tra,) = document.SegmentSequence
    assert (tra.SegmentLabel, tra.SegmentAlgorithmType) == (FULL_NAMES[Structure.TRA], kind)


def test_observations_are_preliminary_and_keep_units(out: Path) -> None:
    folder = out / "left-draw_in-1"
    bundle = json.loads((folder / "observations.fhir.json").read_text(encoding="utf-8"))
    measures = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["measures"]
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    for entry, measure in zip(bundle["entry"], measures, strict=True):
        observation = entry["resource"]
        assert (observation["resourceType"], observation["status"]) == (
            "Observation",
            "preliminary",
        )
        assert "subject" not in observation
        if measure["value"] is None:
            assert "valueQuantity" not in observation and observation["dataAbsentReason"]
            continue
        quantity = observation["valueQuantity"]
        assert quantity["value"] == measure["value"]
        assert quantity["code"] == {"ratio": "{ratio}"}.get(measure["unit"], measure["unit"])
        low, high = (part["valueQuantity"]["value"] for part in observation["component"])
        assert (low, high) == (measure["low"], measure["high"])


def test_observations_are_what_fhir_allows(out: Path) -> None:
    """Each is read by fhir.resources, which holds the definitions of HL7 FHIR R4B."""
    for path in sorted(out.glob("*/observations.fhir.json")):
        document = json.loads(path.read_text(encoding="utf-8"))
        bundle = Bundle.model_validate(document)
        assert len(bundle.entry) == len(document["entry"]) > 0
        document["entry"][0]["resource"]["status"] = "draft"
        del document["entry"][0]["resource"]["code"]
        with pytest.raises(ValueError, match="code"):
            Bundle.model_validate(document)


@pytest.mark.parametrize("keep", [False, True])
def test_identity_passes_only_when_kept(
    keep: bool, drawn: DrawnVisit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: drawn.segmenter())
    out = tmp_path / "out"
    options = ["--keep-identifiers"] if keep else []
    source = drawn.folder / "left_draw_in_1.dcm"
    command = ("measure", source, "--out", out, "--no-overlay", "--task", "draw_in")
    assert run(*command, "--export", "sr,seg,fhir", *options) == 0
    (folder,) = (path for path in out.iterdir() if path.is_dir())
    for name in ("measures.sr.dcm", "outlines.seg.dcm"):
        document = pydicom.dcmread(folder / name)
        shown = (str(document.PatientName), document.PatientID, document.StudyDate)
        assert shown == ((PATIENT, NUMBER, "20260102") if keep else ("", "", ""))
    if not keep:
        written = b"".join(path.read_bytes() for path in folder.iterdir())
        assert PATIENT.encode() not in written and NUMBER.encode() not in written
    assert NUMBER not in (folder / "observations.fhir.json").read_text(encoding="utf-8")


def with_edges(content: ReportContent, edges: Recording) -> ReportContent:
    """Put the edges of every frame in place."""
    footage = replace(content.analysis.footage, edges=edges)
    return replace(content, analysis=replace(content.analysis, footage=footage))


def content_of(image: Dataset) -> ReportContent:
    """Measures of an invented clip as those of a public image."""
    shape = (int(image.Rows), int(image.Columns))
    frame = Frame(0, 0.0, np.zeros(shape, np.uint8))
    content = make_content()
    clip = replace(content.analysis.clip, frame_shape=shape, area=ImageArea(0, 0, *shape))
    footage = replace(content.analysis.footage, clip=clip)
    return replace(
        content,
        analysis=replace(content.analysis, footage=footage),
        provenance={"software": "test", "weights": "standin-001", "weights SHA-256": "0" * 64},
        key_frames=(KeyFrame("rest", frame, make_boundaries()),),
    )


@pytest.mark.parametrize("name", ["ExplVR_BigEnd.dcm", "examples_ybr_color.dcm"])
def test_public_images_can_be_referred_to_with_or_without_identity(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    # Public files with dates such as 1997.04.24 and names of one part.
    source = Path(pydicom.data.get_testdata_file(name))
    image = pydicom.dcmread(source, stop_before_pixels=True)
    content = content_of(image)
    for keep in (False, True):
        folder = tmp_path / str(keep)
        request = ExportRequest((Export.SR, Export.SEG), (source,), "left", keep)
        with Recording() as recording:
            recording.append(make_boundaries())
            write_exports(folder, with_edges(content, recording), request)
        for written in ("measures.sr.dcm", "outlines.seg.dcm"):
            document = pydicom.dcmread(folder / written)
            assert document.StudyInstanceUID == image.StudyInstanceUID
            assert document.PatientName == (image.PatientName if keep else "")
    assert capfd.readouterr() == ("", "")


def test_layer_that_needs_a_person_has_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = DrawnVisit(tmp_path / "visit")
    # A TrA of one row counts as absent.
    visit.wall("clip.dcm", 0)
    segmenter = visit.segmenter()
    for labels in segmenter.labels:
        labels[labels == 4] = 0
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    out = tmp_path / "out"
    command = ("measure", visit.folder / "clip.dcm", "--out", out, "--no-overlay")
    assert run(*command, "--export", "sr,fhir") == 0
    (folder,) = (path for path in out.iterdir() if path.is_dir())
    document = pydicom.dcmread(folder / "measures.sr.dcm")
    numbers = [item for item in items(document) if item.ValueType == "NUM"]
    values = [
        item.ConceptCodeSequence[0].CodeValue
        for item in items(document)
        if item.ValueType == "CODE" and "CodeValue" in item.ConceptCodeSequence[0]
    ]
    # Fat is given by itself; without a TrA the muscles have no place of measurement.
    # Its value and both ends of its interval.
    assert len(numbers) == 3 and values.count("needs_manual") == 3
    bundle = json.loads((folder / "observations.fhir.json").read_text(encoding="utf-8"))
    for resource in (entry["resource"] for entry in bundle["entry"]):
        is_fat = resource["bodySite"]["text"] == "Subcutaneous tissue"
        assert ("valueQuantity" in resource) == is_fat
        if not is_fat:
            assert resource["dataAbsentReason"]["coding"][0]["code"] == "temp-unknown"


def test_mask_holds_the_pixel_centres_between_the_edges() -> None:
    column_px = np.array([2, 6], np.float32)
    edges = np.full((2, len(STRUCTURES), 2), np.nan, np.float32)
    edges[0, 3], edges[1, 3] = (3.5, 5.5), (7.5, 7.5)
    masks = mask_stack(
        Boundaries(column_px, edges[0], edges[1], np.ones((5, 2), np.float32)), (10, 9)
    )
    assert not masks[:3].any() and not masks[4].any()
    # Column 4 lies half way, so from 4.5 to 7.5; beyond the outer edges nothing is known.
    assert [np.flatnonzero(masks[3, :, k]).tolist() for k in (2, 4, 6)] == [
        [4, 5, 6, 7],
        [5, 6, 7],
        [6, 7],
    ]
    assert not masks[:, :, (0, 1, 7, 8)].any()


@pytest.mark.parametrize(
    ("export", "words"),
    [
        ("sr,pdf", "'pdf' is not an export; give sr, seg, fhir."),
        ("", "'' is not an export; give sr, seg, fhir."),
    ],
)
def test_unknown_export_is_one_sentence(
    export: str, words: str, drawn: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    command = ("measure", drawn.folder / "left_draw_in_1.dcm", "--out", out)
    assert run(*command, "--export", export) == 2
    assert capsys.readouterr().err == f"layermotion: {words}\n"
    assert not out.exists()


def test_dicom_exports_of_another_format_are_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    visit = DrawnVisit(tmp_path / "visit")
    still = visit.still("still.png", 45)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: visit.segmenter())
    command = ("measure", still, "--out", tmp_path / "out")
    assert run(*command, "--export", "sr,seg") == 2
    assert capsys.readouterr().err == (
        "layermotion: still.png is not a DICOM file, so sr and seg cannot refer to it; give the "
        "DICOM file, or leave sr,seg out of --export.\n"
    )
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("attributes", "words"),
    [
        ({"SeriesInstanceUID": ""}, "clip.dcm lacks the UIDs of its study"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.6"}, "clip.dcm is stored in a form that DICOM"),
        ({"SOPClassUID": "1.2.3.4"}, "clip.dcm is stored in a form that DICOM has retired or"),
    ],
)
def test_source_that_nothing_can_refer_to_is_refused_by_name(
    attributes: dict[str, object],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    visit = DrawnVisit(tmp_path / "visit")
    source = visit.wall("clip.dcm", 22, **attributes)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: visit.segmenter())
    command = ("measure", source, "--out", tmp_path / "out", "--no-overlay")
    assert run(*command, "--export", "sr") == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_missing_package_is_named(
    drawn: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    command = ("measure", drawn.folder / "left_draw_in_1.dcm", "--out", tmp_path / "out")
    assert run(*command, "--export", "sr") == 2
    assert "pip install 'layermotion[exchange]'" in capsys.readouterr().err
