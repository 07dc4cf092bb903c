"""One bad source never ends the run of the others; a table names nothing outside its folder."""

import json
import os
import resource
from collections.abc import Callable
from pathlib import Path

import pytest
from standin import draw_frames, truth_segmenter, wall_labels, write_dicom
from visits import DrawnVisit, activation

import layermotion.clip.source
from layermotion.cli import main
from layermotion.clip import Clip
from layermotion.errors import InputError
from layermotion.labels import View
from layermotion.session.index import read_index
from layermotion.session.plan import read_plan

pytestmark = pytest.mark.usefixtures("plain_reports")


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.fixture
def breaks(monkeypatch: pytest.MonkeyPatch) -> Callable[[type[Exception]], None]:
    """Make opening a source of the name ``bad`` fail in a way that nobody foresaw."""

    def set_up(kind: type[Exception]) -> None:
        opens = layermotion.clip.source.open_clip

        def open_clip(source: Path, options: object, **more: object) -> Clip:
            if "bad" in source.name or "_2" in source.name:
                raise kind("words of a library that quote DOE JANE")
            return opens(source, options, **more)  # type: ignore[arg-type]

        for place in ("commands.measure", "clip.pair", "commands.listing"):
            monkeypatch.setattr(f"layermotion.{place}.open_clip", open_clip)

    return set_up


UNFORESEEN = [ZeroDivisionError, MemoryError]


