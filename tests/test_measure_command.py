"""The measuring command end to end on drawn clips, with a stand-in that knows their truth."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from standin import (
    BITS,
    COLUMNS,
    ROWS,
    SPACING,
    TruthSegmenter,
    bladder_labels,
    draw_frames,
    effort,
    truth_segmenter,
    wall_labels,
    write_dicom,
    write_video,
)

from layermotion.cli import main
from layermotion.edges.site import FAT_ALONE, NO_TRA
from layermotion.labels import View
from layermotion.measures.measure import UNCALIBRATED
from layermotion.report.tables import CSV_COLUMNS, SERIES_COLUMNS

COUNT = 64
ACTIVATION = effort(COUNT, 24, 50)
TRA_ROWS = 45 + 22 * ACTIVATION
LIFT_ROWS = 60 * ACTIVATION
FILES = {"series.csv", "measures.csv", "measures.json", "overlay.mp4", "report.html"}
# Names that must not leave this machine.
PATIENT, FILE_NAME = "Invented^Patient", "invented-patient-name"

Use = Callable[[TruthSegmenter], None]


@pytest.fixture
def use(monkeypatch: pytest.MonkeyPatch) -> Use:
    """Make the command run a stand-in."""

    def put(segmenter: TruthSegmenter) -> None:
        monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)

    return put


@pytest.fixture
def wall(tmp_path: Path, use: Use) -> Path:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL))
    return write_dicom(
        tmp_path / f"{FILE_NAME}.dcm", draw_frames(COUNT), PatientName=PATIENT, PatientID="INV-7"
    )


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["measure", *(str(argument) for argument in arguments)])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def only_folder(out: Path) -> Path:
    (folder,) = (path for path in out.iterdir() if path.is_dir())
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def number(folder: Path, name: str, structure: str, unit: str) -> float:
    (row,) = [
        row
        for row in rows_of(folder / "measures.csv")
        if (row["name"], row["structure"], row["unit"]) == (name, structure, unit)
    ]
    return float(row["value"])


def column(folder: Path, quantity: str, structure: str) -> NDArray[np.float64]:
    rows = [
        row
        for row in rows_of(folder / "series.csv")
        if (row["quantity"], row["structure"]) == (quantity, structure)
    ]
    assert [row["frame"] for row in rows] == [str(k) for k in range(len(rows))]
    for row in rows:
        assert (row["value"] == "") == (float(row["confidence"]) == 0)
    return np.array([float(row["value"] or "nan") for row in rows])


# -- what is written -----------------------------------------------------------------------------


def test_wall_clip_gives_the_files_of_the_contract(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(wall, "--task", "draw_in", "--out", out) == 0
    folder = only_folder(out)
    streams = capsys.readouterr()
    assert streams.out == f"{folder / 'report.html'}\n"
    assert streams.err == ""
    assert {path.name for path in folder.iterdir()} == FILES
    assert tuple(rows_of(folder / "series.csv")[0]) == SERIES_COLUMNS
    assert tuple(rows_of(folder / "measures.csv")[0]) == CSV_COLUMNS
    document = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
    assert document["schema_version"] == "1.1"
    assert document["weights"] == "standin-001"
    assert len(document["measures"]) == len(rows_of(folder / "measures.csv"))
    # The drawn TrA is 45 rows of 0.08 mm at rest and 67 contracted, one pixel at most apart.
    np.testing.assert_allclose(column(folder, "thickness", "tra"), TRA_ROWS * 0.08, atol=0.1)
    np.testing.assert_allclose(column(folder, "thickness", "eo"), 3.6, atol=0.05)
    assert column(folder, "slide", "tra").size == COUNT
    assert column(folder, "probe_shift", "image").size == COUNT
    assert number(folder, "thickness_rest", "tra", "mm") == pytest.approx(3.6, abs=0.05)
    assert number(folder, "thickness_contracted", "tra", "mm") == pytest.approx(5.36, abs=0.05)
    assert number(folder, "contraction_ratio", "tra", "ratio") == pytest.approx(67 / 45, abs=0.02)
    share = 67 / (67 + 62 + 45) - 45 / (45 + 62 + 45)
    assert number(folder, "preferential_activation_ratio", "tra", "ratio") == pytest.approx(
        share, abs=0.005
    )


@pytest.mark.parametrize("side", [1, -1])
def test_bladder_video_gives_lift_and_descent(side: int, tmp_path: Path, use: Use) -> None:
    use(truth_segmenter(bladder_labels, side * LIFT_ROWS, View.BLADDER))
    source = write_video(tmp_path / "clip.mp4", draw_frames(COUNT))
    out = tmp_path / "out"
    assert run(source, "--mm-per-pixel", "0.08,0.11", "--out", out) == 0
    folder = only_folder(out)
    assert {path.name for path in folder.iterdir()} == FILES
    moved = column(folder, "base_displacement", "bladder")
    np.testing.assert_allclose(moved, side * LIFT_ROWS * 0.08, atol=0.3)
    lift_mm = number(folder, "base_displacement", "bladder", "mm")
    assert lift_mm == pytest.approx(side * LIFT_ROWS.max() * 0.08, abs=0.15)


def test_swapped_spacing_would_show(tmp_path: Path, use: Use) -> None:
    source = write_video(tmp_path / "clip.mp4", draw_frames(COUNT))
    found = []
    for row_mm, column_mm in ((0.08, 0.11), (0.11, 0.08)):
        spacing = type(SPACING)(row_mm, column_mm, "test")
        use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, spacing))
        out = tmp_path / f"out-{row_mm}"
        assert run(source, "--mm-per-pixel", f"{row_mm},{column_mm}", "--out", out) == 0
        found.append(number(only_folder(out), "thickness_rest", "tra", "mm"))
    assert found == pytest.approx([45 * 0.08, 45 * 0.11], abs=0.06)


def test_uncalibrated_video_gives_ratios_only(tmp_path: Path, use: Use) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, None))
    source = write_video(tmp_path / "clip.mp4", draw_frames(COUNT))
    out = tmp_path / "out"
    assert run(source, "--out", out, "--no-overlay") == 0
    folder = only_folder(out)
    assert {path.name for path in folder.iterdir()} == FILES - {"overlay.mp4"}
    rows = rows_of(folder / "measures.csv")
    for row in rows:
        assert (row["value"] == "") == (row["unit"] == "mm") == (row["reason"] == UNCALIBRATED)
    assert number(folder, "contraction_ratio", "tra", "ratio") == pytest.approx(67 / 45, abs=0.02)
    assert {row["unit"] for row in rows_of(folder / "series.csv")} == {"px"}


def test_still_gives_rest_and_a_picture(tmp_path: Path, use: Use) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL))
    source = tmp_path / "still.png"
    cv2.imwrite(str(source), draw_frames(1)[0])
    out = tmp_path / "out"
    assert run(source, "--mm-per-pixel", "0.08,0.11", "--out", out) == 0
    folder = only_folder(out)
    assert {path.name for path in folder.iterdir()} == FILES - {"overlay.mp4"} | {"overlay.png"}
    assert {row["name"] for row in rows_of(folder / "measures.csv")} == {"thickness_rest"}
    assert number(folder, "thickness_rest", "io", "mm") == pytest.approx(62 * 0.08, abs=0.05)


@pytest.fixture
def measured(tmp_path: Path, use: Use) -> Path:
    """Measure a still once, and give the folder of its results."""
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL))
    source, out = tmp_path / "still.png", tmp_path / "out"
    cv2.imwrite(str(source), draw_frames(1)[0])
    assert run(source, "--mm-per-pixel", "0.16,0.22", "--out", out, "--export", "fhir") == 0
    return only_folder(out)


def measure_anew(folder: Path, *options: str) -> int:
    """Measure the same still into the same folder with another scale."""
    out = folder.parent
    return run(out.parent / "still.png", "--mm-per-pixel", "0.08,0.11", "--out", out, *options)


def test_nothing_of_an_earlier_run_stands_beside_new_values(measured: Path) -> None:
    folder = measured
    assert {"observations.fhir.json", "overlay.png"} <= {path.name for path in folder.iterdir()}
    (folder / "notes.txt").write_text("mine")
    assert measure_anew(folder, "--no-overlay") == 0
    assert {path.name for path in folder.iterdir()} == FILES - {"overlay.mp4"} | {"notes.txt"}


def test_a_run_that_stops_leaves_no_finished_clip_of_two_runs(
    measured: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("layermotion.commands.results.write_text", full)
    assert measure_anew(measured, "--export", "fhir") == 2
    assert {path.name for path in measured.iterdir()} <= {"series.csv", "overlay.png"}


def test_frames_before_the_view_are_kept_and_empty(tmp_path: Path, use: Use) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, unseen=15))
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(COUNT))
    out = tmp_path / "out"
    assert run(source, "--out", out) == 0
    folder = only_folder(out)
    thickness = column(folder, "thickness", "tra")
    assert np.isnan(thickness[:15]).all() and not np.isnan(thickness[15:]).any()
    assert np.isnan(column(folder, "probe_shift", "image")[:15]).all()
    assert number(folder, "contraction_ratio", "tra", "ratio") == pytest.approx(67 / 45, abs=0.02)


def test_site_is_found_late_when_no_tra_is_seen_first(tmp_path: Path, use: Use) -> None:
    def late(rows: int) -> NDArray[np.uint8]:
        labels = wall_labels(max(rows, 0))
        labels[labels == 4 if rows <= 0 else labels == 9] = 0
        return labels

    rows = np.where(np.arange(COUNT) < 14, 0, TRA_ROWS)
    use(truth_segmenter(late, rows, View.ABDOMINAL_WALL))
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(COUNT))
    assert run(source, "--out", tmp_path / "out") == 0
    folder = only_folder(tmp_path / "out")
    assert number(folder, "thickness_rest", "tra", "mm") == pytest.approx(3.6, abs=0.05)


def test_clip_that_shows_no_tra_says_so(tmp_path: Path, use: Use) -> None:
    use(truth_segmenter(lambda _: wall_labels(0), TRA_ROWS, View.ABDOMINAL_WALL))
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(COUNT))
    assert run(source, "--out", tmp_path / "out") == 0
    fat, *rows = rows_of(only_folder(tmp_path / "out") / "measures.csv")
    assert [row["structure"] for row in rows] == ["eo", "io", "tra"]
    for row in rows:
        assert (row["value"], row["status"]) == ("", "needs_manual")
        assert row["reason"] == NO_TRA
    # The fat needs no muscle.
    assert (fat["structure"], fat["status"], fat["reason"]) == ("fat", "draft", "")
    assert float(fat["value"]) == pytest.approx(40 * 0.08, abs=0.05)
    assert fat["method"].endswith(FAT_ALONE)


# -- identity ------------------------------------------------------------------------------------


@pytest.mark.parametrize("keep", [False, True])
def test_identifiers_stay_out_unless_kept(keep: bool, wall: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run(wall, "--out", out, *(["--keep-identifiers"] if keep else [])) == 0
    folder = only_folder(out)
    names = [str(path.relative_to(out)) for path in [folder, *folder.iterdir()]]
    written = b"".join(path.read_bytes() for path in folder.iterdir())
    assert any(FILE_NAME in name for name in names) == keep
    for secret in (PATIENT, "INV-7"):
        assert secret.encode() not in written
        assert not any(secret in name for name in names)
    if not keep:
        assert FILE_NAME.encode() not in written
        assert str(tmp_path).encode() not in written


def test_screen_around_the_image_stays_out_of_every_picture(wall: Path, tmp_path: Path) -> None:
    # As wide and high again, with the white of burned-in text; the file names the image's region.
    frames = [
        np.pad(frame, ((0, 60), (0, 240)), constant_values=255) for frame in draw_frames(COUNT)
    ]
    shown = write_dicom(tmp_path / "with-text.dcm", frames)
    sizes = []
    for source in (wall, shown):
        out = tmp_path / source.stem
        assert run(source, "--out", out) == 0
        with av.open(str(only_folder(out) / "overlay.mp4")) as container:
            picture = next(container.decode(video=0)).to_ndarray(format="gray")
        sizes.append(picture.shape)
        assert picture[:ROWS].mean() < 250
    assert sizes[0] == sizes[1]


# -- several sources -----------------------------------------------------------------------------


def test_one_broken_source_does_not_stop_the_others(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = tmp_path / "broken.dcm"
    broken.write_bytes(wall.read_bytes()[:5000])
    out = tmp_path / "out"
    assert run(broken, wall, "--out", out, "--no-overlay") == 1
    assert (only_folder(out) / "report.html").exists()
    said = capsys.readouterr()
    assert said.out == f"{only_folder(out) / 'report.html'}\n"
    error, *finished = said.err.splitlines()
    assert error.startswith("layermotion: broken.dcm ")
    assert [line.rpartition(", ")[0] for line in finished] == [
        "1 of 2: a source failed",
        f"2 of 2: {only_folder(out).name} finished",
    ]


def test_nothing_measurable_is_code_two(
    use: Use, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL))
    sources = [tmp_path / "one.txt", tmp_path / "two.dcm"]
    for source in sources:
        source.write_text("not a picture")
    out = tmp_path / "out"
    assert run(*sources, "--out", out) == 2
    lines = capsys.readouterr().err.splitlines()
    errors = [line for line in lines if line.startswith("layermotion: ")]
    assert len(errors) == 3
    assert lines[-1] == "layermotion: None of the 2 sources could be measured; see above."
    assert not out.exists()


def test_picture_of_something_else_is_refused(
    use: Use, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, unseen=COUNT))
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(COUNT))
    out = tmp_path / "out"
    assert run(source, "--out", out) == 2
    error = capsys.readouterr().err
    assert error.startswith("layermotion: clip.dcm: The pictures are not recognised")
    assert error.count("\n") == 1
    assert not out.exists()


# -- wrong input ---------------------------------------------------------------------------------


def text_file(folder: Path) -> Path:
    path = folder / "notes.png"
    path.write_text("not an image")
    return path


def truncated_dicom(folder: Path) -> Path:
    path = write_dicom(folder / "cut.dcm", draw_frames(4))
    path.write_bytes(path.read_bytes()[: -ROWS * COLUMNS - 7])
    return path


def empty_video(folder: Path) -> Path:
    path = folder / "empty.mp4"
    path.write_bytes(b"")
    return path


def truncated_video(folder: Path) -> Path:
    path = write_video(folder / "cut.mp4", draw_frames(40))
    path.write_bytes(path.read_bytes()[:2000])
    return path


def empty_folder(folder: Path) -> Path:
    path = folder / "nothing"
    path.mkdir()
    return path


@pytest.mark.parametrize(
    "make", [text_file, truncated_dicom, empty_video, truncated_video, empty_folder]
)
def test_unreadable_source_is_one_sentence_and_nothing_is_written(
    make: Callable[[Path], Path],
    use: Use,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL))
    source = make(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "kept.txt").write_text("unchanged")
    assert run(source, "--out", out) == 2
    check_refusal(capsys, source.name)
    assert [path.name for path in out.iterdir()] == ["kept.txt"]


@pytest.mark.parametrize(
    "options",
    [
        *(("--mm-per-pixel", size) for size in ("0", "-0.1", "nan", "inf", "50", "0.0001", "")),
        *(("--mm-per-pixel", size) for size in ("0.08,-0.11", "0.08,nan", "1,2,3", "a,b", ",")),
        *(("--depth-mm", depth) for depth in ("0", "-60", "nan", "100000")),
        ("--depth-mm", "60", "--mm-per-pixel", "0.1"),
        ("--site", "navel"),
        ("--site", "junction:-3"),
        ("--fps", "-1"),
    ],
)
def test_impossible_option_is_one_sentence_and_nothing_is_written(
    options: tuple[str, ...], wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(wall, "--out", out, *options) == 2
    check_refusal(capsys, "")
    assert not out.exists()


@pytest.mark.parametrize("below", ["", "deeper", "deeper/still"])
def test_output_below_a_file_is_refused_before_any_work(
    below: str,
    wall: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("layermotion.commands.measure.analyse", None)
    blocker = tmp_path / "file"
    blocker.write_text("unchanged")
    assert run(wall, "--out", blocker / below) == 2
    assert "file" in capsys.readouterr().err
    assert blocker.read_text() == "unchanged"


def test_full_disk_is_one_sentence(
    wall: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("layermotion.edges.recording.Recording.append", full)
    assert run(wall, "--out", tmp_path / "out") == 2
    check_refusal(capsys, "No space left on device")
    assert not (tmp_path / "out").exists()


def check_refusal(capsys: pytest.CaptureFixture[str], part: str) -> None:
    streams = capsys.readouterr()
    assert streams.out == ""
    assert streams.err.startswith("layermotion: ") and streams.err.count("\n") == 1
    assert streams.err.endswith(".\n") and part in streams.err


def test_numbers_of_drawn_frames_fit_their_blocks() -> None:
    # The stand-in would otherwise answer with the truth of another frame.
    assert COUNT <= 2**BITS and COLUMNS % BITS == 0


def test_weights_of_unknown_error_are_refused_before_any_frame(
    tmp_path: Path, wall: Path, use: Use, capsys: pytest.CaptureFixture[str]
) -> None:
    class Unjudged(TruthSegmenter):
        def run(self, images: NDArray[np.uint8]) -> NoReturn:
            raise AssertionError("a frame was looked at")

    known = truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL)
    use(Unjudged(known.labels, known.grid, known.views, errors_px={}))
    assert run(wall, "--out", tmp_path / "out") == 2
    words = " ".join(capsys.readouterr().err.split())
    assert "is not known yet, so no interval can be given" in words
    assert "run: layermotion models calibrate standin-001" in words
