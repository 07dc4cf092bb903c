"""The local index links a result and its file; short names of clips never look like numbers."""

import csv
import hashlib
import itertools
import re
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import pytest
from standin import draw_frames
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.clip import clip_id_of
from layermotion.clip.pair import open_pair
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.errors import InputError
from layermotion.session.index import Entry, add_to_index, read_index

ONE = Entry("c0ffee123", "left-draw_in-1", "invented name.dcm")
NUMBER = re.compile(r"[+-]?\d+(\.\d*)?(e[+-]?\d+)?", re.IGNORECASE)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def lines_of(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


# -- the file ------------------------------------------------------------------------------------


def test_what_is_added_is_read_back(tmp_path: Path) -> None:
    assert read_index(tmp_path) == ()
    pair = [Entry("c1", "left-cough-1", name) for name in ('a "1", b.png', "c\nd.png")]
    add_to_index(tmp_path, [ONE])
    add_to_index(tmp_path, pair)
    assert read_index(tmp_path) == (ONE, *pair)


def test_it_is_merged_and_what_a_folder_held_before_goes(tmp_path: Path) -> None:
    add_to_index(tmp_path, [ONE])
    add_to_index(tmp_path, [ONE])
    copy = Entry(ONE.clip, ONE.folder, "the same pictures.dcm")
    add_to_index(tmp_path, [copy])
    assert read_index(tmp_path) == (ONE, copy)
    other = Entry("c1", ONE.folder, "another.dcm")
    add_to_index(tmp_path, [other])
    assert read_index(tmp_path) == (other,)


def test_only_its_owner_reads_it(tmp_path: Path) -> None:
    add_to_index(tmp_path, [ONE])
    assert stat.S_IMODE((tmp_path / "index.csv").stat().st_mode) == 0o600


def test_an_index_saved_by_a_spreadsheet_is_read(tmp_path: Path) -> None:
    text = "clip;folder;file\nc0ffee123;left-draw_in-1;invented name.dcm\n"
    (tmp_path / "index.csv").write_text(text, encoding="utf-8-sig")
    assert read_index(tmp_path) == (ONE,)


@pytest.mark.parametrize("text", ["", "page,word\n1,apple\n", "clip,folder,file\nc1,here\n"])
def test_another_file_of_that_name_is_not_overwritten(text: str, tmp_path: Path) -> None:
    (tmp_path / "index.csv").write_text(text)
    with pytest.raises(InputError, match=r"is no index of results; move it away, or .* --no-index"):
        add_to_index(tmp_path, [ONE])
    assert (tmp_path / "index.csv").read_text() == text


# -- through the commands ------------------------------------------------------------------------


@pytest.fixture
def visit(tmp_path: Path, plain_reports: None, monkeypatch: pytest.MonkeyPatch) -> DrawnVisit:
    drawn = DrawnVisit(tmp_path / "scans")
    for command in ("session", "measure"):
        monkeypatch.setattr(
            f"layermotion.commands.{command}.load_in_use", lambda: drawn.segmenter()
        )
    return drawn


def test_measure_notes_the_name_of_each_source(visit: DrawnVisit, tmp_path: Path) -> None:
    first, second = visit.wall("invented one.dcm", 20), visit.wall("invented two.dcm", 22)
    out = tmp_path / "out"
    assert run("measure", first, "--out", out, "--no-overlay", "--export", "fhir") == 0
    assert run("measure", second, "--out", out, "--no-overlay") == 0
    head, *rows = lines_of(out / "index.csv")
    assert head == ["clip", "folder", "file"]
    assert [row[2] for row in rows] == [first.name, second.name]
    for clip, folder, _ in rows:
        assert folder == f"clip-{clip}" and (out / folder / "report.html").exists()
    # What is handed on names no file.
    handed_on = [path for path in out.rglob("*") if path.is_file() and path.name != "index.csv"]
    assert any(path.name.endswith("fhir.json") for path in handed_on)
    assert b"invented" not in b"".join(path.read_bytes() for path in handed_on)
    assert str(tmp_path) not in (out / "index.csv").read_text(encoding="utf-8")


def test_a_visit_notes_both_stills_of_a_pair(visit: DrawnVisit, tmp_path: Path) -> None:
    visit.wall("left_draw_in_1.dcm", 20)
    visit.still("left_curl_up_1_rest.png", 45)
    visit.still("left_curl_up_1_contracted.png", 60)
    out = tmp_path / "out"
    options = ("--out", out, "--no-overlay", "--mm-per-pixel", "0.08,0.11")
    assert run("session", visit.folder, *options) == 0
    rows = lines_of(out / "index.csv")[1:]
    assert [row[1:] for row in rows] == [
        ["left-curl_up-1", "left_curl_up_1_rest.png"],
        ["left-curl_up-1", "left_curl_up_1_contracted.png"],
        ["left-draw_in-1", "left_draw_in_1.dcm"],
    ]
    before = (out / "index.csv").read_bytes()
    assert run("session", visit.folder, *options) == 0
    assert (out / "index.csv").read_bytes() == before


@pytest.mark.parametrize("command", ["measure", "session"])
def test_no_index_writes_none_and_changes_no_result(
    command: str, visit: DrawnVisit, tmp_path: Path
) -> None:
    clip = visit.wall("left_draw_in_1.dcm", 20)
    source = clip if command == "measure" else visit.folder
    results = []
    for name, more in (("with", ()), ("without", ("--no-index",))):
        out = tmp_path / name
        assert run(command, source, "--out", out, "--no-overlay", *more) == 0
        assert (out / "index.csv").exists() == (name == "with")
        (measures,) = out.rglob("measures.json")
        results.append(measures.read_bytes())
    assert results[0] == results[1]


def test_a_foreign_index_is_refused_before_any_work(
    visit: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip, out = visit.wall("left_draw_in_1.dcm", 20), tmp_path / "out"
    out.mkdir()
    (out / "index.csv").write_text("a,b\n")
    for command, source in (("measure", clip), ("session", visit.folder)):
        assert run(command, source, "--out", out) == 2
        assert "is no index of results" in capsys.readouterr().err
        assert [path.name for path in out.iterdir()] == ["index.csv"]


# -- short names ---------------------------------------------------------------------------------


@pytest.mark.parametrize("digest", ["12345678", "1234e567", "0000e000", "00000012", "3e000001"])
def test_a_digest_that_reads_as_a_number_gives_a_name_that_does_not(digest: str) -> None:
    assert NUMBER.fullmatch(digest)
    assert not NUMBER.fullmatch(clip_id_of(digest))


def test_no_clip_is_named_like_a_number(tmp_path: Path) -> None:
    path = tmp_path / "still.png"
    cv2.imwrite(str(path), draw_frames(1)[0])
    content = path.read_bytes()
    # Bytes after the picture change its hash alone; one in forty hashes begins like a number.
    ends = (str(number).encode() for number in itertools.count())
    unlucky = next(end for end in ends if hashlib.sha256(content + end).hexdigest()[:8].isdecimal())
    path.write_bytes(content + unlucky)
    clip_id = open_clip(path, SourceOptions()).clip_id
    assert re.fullmatch(r"c\d{8}", clip_id)


def test_a_pair_of_stills_is_named_alike(tmp_path: Path) -> None:
    drawn = DrawnVisit(tmp_path / "scans")
    pair = open_pair(drawn.still("a.png", 45), drawn.still("b.png", 60), SourceOptions())
    assert re.fullmatch(r"c[0-9a-f]{8}", pair.clip_id)


def test_two_writers_lose_no_entry(tmp_path: Path) -> None:
    count = 12

    def add(first: int) -> None:
        for number in range(first, first + count):
            add_to_index(tmp_path, [Entry(f"c{number}", f"clip-c{number}", "a.dcm")])

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(add, (0, count)))
    assert {entry.clip for entry in read_index(tmp_path)} == {f"c{n}" for n in range(2 * count)}