@pytest.mark.parametrize("kind", UNFORESEEN)
def test_a_fault_nobody_foresaw_fails_one_source_of_measure(
    kind: type[Exception],
    tmp_path: Path,
    breaks: Callable[[type[Exception]], None],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    count = 12
    segmenter = truth_segmenter(wall_labels, activation()[:count] * 0 + 45, View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    breaks(kind)
    good = write_dicom(tmp_path / "good.dcm", draw_frames(count))
    bad = write_dicom(tmp_path / "bad.dcm", draw_frames(count))
    assert run("measure", bad, good, "--out", tmp_path / "out", "--no-overlay") == 1
    said = capsys.readouterr()
    assert said.out.count("report.html") == 1
    assert f"bad.dcm failed in a way that was not foreseen ({kind.__name__}" in said.err
    assert "DOE" not in said.err and "Traceback" not in said.err
    assert run("measure", bad, "--out", tmp_path / "other") == 2
    assert list(tmp_path.glob("other/*")) == []


def test_a_fault_nobody_foresaw_fails_one_recording_of_a_visit(
    tmp_path: Path,
    breaks: Callable[[type[Exception]], None],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.wall("left_draw_in_2.dcm", 22)
    drawn.wall("left_draw_in_1.dcm", 22)
    segmenter = drawn.segmenter()
    for place in ("session", "listing"):
        monkeypatch.setattr(f"layermotion.commands.{place}.load_in_use", lambda: segmenter)
    breaks(ZeroDivisionError)
    out = tmp_path / "out"
    assert run("session", drawn.folder, "--out", out, "--no-overlay") == 1
    assert "DOE" not in capsys.readouterr().err
    (failure,) = json.loads((out / "visit.json").read_text())["failures"]
    assert failure["name"] == "left-draw_in-2" and "not foreseen" in failure["reason"]
    assert run("session", drawn.folder, "--plan", tmp_path / "plan.csv") == 0
    assert "not foreseen (ZeroDivisionError" in (tmp_path / "plan.csv").read_text()


@pytest.mark.parametrize("name", ["left\n1\x1b[31mred\u202egpj.dcm", os.fsdecode(b"-caf\xe9.dcm")])
def test_odd_names_are_shown_in_one_plain_line(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    count = 12
    segmenter = truth_segmenter(wall_labels, activation()[:count] * 0 + 45, View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    source, out = tmp_path / name, tmp_path / "out"
    write_dicom(source, draw_frames(count))
    assert run("measure", source, "--out", out, "--no-overlay") == 0
    assert len(read_index(out)) == 1
    source.write_bytes(source.read_bytes()[:3000])
    capfd.readouterr()
    assert run("measure", source, "--out", out) == 2
    said = capfd.readouterr().err
    assert said.count("\n") == 1 and said[:-1].isprintable() and ".dcm" in said


def test_loops_of_links_are_named_or_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.wall("left_draw_in_1.dcm", 22)
    segmenter = drawn.segmenter()
    for place in ("session", "listing"):
        monkeypatch.setattr(f"layermotion.commands.{place}.load_in_use", lambda: segmenter)
    (drawn.folder / "around").symlink_to(drawn.folder)
    (drawn.folder / "itself").symlink_to(drawn.folder / "itself")
    # The output lies inside the input, as well.
    out = drawn.folder / "out"
    assert run("session", drawn.folder, "--plan", tmp_path / "plan.csv") == 0
    assert (tmp_path / "plan.csv").read_text().count("\n") == 2
    assert run("session", drawn.folder, "--out", out, "--no-overlay") == 0
    assert "around, itself" in capsys.readouterr().err
    (loop := drawn.folder / "left_draw_in_2.dcm").symlink_to(loop)
    assert run("session", drawn.folder, "--out", out, "--no-overlay") == 1
    assert "left_draw_in_2.dcm" in capsys.readouterr().err


def test_a_full_disk_is_one_sentence_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    count = 12
    segmenter = truth_segmenter(wall_labels, activation()[:count] * 0 + 45, View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    source, out = write_dicom(tmp_path / "clip.dcm", draw_frames(count)), tmp_path / "out"
    assert run("measure", source, "--out", out) == 0
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    capsys.readouterr()
    # A limit on the size of files stands for a disk without room.
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
    try:
        code = run("measure", source, "--out", out)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    said = capsys.readouterr().err
    assert code == 2 and said.count("\n") == 1 and "cannot be written" in said
    after = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert set(after) == set(before)


def test_a_place_where_nothing_can_be_written_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    source = write_dicom(tmp_path / "clip.dcm", draw_frames(12))
    segmenter = truth_segmenter(wall_labels, activation()[:12] * 0 + 45, View.ABDOMINAL_WALL)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
    assert run("measure", source, "--out", "/proc/none/out") == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "choose a folder that you may write to" in said


# -- tables of a visit ---------------------------------------------------------------------------


@pytest.fixture
def table(tmp_path: Path) -> Callable[[str], Path]:
    """Write a table that names one file, beside which a good one lies."""
    folder = tmp_path / "tables"
    folder.mkdir()
    write_dicom(folder / "clip.dcm", draw_frames(2))
    write_dicom(tmp_path / "outside.dcm", draw_frames(2))

    def write(file: str) -> Path:
        path = folder / "plan.csv"
        path.write_text(f"file,task,side,repeat\n{file},draw_in,left,1\n", encoding="utf-8")
        return path

    return write


def test_a_table_names_what_lies_below_it(table: Callable[[str], Path], tmp_path: Path) -> None:
    for name in ("clip.dcm", "./clip.dcm"):
        (item,) = read_plan(table(name), tmp_path / "out").items
        assert item.sources[0].samefile(tmp_path / "tables" / "clip.dcm")
    outside = tmp_path / "outside.dcm"
    for name in ("../outside.dcm", str(outside), "../tables/clip.dcm", "a/../../outside.dcm"):
        with pytest.raises(InputError, match=r"plan\.csv, row 2 .* outside the folder"):
            read_plan(table(name), tmp_path / "out")


@pytest.mark.parametrize("name", ["", "a" * 5000, "no\0ne.dcm", "gone.dcm", '"' + "b" * 200_000])
def test_a_name_that_cannot_be_is_one_sentence(name: str, table: Callable[[str], Path]) -> None:
    with pytest.raises(InputError, match=r"plan\.csv"):
        read_plan(table(name), Path("out"))


def test_a_list_is_not_written_where_it_could_not_name_its_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scans, aside = tmp_path / "scans", tmp_path / "lists" / "plan.csv"
    scans.mkdir()
    write_dicom(scans / "clip.dcm", draw_frames(2))
    assert run("session", scans, "--plan", aside) == 2
    sentence = capsys.readouterr().err
    assert sentence.count("\n") == 1 and f"give --plan {tmp_path / 'plan.csv'}" in sentence
    assert not aside.exists() and not os.path.exists(aside.parent)
