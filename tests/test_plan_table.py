"""What a visit folder holds: its order, what is left out, and the table that helps with names."""

import csv
import shutil
from pathlib import Path

import pytest
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.clip.acquired import acquired_at
from layermotion.clip.kinds import is_recording
from layermotion.errors import InputError
from layermotion.labels import Task
from layermotion.session.order import in_order
from layermotion.session.plan import Item, Settings, Side, read_plan

OUT = Path("no-such-output")


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["session", *(str(argument) for argument in arguments)])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.fixture
def visit(tmp_path: Path, plain_reports: None, monkeypatch: pytest.MonkeyPatch) -> DrawnVisit:
    """Draw a small visit; the commands answer with its stand-in."""
    drawn = DrawnVisit(tmp_path / "scans")
    for command in ("session", "listing"):
        monkeypatch.setattr(
            f"layermotion.commands.{command}.load_in_use", lambda: drawn.segmenter()
        )
    return drawn


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_folder_holds_what_the_table_in_it_says(tmp_path: Path) -> None:
    (tmp_path / "one.dcm").write_bytes(b"clip")
    (tmp_path / "left_draw_in_7.dcm").write_bytes(b"not listed")
    (tmp_path / "plan.csv").write_text("file,task,side,repeat\none.dcm,cough,midline,2\n")
    (found,) = read_plan(tmp_path, OUT).items
    assert (found.side, found.task, found.repeat) == (Side.MIDLINE, Task.COUGH, 2)
    assert found.sources == (tmp_path / "one.dcm",)


# -- order ---------------------------------------------------------------------------------------


def item(side: Side, task: Task, repeat: int) -> Item:
    return Item(side, task, repeat, (Path(f"{side}_{task}_{repeat}.dcm"),), None, Settings())


CURL, DRAW, COUGH = Task.CURL_UP, Task.DRAW_IN, Task.COUGH
LISTED = (
    item(Side.MIDLINE, COUGH, 1),
    item(Side.RIGHT, CURL, 1),
    item(Side.LEFT, CURL, 2),
    item(Side.LEFT, CURL, 1),
    item(Side.LEFT, DRAW, 10),
    item(Side.LEFT, DRAW, 9),
)


def test_sides_come_first_and_repeats_rise() -> None:
    placed = in_order(LISTED, {one.sources[0]: None for one in LISTED})
    assert [one.name for one in placed] == [
        "left-curl_up-1",
        "left-curl_up-2",
        "left-draw_in-9",
        "left-draw_in-10",
        "right-curl_up-1",
        "midline-cough-1",
    ]


def test_tasks_stand_as_they_were_recorded() -> None:
    # The draw-in came first, though a later repeat of it followed the curl-up.
    times = ["5", "4", "3", "2", "9", "1"]
    known = {one.sources[0]: time for one, time in zip(LISTED, times, strict=True)}
    placed = in_order(LISTED, known)
    assert [one.name for one in placed][:4] == [
        "left-draw_in-9",
        "left-draw_in-10",
        "left-curl_up-1",
        "left-curl_up-2",
    ]
    # Where one recording of the side states no time, times decide nothing.
    known[LISTED[4].sources[0]] = None
    assert in_order(LISTED, known)[0].name == "left-curl_up-1"


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        (
            {"AcquisitionDateTime": "20260102101500.5+0100"},
            {"AcquisitionDateTime": "20260102101501+0100"},
        ),
        (
            {"AcquisitionDate": "20260102", "AcquisitionTime": "0959"},
            {"AcquisitionDateTime": "20260102101500"},
        ),
        (
            {"ContentDate": "20260102", "ContentTime": "101500"},
            {"ContentDate": "20260102", "ContentTime": "101500.25"},
        ),
    ],
)
def test_times_of_recordings_sort_by_time(
    earlier: dict[str, str], later: dict[str, str], tmp_path: Path
) -> None:
    drawn = DrawnVisit(tmp_path / "scans")
    first, second = drawn.wall("a.dcm", 8, **earlier), drawn.wall("b.dcm", 8, **later)
    one, other = acquired_at(first), acquired_at(second)
    assert one is not None and other is not None and one < other


def test_what_states_no_time_has_none(tmp_path: Path) -> None:
    drawn = DrawnVisit(tmp_path / "scans")
    still = drawn.still("a.png", 45)
    undated = drawn.wall("b.dcm", 8, ContentTime="101500")
    assert acquired_at(still) is None and acquired_at(undated) is None


