"""A whole visit through the command line: drawn clips and stills, a stand-in knows their truth."""

import csv
import html
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from standin import no_whole_picture
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.commands import session as command
from layermotion.commands.session import COLUMNS
from layermotion.session.against import LARGER, UNKNOWN, WITHIN

# Invented; must not leave this machine unless kept.
PATIENT = "Invented^Patient"
OPTIONS = ("--no-overlay", "--mm-per-pixel", "0.08,0.11")
ROW_MM = 0.08
FILES = {"series.csv", "measures.csv", "measures.json", "report.html", "key-frames.jpg"}


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["session", *(str(argument) for argument in arguments)])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def use(patch: pytest.MonkeyPatch, visit: DrawnVisit) -> None:
    patch.setattr("layermotion.commands.session.load_in_use", lambda: visit.segmenter())


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def pick(rows: list[dict[str, str]], **wanted: str) -> dict[str, str]:
    (row,) = [row for row in rows if all(row[name] == value for name, value in wanted.items())]
    return row


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> DrawnVisit:
    """Draw both sides, two repeats of one, all that is compared, and stills in both forms."""
    drawn = DrawnVisit(tmp_path_factory.mktemp("drawn") / "visit")
    drawn.wall("left_draw_in_1.dcm", 22, PatientName=PATIENT, PatientID="INV-7")
    drawn.wall("left_draw_in_2.dcm", 24)
    drawn.wall("right_draw_in_1.dcm", 8)
    drawn.bladder("midline_cough_1.dcm", -60)
    drawn.bladder("midline_cough_prelift_1.dcm", -20)
    drawn.still("left_curl_up_1_rest.png", 45)
    drawn.still("left_curl_up_1_contracted.png", 60)
    drawn.split("right_curl_up_1_contracted+rest.png", 63, 45)
    return drawn


@pytest.fixture(scope="module")
def out(visit: DrawnVisit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Measure the visit once for all tests that only read."""
    folder = tmp_path_factory.mktemp("measured") / "out"
    with pytest.MonkeyPatch.context() as patch:
        use(patch, visit)
        assert run(visit.folder, "--out", folder, *OPTIONS) == 0
    return folder


# -- what is written -----------------------------------------------------------------------------


def test_visit_gives_a_folder_for_each_recording_and_three_files(out: Path) -> None:
    names = {path.name for path in out.iterdir()}
    recordings = {
        "left-draw_in-1",
        "left-draw_in-2",
        "right-draw_in-1",
        "midline-cough-1",
        "midline-cough_prelift-1",
        "left-curl_up-1",
        "right-curl_up-1",
    }
    files = {"visit.csv", "visit.json", "visit.html", "index.csv", ".identity.json"}
    assert names == recordings | files
    for name in recordings:
        assert {path.name for path in (out / name).iterdir()} == FILES


def test_table_and_json_hold_the_same_rows(out: Path) -> None:
    rows = rows_of(out / "visit.csv")
    document = json.loads((out / "visit.json").read_text(encoding="utf-8"))
    assert tuple(rows[0]) == COLUMNS
    assert {row.pop("caution") for row in rows} == {"draft, not a medical device"}
    assert "until a licensed clinician confirms it" in document["caution"]
    assert document["schema_version"].split(".")[0] == "2"
    assert document["provenance"]["weights"] == "standin-001"
    assert document["failures"] == []
    assert "changes" not in document
    for row, record in zip(rows, document["rows"], strict=True):
        assert {name: "" if record[name] is None else str(record[name]) for name in row} == row


def test_means_and_sides_follow_from_the_repeats(out: Path) -> None:
    rows = rows_of(out / "visit.csv")
    key = {"task": "draw_in", "structure": "tra", "measure": "thickness_change", "unit": "mm"}
    first, second, mean = (
        pick(rows, side="left", repeat=repeat, **key) for repeat in ("1", "2", "mean")
    )
    assert float(first["value"]) == pytest.approx(22 * ROW_MM, abs=0.12)
    assert float(mean["value"]) == pytest.approx(
        (float(first["value"]) + float(second["value"])) / 2, abs=2e-4
    )
    assert mean["repeats"] == "2"
    right = pick(rows, side="right", repeat="mean", **key)
    assert (right["repeats"], right["low"]) == (
        "1",
        pick(rows, side="right", repeat="1", **key)["low"],
    )
    difference = pick(rows, side="left-right", repeat="mean", **key)
    expected = float(mean["value"]) - float(right["value"])
    assert float(difference["value"]) == pytest.approx(expected, abs=2e-4)
    half, own = ((float(row["high"]) - float(row["low"])) / 2 for row in (difference, right))
    errors = [(float(row["high"]) - float(row["low"])) / 2 for row in (first, second)]
    # Two repeats and one: one degree of freedom, standard error s times the root of 1/2 + 1/1.
    spread = abs(float(first["value"]) - float(second["value"])) / 2**0.5
    scatter = 12.706 * spread * 1.5**0.5
    assert half == pytest.approx((own**2 + (sum(errors) / 2) ** 2 + scatter**2) ** 0.5, abs=2e-3)


def test_onset_within_a_clip_has_no_mean(out: Path) -> None:
    rows = rows_of(out / "visit.csv")
    onsets = [row["repeat"] for row in rows if row["measure"] == "onset_time"]
    assert set(onsets) == {"1", "2"}
    hold = pick(rows, measure="hold_time", side="left", task="draw_in", repeat="mean")
    assert (hold["unit"], hold["value"]) == ("s", "")
    assert hold["reason"].startswith("Two times have no mean") and "record three" in hold["reason"]
    page = (out / "visit.html").read_text(encoding="utf-8")
    assert page.count(html.escape(hold["reason"])) == 1
    # The table still shows both.
    both = [
        pick(rows, measure="hold_time", side="left", task="draw_in", repeat=repeat)["value"]
        for repeat in ("1", "2")
    ]
    shown = " · ".join(f"{float(value):.1f}" for value in both)
    assert re.search(rf">no mean<.{{0,60}}<small>{re.escape(shown)} s</small>", page)


def test_lift_beforehand_lessens_the_descent(out: Path) -> None:
    rows = rows_of(out / "visit.csv")
    effect = pick(rows, measure="prelift_effect")
    assert (effect["task"], effect["side"]) == ("cough_prelift-cough", "midline")
    assert float(effect["value"]) == pytest.approx(40 * ROW_MM, abs=0.4)
    assert float(effect["low"]) > 0
    page = (out / "visit.html").read_text(encoding="utf-8")
    assert (
        "Cough: with a lift beforehand the bladder base descended less far than without it" in page
    )


def test_pictures_are_of_a_recording_that_shows_the_effort_and_name_it(
    tmp_path: Path, plain_reports: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn, out = DrawnVisit(tmp_path / "visit"), tmp_path / "out"
    for number, rise in enumerate((0, 22, 20), start=1):
        drawn.wall(f"left_draw_in_{number}.dcm", rise)
    use(monkeypatch, drawn)
    with no_whole_picture():
        assert run(drawn.folder, "--out", out, *OPTIONS) == 0
    page = (out / "visit.html").read_text(encoding="utf-8")
    # On the first page and in the appendix.
    named = re.findall(r"<figcaption><b>(.*?)</b>", page)
    assert named == ["Left, draw-in, recording 2"] * 2


def test_stills_give_rest_against_contraction(out: Path) -> None:
    rows = rows_of(out / "visit.csv")
    for side, rise in (("left", 15), ("right", 18)):
        change = pick(
            rows,
            side=side,
            task="curl_up",
            structure="tra",
            measure="thickness_change",
            unit="mm",
            repeat="1",
        )
        assert float(change["value"]) == pytest.approx(rise * ROW_MM, abs=0.15)
        assert "one still image each" in change["method"]
    page = (out / "right-curl_up-1" / "report.html").read_text(encoding="utf-8")
    assert "the left image is stated to show contracted, the right rest" in page


def test_page_claims_a_difference_only_beyond_its_interval(out: Path) -> None:
    page = (out / "visit.html").read_text(encoding="utf-8")
    rows = rows_of(out / "visit.csv")
    assert page.index("DRAFT") < page.index("What was seen")
    for words in ("not a medical device", "Left, draw-in: TrA alone", "Name and licence"):
        assert words in page
    for row in rows:
        if row["side"] == "left-right" and row["measure"] == "thickness_rest":
            assert float(row["low"]) <= 0 <= float(row["high"])
    assert "at rest was thicker" not in page and "at rest was thinner" not in page
    assert "http" not in page.replace("http-equiv", "")
    # One picture for each task and side, within the page, and two of them in the record.
    assert page.count('<img src="data:image/jpeg;base64,') == 6 + 2


# -- nothing is lost, nothing is done twice ------------------------------------------------------


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the ways of measuring, in the order of their use; ``stop`` ends the next one."""
    used: list[str] = []

    def note(kind: str, original: Callable[..., object]) -> Callable[..., object]:
        def measure(*arguments: object) -> object:
            if used and used[-1] == "stop":
                raise KeyboardInterrupt
            used.append(kind)
            return original(*arguments)

        return measure

    for kind, original in (("clip", command.analyse), ("pair", command.analyse_pair)):
        name = "analyse" if kind == "clip" else "analyse_pair"
        monkeypatch.setattr(f"layermotion.commands.session.{name}", note(kind, original))
    return used


def test_finished_recordings_are_not_measured_again(
    visit: DrawnVisit,
    out: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    measured: list[str],
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(out, copy)
    use(monkeypatch, visit)
    assert run(visit.folder, "--out", copy, *OPTIONS) == 0
    assert measured == []
    assert (copy / "visit.csv").read_bytes() == (out / "visit.csv").read_bytes()
    # What a kill in the middle of a recording leaves: the last file is missing.
    (copy / "left-curl_up-1" / "measures.json").unlink()
    assert run(visit.folder, "--out", copy, *OPTIONS) == 0
    assert measured == ["pair"]
    # Other settings are another measurement.
    only = tmp_path / "only"
    only.mkdir()
    shutil.copy(visit.folder / "right_draw_in_1.dcm", only)
    assert run(only, "--out", copy, "--no-overlay", "--site", "image-centre") == 0
    assert measured == ["pair", "clip"]


def test_stopped_visit_goes_on_where_it_was(
    visit: DrawnVisit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, measured: list[str]
) -> None:
    use(monkeypatch, visit)
    folder, out = tmp_path / "visit", tmp_path / "out"
    folder.mkdir()
    for name in ("left_draw_in_1.dcm", "right_draw_in_1.dcm"):
        shutil.copy(visit.folder / name, folder)
    original = command.read_recorded

    def read_then_stop(*arguments: Any) -> object:
        measured.append("stop")
        return original(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr("layermotion.commands.session.read_recorded", read_then_stop)
        assert run(folder, "--out", out, *OPTIONS) == 130
    assert {path.name for path in out.iterdir() if path.is_dir()} == {"left-draw_in-1"}
    assert measured.pop() == "stop"
    assert run(folder, "--out", out, *OPTIONS) == 0
    assert measured == ["clip", "clip"]
    assert {path.name for path in (out / "right-draw_in-1").iterdir()} == FILES


# -- tables --------------------------------------------------------------------------------------


def test_table_names_files_settings_and_repeats(
    visit: DrawnVisit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(monkeypatch, visit)
    shutil.copy(visit.folder / "left_draw_in_1.dcm", tmp_path / "one.dcm")
    table = tmp_path / "visit.csv"
    table.write_text(
        "file;task;side;repeat;view;mm_per_pixel;site\n"
        "one.dcm;draw in;Right;3;abdominal_wall;0.08,0.11;image-centre\n",
        encoding="utf-8-sig",
    )
    out = tmp_path / "out"
    assert run(table, "--out", out, "--no-overlay") == 0
    row = pick(rows_of(out / "visit.csv"), measure="thickness_rest", structure="tra", repeat="3")
    assert (row["side"], row["task"]) == ("right", "draw_in")
    assert "centre line of the image area" in row["method"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("file,task,side\none.dcm,draw_in,left\n", "lacks repeat; its columns are file, task"),
        ("file,task,side,repeat,mood\n", "has the column 'mood'; its columns are"),
        ("file,task,side,repeat\nnone.dcm,draw_in,left,1\n", "row 2 names the file 'none.dcm'"),
        (
            "file,task,side,repeat\none.dcm,juggle,left,1\n",
            "'juggle' as task; choose rest, draw_in",
        ),
        ("file,task,side,repeat\none.dcm,draw_in,up,1\n", "'up' as side; choose left, right"),
        ("file,task,side,repeat\none.dcm,draw_in,left,0\n", "row 2 has the repeat '0'"),
        ("file,task,side,repeat\none.dcm,draw_in,left,1,x\n", "has more values than"),
        (
            "file,task,side,repeat\none.dcm,draw_in,left,1\ntwo.dcm,draw_in,left,1\n",
            "row 2 and visit.csv, row 3 both stand for repeat 1 of draw_in, left; count",
        ),
        (
            "file,task,side,repeat,shows\none.dcm,draw_in,left,1,rest\n",
            "shows rest without its still that shows contracted",
        ),
        (
            "file,task,side,repeat,mm_per_pixel\none.dcm,draw_in,left,1,9\n",
            "visit.csv, row 2: A row spacing of 9 mm per pixel is not possible",
        ),
        ("file,task,side,repeat,fps\none.dcm,draw_in,left,1,fast\n", "'fast' as fps; give a"),
        ("", "lacks file, task, side, repeat"),
        ("file,task,side,repeat\n", "visit.csv holds no recordings"),
    ],
)
def test_table_that_does_not_fit_is_one_sentence(
    text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("one.dcm", "two.dcm"):
        (tmp_path / name).write_bytes(b"nothing")
    table = tmp_path / "visit.csv"
    table.write_text(text, encoding="utf-8")
    assert run(table, "--out", tmp_path / "out") == 2
    check_sentence(capsys, words)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "name",
    ["clip.dcm", "left_juggle_1.dcm", "left_draw_in.dcm", "left_draw_in_0.dcm", "up_draw_in_1.dcm"],
)
def test_file_that_does_not_fit_the_pattern_is_one_sentence(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "visit"
    folder.mkdir()
    (folder / name).write_bytes(b"nothing")
    (folder / ".hidden").write_bytes(b"left out")
    assert run(folder, "--out", folder / "out") == 2
    check_sentence(capsys, f"{name} does not say what it shows; name each file SIDE_TASK_REPEAT")


# -- recordings that fail ------------------------------------------------------------------------


def test_failed_recordings_are_named_and_the_others_written(
    visit: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(monkeypatch, visit)
    folder = tmp_path / "visit"
    folder.mkdir()
    shutil.copy(visit.folder / "left_draw_in_1.dcm", folder)
    shutil.copy(visit.folder / "left_draw_in_1.dcm", folder / "left_draw_in_2.dcm")
    (folder / "right_draw_in_1.dcm").write_bytes(b"not a clip")
    shutil.copy(visit.folder / "left_curl_up_1_rest.png", folder / "left_strain_1.png")
    shutil.copy(
        visit.folder / "left_curl_up_1_rest.png", folder / "left_cough_1_rest+contracted.png"
    )
    out = tmp_path / "out"
    assert run(folder, "--out", out, *OPTIONS) == 1
    lines = capsys.readouterr().err.splitlines()
    errors = [line for line in lines if " of " not in line.split(":")[0]]
    assert len(errors) == 4 and all(line.startswith("layermotion: ") for line in errors)
    assert any("(left-draw_in-2) holds the same pictures as left-draw_in-1" in e for e in errors)
    assert any("left_strain_1.png is a single image of a task; say what" in e for e in errors)
    assert any("does not show two images side by side" in e for e in errors)
    document = json.loads((out / "visit.json").read_text(encoding="utf-8"))
    assert {failure["name"] for failure in document["failures"]} == {
        "left-draw_in-2",
        "right-draw_in-1",
        "left-strain-1",
        "left-cough-1",
    }
    page = (out / "visit.html").read_text(encoding="utf-8")
    assert "The recording left-strain-1 could not be measured." in page


@pytest.mark.parametrize("keep", [False, True])
def test_names_of_files_and_people_stay_out_of_the_visit(
    keep: bool,
    visit: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(monkeypatch, visit)
    shutil.copy(visit.folder / "left_draw_in_1.dcm", tmp_path / "invented-name-1.dcm")
    (tmp_path / "invented-name-2.dcm").write_bytes(b"not a clip")
    table = tmp_path / "visit.csv"
    table.write_text(
        "file,task,side,repeat\ninvented-name-1.dcm,draw_in,left,1\n"
        "invented-name-2.dcm,draw_in,left,2\n"
    )
    out = tmp_path / "out"
    assert run(table, "--out", out, *OPTIONS, *(["--keep-identifiers"] if keep else [])) == 1
    # On the screen the file is named, so that it can be found.
    assert "invented-name-2.dcm" in capsys.readouterr().err
    # The index is for this computer, and names the files in any case.
    files = [path for path in out.rglob("*") if path.is_file() and path.name != "index.csv"]
    written = b"".join(path.read_bytes() for path in files)
    assert (b"invented-name" in written) == keep
    # With identifiers the head of the record names the person.
    assert (PATIENT.replace("^", " ").encode() in written) == keep
    assert (b"INV-7" in written) == keep
    assert not [path for path in files if "invented" in str(path.relative_to(out))]


def test_nothing_measurable_is_code_two(
    visit: DrawnVisit,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(monkeypatch, visit)
    folder = tmp_path / "visit"
    folder.mkdir()
    (folder / "left_draw_in_1.dcm").write_bytes(b"not a clip")
    assert run(folder, "--out", tmp_path / "out") == 2
    last = capsys.readouterr().err.splitlines()[-1]
    assert last == "layermotion: None of the 1 recordings could be measured; see above."
    assert not (tmp_path / "out").exists()


# -- against an earlier visit --------------------------------------------------------------------


@pytest.fixture
def earlier(out: Path, tmp_path: Path) -> Path:
    """Move the values of this visit: muscles thinner by 2 mm, their change 10 points less."""
    folder = tmp_path / "earlier"
    folder.mkdir()
    document = json.loads((out / "visit.json").read_text(encoding="utf-8"))
    for row in document["rows"]:
        moved = {("thickness_rest", "mm"): 2.0, ("thickness_change", "%"): 10.0}
        step = moved.get((row["measure"], row["unit"]), 0.5)
        if row["value"] is not None:
            for name in ("value", "low", "high"):
                row[name] -= step
    document["provenance"]["weights"] = "standin-000"
    for recording in document["recordings"]:
        recording["clip"] = f"e{recording['clip'][1:]}"
    (folder / "visit.json").write_text(json.dumps(document), encoding="utf-8")
    return folder


def test_change_is_judged_by_published_values_and_says_where_there_are_none(
    visit: DrawnVisit, out: Path, earlier: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(monkeypatch, visit)
    again = tmp_path / "again"
    shutil.copytree(out, again)
    assert run(visit.folder, "--out", again, "--against", earlier, *OPTIONS) == 0
    changes = rows_of(again / "changes.csv")
    assert {row["caution"] for row in changes} == {"draft, not a medical device"}
    key = {"side": "left", "task": "draw_in", "structure": "tra"}
    rest = pick(changes, measure="thickness_rest", **key)
    assert float(rest["change"]) == pytest.approx(2.0, abs=1e-3)
    assert (rest["detectable"], rest["verdict"]) == ("1.1", LARGER)
    assert "Costa" in rest["source"] and "leg force task" in rest["source"]
    percent = pick(changes, measure="thickness_change", unit="%", **key)
    assert (float(percent["detectable"]), percent["verdict"]) == (41.0, WITHIN)
    base = pick(changes, task="cough", measure="base_displacement")
    assert (base["detectable"], base["verdict"], base["source"]) == ("", UNKNOWN, "")
    assert not [row for row in changes if row["side"] == "left-right"]
    page = (again / "visit.html").read_text(encoding="utf-8")
    words = "Left, draw-in: TrA at rest was thicker than at the earlier visit, by 2.0"
    assert words in page
    assert "found by hand in other people" in page and "no smallest detectable change is" in page
    assert "measured with other weights (standin-000, now standin-001)" in page
    # Without an earlier visit the file of changes goes.
    assert run(visit.folder, "--out", again, *OPTIONS) == 0
    assert not (again / "changes.csv").exists()


def test_clinics_own_values_come_before_published_ones(
    visit: DrawnVisit, out: Path, earlier: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(monkeypatch, visit)
    own = tmp_path / "own.json"
    change = {
        "measure": "thickness_rest",
        "structure": "tra",
        "unit": "mm",
        "sem": 0.9,
        "subjects": 20,
        "observations": 80,
    }
    single = {**change, "repeats": 1, "raters": "one", "smallest_detectable_change": 2.5}
    mean = {**change, "repeats": 2, "raters": "one", "smallest_detectable_change": 1.8}
    document = {
        "schema": "layermotion-detectable-change",
        "schema_version": "1.0",
        "source": "the clinic's own reliability study, 20 subjects",
        "changes": [single, mean],
    }
    own.write_text(json.dumps(document), encoding="utf-8")
    again = tmp_path / "again"
    shutil.copytree(out, again)
    assert (
        run(visit.folder, "--out", again, "--against", earlier, "--detectable", own, *OPTIONS) == 0
    )
    changes = rows_of(again / "changes.csv")
    key = {"task": "draw_in", "structure": "tra", "measure": "thickness_rest"}
    left, right = (pick(changes, side=side, **key) for side in ("left", "right"))
    # The left side has two repeats at both visits, the right side one.
    assert (left["detectable"], left["verdict"]) == ("1.8", LARGER)
    assert (right["detectable"], right["verdict"]) == ("2.5", WITHIN)
    assert left["source"].startswith("the clinic's own reliability study, 20 subjects; mean of 2")
    fallback = pick(changes, side="left", task="draw_in", structure="io", measure="thickness_rest")
    assert "Costa" in fallback["source"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "holds no visit.json; give a folder that layermotion session wrote"),
        ("{", "is not a visit of layermotion session"),
        ('{"schema_version": "9.0"}', "has schema version 9.0, where 2.0 is read"),
    ],
)
def test_unusable_earlier_visit_is_one_sentence(
    content: str | None,
    words: str,
    visit: DrawnVisit,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder = tmp_path / "earlier"
    folder.mkdir()
    if content is not None:
        (folder / "visit.json").write_text(content)
    assert run(visit.folder, "--out", tmp_path / "out", "--against", folder) == 2
    check_sentence(capsys, words)


def test_a_visit_is_not_compared_with_itself(
    visit: DrawnVisit,
    out: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(monkeypatch, visit)
    assert run(visit.folder, "--out", out, "--against", out, *OPTIONS) == 2
    check_sentence(capsys, "holds the earlier visit; give --out another folder for this one.")
    again = tmp_path / "again"
    shutil.copytree(out, again)
    assert run(visit.folder, "--out", again, "--against", out, *OPTIONS) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert said.startswith("layermotion: left-curl_up-1, left-draw_in-1, left-draw_in-2, right-")
    assert said.endswith("recording of the earlier visit; give each visit its own recordings.")


def test_results_that_are_not_of_the_visit_are_named(
    visit: DrawnVisit,
    out: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    use(monkeypatch, visit)
    again = tmp_path / "again"
    shutil.copytree(out, again)
    assert run(visit.folder, "--out", again, *OPTIONS) == 0
    assert "also holds results" not in capsys.readouterr().err
    shutil.copytree(again / "left-draw_in-1", again / "left-draw_in-7")
    assert run(visit.folder, "--out", again, *OPTIONS) == 0
    assert "again also holds results that are not of this visit: left-draw_in-7; remove them" in (
        capsys.readouterr().err
    )


def test_names_of_pictures_in_a_folder_stay_out_of_the_results(
    visit: DrawnVisit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(monkeypatch, visit)
    folder = tmp_path / "visit"
    sequence = folder / "left_draw_in_1"
    sequence.mkdir(parents=True)
    good = (visit.folder / "left_curl_up_1_rest.png").read_bytes()
    (sequence / "Invented_Patient_1.png").write_bytes(good)
    (sequence / "Invented_Patient_11.png").write_bytes(good[: len(good) // 2])
    shutil.copy(visit.folder / "left_draw_in_1.dcm", folder / "left_draw_in_2.dcm")
    assert run(folder, "--out", tmp_path / "out", "--fps", "20", *OPTIONS) == 1
    for name in ("visit.json", "visit.html"):
        text = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert "left-draw_in-1 is a damaged image" in text and "Invented" not in text


def test_own_values_without_an_earlier_visit_are_refused(
    visit: DrawnVisit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own.json"
    own.write_text("{}")
    assert run(visit.folder, "--out", tmp_path / "out", "--detectable", own) == 2
    check_sentence(capsys, "judge two visits; give --against as well")


def check_sentence(capsys: pytest.CaptureFixture[str], words: str) -> None:
    streams = capsys.readouterr()
    assert streams.out == ""
    assert streams.err.startswith("layermotion: ") and streams.err.count("\n") == 1
    assert words in streams.err and streams.err.endswith(".\n")