def test_a_visit_is_measured_and_written_in_order(visit: DrawnVisit, tmp_path: Path) -> None:
    day = {"ContentDate": "20260102"}
    visit.wall("right_draw_in_1.dcm", 20, **day, ContentTime="100500")
    visit.wall("left_curl_up_1.dcm", 20, **day, ContentTime="100300")
    visit.wall("left_draw_in_1.dcm", 21, **day, ContentTime="100200")
    out = tmp_path / "out"
    assert run(visit.folder, "--out", out, "--no-overlay") == 0
    names = list(dict.fromkeys((row["side"], row["task"]) for row in rows_of(out / "visit.csv")))
    assert names[:3] == [("left", "draw_in"), ("left", "curl_up"), ("right", "draw_in")]
    written = b"".join(path.read_bytes() for path in out.rglob("*") if path.is_file())
    assert b"100300" not in written and b"20260102" not in written


# -- what is no recording ------------------------------------------------------------------------


def other_dicom(path: Path, kind: str) -> Path:
    """DICOM file without a picture."""
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID = kind
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID = "2.25.1"
    dataset.save_as(path, enforce_file_format=True)
    return path


def test_stray_files_are_named_and_left_out(
    visit: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    visit.wall("left_draw_in_1.dcm", 20)
    stray = {
        "Thumbs.db": b"\xd0\xcf\x11\xe0",
        ".DS_Store": b"\0\0\0\1Bud1",
        "notes.txt": b"Left side first.",
        "letter.pdf": b"%PDF-1.7",
        "left_draw_in_1.txt": b"A note that bears the name of a recording.",
    }
    for name, content in stray.items():
        (visit.folder / name).write_bytes(content)
    (visit.folder / "old").mkdir()
    other_dicom(visit.folder / "DICOMDIR", "1.2.840.10008.1.3.10")
    other_dicom(visit.folder / "report.dcm", "1.2.840.10008.5.1.4.1.1.88.33")
    out = tmp_path / "out"
    assert run(visit.folder, "--out", out, "--no-overlay") == 0
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("layermotion: Left out, since they are no recordings: ")
    named = set(line.rstrip(".").partition("recordings: ")[2].split(", "))
    assert named == {*stray, "old", "DICOMDIR", "report.dcm"}


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("clip.dcm", b""),
        ("scan.mp4", b"cut off"),
        ("IM0001", b"\x89PNG\r\n\x1a\n"),
        ("export", b"\0\0\0\x20ftypisom"),
        ("clip.weird", b"RIFF\0\0\0\0AVI LIST"),
        ("IM0002", bytes(128) + b"DICM"),
    ],
)
def test_a_recording_with_another_name_stops_the_visit(
    name: str, content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "scans"
    folder.mkdir()
    (folder / name).write_bytes(content)
    assert run(folder, "--out", tmp_path / "out") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{name} does not say what it shows; name each file SIDE_TASK_REPEAT" in line
    assert "layermotion session scans --plan plan.csv writes one to fill in." in line


def test_folders_of_images_are_recordings_and_results_are_none(tmp_path: Path) -> None:
    drawn = DrawnVisit(tmp_path / "sequence")
    drawn.still("a.png", 45)
    assert is_recording(drawn.folder)
    (drawn.folder / "measures.json").write_text("{}")
    assert not is_recording(drawn.folder)


@pytest.mark.parametrize("name", ["left_cough_1.ts", "left_cough_1.M2TS", "IM0003"])
def test_transport_streams_are_recordings(name: str, tmp_path: Path) -> None:
    packet = b"G" + bytes(187)
    (tmp_path / name).write_bytes(packet * 3)
    assert is_recording(tmp_path / name)
    (tmp_path / "notes").write_bytes(b"G" + b"ood pictures. " * 40)
    assert not is_recording(tmp_path / "notes")


def test_a_file_of_unknown_kind_with_the_name_of_a_recording_is_kept(tmp_path: Path) -> None:
    (tmp_path / "left_draw_in_1.vol").write_bytes(b"something")
    plan = read_plan(tmp_path, OUT)
    assert [one.name for one in plan.items] == ["left-draw_in-1"] and plan.left_out == ()


# -- naming help ---------------------------------------------------------------------------------


def test_the_table_says_what_is_there_and_runs_once_filled_in(
    visit: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    visit.wall("IM2", 20, ContentDate="20260102", ContentTime="100500")
    visit.bladder("IM10.dcm", 40, ContentDate="20260102", ContentTime="100200")
    visit.wall("left_draw_in_2.dcm", 24, ContentDate="20260102", ContentTime="100900")
    (visit.folder / "notes.txt").write_text("Left side first.")
    table = tmp_path / "plan.csv"
    assert run(visit.folder, "--plan", table) == 0
    said = capsys.readouterr()
    assert said.out == f"{table}\n"
    assert said.err.startswith("layermotion: Left out, since they are no recordings: notes.txt.\n")
    rows = rows_of(table)
    # In the order of recording, which is written nowhere.
    assert [row["file"] for row in rows] == [
        "scans/IM10.dcm",
        "scans/IM2",
        "scans/left_draw_in_2.dcm",
    ]
    assert "2026" not in table.read_text(encoding="utf-8")
    assert [row["view_recognised"] for row in rows] == ["bladder", *["abdominal_wall"] * 2]
    for row in rows:
        # 34 frames, 125 ms apart.
        assert (row["frames"], row["seconds"], row["view"], row["note"]) == ("34", "4.1", "", "")
        assert float(row["probability"]) == pytest.approx(0.96, abs=0.01)
    named = [(row["side"], row["task"], row["repeat"]) for row in rows]
    assert named == [("midline", "", ""), ("", "", ""), ("left", "draw_in", "2")]
    # Not filled in, it is refused by its row.
    assert run(table, "--out", tmp_path / "out") == 2
    assert "plan.csv, row 2 has no task; fill it in, or delete" in capsys.readouterr().err
    for row, filled in zip(rows, ("midline cough 1", "left draw_in 1"), strict=False):
        row["side"], row["task"], row["repeat"] = filled.split()
    with table.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    out = tmp_path / "out"
    assert run(table, "--out", out, "--no-overlay") == 0
    assert {path.name for path in out.iterdir() if path.is_dir()} == {
        "left-draw_in-1",
        "left-draw_in-2",
        "midline-cough-1",
    }


def test_what_cannot_be_read_has_a_note(visit: DrawnVisit, tmp_path: Path) -> None:
    visit.still("picture.png", 45)
    (visit.folder / "broken.mp4").write_bytes(b"not a video")
    below = visit.folder / "monday" / "IM1.dcm"
    below.parent.mkdir()
    shutil.copy(visit.wall("IM1.dcm", 20), below)
    table = tmp_path / "plan.csv"
    assert run(visit.folder, "--plan", table) == 0
    rows = {row["file"]: row for row in rows_of(table)}
    assert set(rows) == {
        f"scans/{name}" for name in ("picture.png", "broken.mp4", "IM1.dcm", "monday/IM1.dcm")
    }
    broken, still = rows["scans/broken.mp4"], rows["scans/picture.png"]
    assert "cannot be read as a video" in broken["note"] and broken["frames"] == ""
    assert (still["frames"], still["seconds"]) == ("1", "")
    assert still["note"] == "no pixel size in the file: fill in mm_per_pixel or depth_mm"


def test_a_table_is_never_overwritten(
    visit: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    visit.wall("IM1.dcm", 20)
    table = tmp_path / "plan.csv"
    table.write_text("filled in")
    assert run(visit.folder, "--plan", table) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "plan.csv is there already" in line and "another name" in line
    assert table.read_text() == "filled in"


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder: folder / "clip.dcm", "clip.dcm is a file; give --plan a folder"),
        (lambda folder: folder / "empty", "empty holds no recordings"),
    ],
)
def test_a_table_needs_a_folder_with_recordings(
    make: object, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "clip.dcm").write_bytes(b"nothing")
    (tmp_path / "empty").mkdir()
    assert callable(make)
    assert run(make(tmp_path), "--plan", tmp_path / "plan.csv") == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "plan.csv").exists()


def test_without_a_folder_for_results_both_ways_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path) == 2
    assert capsys.readouterr().err == (
        "layermotion: Give --out a folder for the results, or --plan a table to write.\n"
    )


def test_informative_columns_take_no_part(tmp_path: Path) -> None:
    (tmp_path / "one.dcm").write_bytes(b"nothing")
    table = tmp_path / "visit.csv"
    table.write_text(
        "file,task,side,repeat,frames,seconds,view_recognised,probability,note\n"
        "one.dcm,draw_in,left,1,many,x,knee,2,see the letter\n"
    )
    (found,) = read_plan(table, OUT).items
    assert (found.name, found.settings) == ("left-draw_in-1", Settings())
    table.write_text("file,task,side,repeat,mood\none.dcm,draw_in,left,1,good\n")
    with pytest.raises(InputError, match="has the column 'mood'"):
        read_plan(table, OUT)
