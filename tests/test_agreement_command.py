"""The bench through the command line: a study in, report, figures and tables out."""

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from layermotion.agreement.drawing import SVG_NAMES, Drawing, finish
from layermotion.cli import main
from layermotion.session.detectable import read_detectable_changes

MEASURES = (("tra", "thickness_rest", 3.5), ("io", "thickness_rest", 8.0))


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def write_study(folder: Path) -> tuple[Path, Path]:
    """Two raters with SD 0.3 mm, a tool with SD 0.3 mm and a bias of 0.2 mm; 24 subjects."""
    rng = np.random.default_rng(12)
    manual = ["clip,subject,measure,structure,task,repeat,rater,value,unit"]
    auto = ["clip,measure,structure,task,repeat,value,unit,depth_mm,quality"]
    for subject in range(24):
        for structure, measure, mean in MEASURES:
            true = rng.normal(mean, 0.15 * mean)
            key = f"{measure},{structure},rest,1"
            for rater in ("A", "B"):
                value = true + rng.normal(0, 0.3)
                manual.append(f"c{subject},Jane Doe {subject},{key},{rater},{value:.4f},mm")
            value = true + 0.2 + rng.normal(0, 0.3)
            auto.append(
                f"c{subject},{key},{value:.4f},mm,{20 + true:.2f},{rng.uniform(0.5, 1):.2f}"
            )
    paths = folder / "manual.csv", folder / "auto.csv"
    for path, lines in zip(paths, (manual, auto), strict=True):
        path.write_text("\n".join(lines) + "\n")
    return paths


@pytest.fixture
def study(tmp_path: Path) -> tuple[Path, Path]:
    return write_study(tmp_path)


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Both tables of the study, and the results of comparing them with a margin of 2 mm."""
    folder = tmp_path_factory.mktemp("compared")
    manual, auto = write_study(folder)
    assert run("compare", manual, auto, "--margin", "2mm", "--out", folder / "out") == 0
    return manual, auto, folder / "out"


@pytest.fixture
def unprinted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compose every figure, but write none as SVG and PDF, which takes most of the time."""

    def compose(figure: Figure, name: str, description: str) -> Drawing:
        return Drawing(name, "<svg></svg>", b"%PDF", description)

    for module in ("plots", "reliability_plots"):
        monkeypatch.setattr(f"layermotion.agreement.{module}.finish", compose)


def figures(out: Path, structure: str = "tra") -> dict[tuple[str, str], dict[str, str]]:
    with (out / "figures.csv").open(newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["structure"] == structure]
    return {(row["comparison"], row["statistic"]): row for row in rows}


def test_comparison_writes_report_figures_and_tables(compared: tuple[Path, Path, Path]) -> None:
    *_, out = compared
    page = (out / "report.html").read_text()
    assert not re.search(r'(?:src|href)="(?!#|data:)', page)
    assert "http:" not in page and "https:" not in page
    assert "Jane Doe" not in page
    assert "intervals included, lie within the margin of 2.00\N{NO-BREAK SPACE}mm." in page
    assert "times as far from a rater as raters are from each other." in page
    assert "TrA thickness, rest, mm (24 subjects, 24 pairs)" in page
    assert "calliper values of 2 raters" in page
    assert "&lt; 0.001" in page
    names = {path.name for path in (out / "figures").iterdir()}
    for kind in ("difference", "regression", "subjects", "error"):
        for suffix in ("svg", "pdf"):
            assert f"tra-thickness-rest-mm-{kind}.{suffix}" in names
    svg = (out / "figures" / "tra-thickness-rest-mm-difference.svg").read_text()
    assert svg.startswith("<svg xmlns=") and "<image" not in svg
    assert (out / "figures" / "overview-mm.pdf").read_bytes().startswith(b"%PDF")
    with (out / "pairs.csv").open(newline="") as stream:
        pairs = list(csv.DictReader(stream))
    assert len(pairs) == 24 * 2 * 2
    assert all("Jane" not in value for row in pairs for value in row.values())


def test_figures_are_those_of_the_data(compared: tuple[Path, Path, Path]) -> None:
    manual, auto, out = compared
    found = figures(out)
    with manual.open(newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["structure"] == "tra"]
    with auto.open(newline="") as stream:
        tool = {
            r["clip"]: float(r["value"]) for r in csv.DictReader(stream) if r["structure"] == "tra"
        }
    mean = {
        clip: np.mean([float(row["value"]) for row in rows if row["clip"] == clip]) for clip in tool
    }
    difference = np.array([tool[clip] - mean[clip] for clip in tool])
    bias = found["auto - manual", "bias"]
    assert float(bias["value"]) == pytest.approx(difference.mean())
    assert float(bias["low"]) < 0.2 < float(bias["high"])
    lower = float(found["auto - manual", "lower limit of agreement, 1.96 SD"]["value"])
    assert lower == pytest.approx(difference.mean() - 1.959964 * difference.std(ddof=1))
    raters = found["raters", "SEM, consistency"]
    assert float(raters["low"]) < 0.3 < float(raters["high"])
    assert (bias["subjects"], bias["pairs"], bias["unit"]) == ("24", "24", "mm")


@pytest.mark.usefixtures("unprinted")
def test_ratio_analysis_gives_back_ratios(study: tuple[Path, Path], tmp_path: Path) -> None:
    for path in study:
        heading, *lines = path.read_text().splitlines()
        path.write_text("\n".join([heading, *(line for line in lines if ",tra," in line)]) + "\n")
    assert run("compare", *study, "--log", "--out", tmp_path / "out") == 0
    found = figures(tmp_path / "out")
    ratio = found["auto - manual", "ratio: bias"]
    assert ratio["unit"] == "ratio"
    assert float(ratio["value"]) == pytest.approx(1 + 0.2 / 3.5, abs=0.04)


def test_same_command_writes_the_same_files(
    compared: tuple[Path, Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    manual, auto, out = compared
    again = tmp_path / "again"

    def print_some(figure: Figure, name: str, description: str) -> Drawing:
        if name in ("overview-mm", "tra-thickness-rest-mm-subjects"):
            return finish(figure, name, description)
        path = out / "figures" / name
        svg = path.with_suffix(".svg").read_text().replace(f"<svg {SVG_NAMES} ", "<svg ", 1)
        pdf = path.with_suffix(".pdf").read_bytes()
        return Drawing(name, svg.removesuffix("\n"), pdf, description)

    # Two figures of the same bytes show it for all, which are printed by one function.
    monkeypatch.setattr("layermotion.agreement.plots.finish", print_some)
    assert run("compare", manual, auto, "--margin", "2mm", "--out", again) == 0
    assert capsys.readouterr().out.strip() == str(again / "report.html")
    names = {path.relative_to(out) for path in out.rglob("*.*")}
    assert names == {path.relative_to(again) for path in again.rglob("*.*")}
    for name in names:
        assert (out / name).read_bytes() == (again / name).read_bytes(), name


@pytest.mark.usefixtures("unprinted")
def test_repeats_of_a_subject_switch_to_the_repeated_method(
    study: tuple[Path, Path], tmp_path: Path
) -> None:
    manual, auto = study
    lines = manual.read_text().splitlines()
    # Twelve subjects with two clips each.
    lines = [
        re.sub(r"Jane Doe (\d+)", lambda m: f"Jane Doe {int(m[1]) // 2}", line) for line in lines
    ]
    manual.write_text("\n".join(lines) + "\n")
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0
    found = figures(tmp_path / "out")
    assert "SD within subjects" in {statistic for _, statistic in found}
    assert "Passing-Bablok&#39;s line takes the mean" in (tmp_path / "out/report.html").read_text()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--margin", "2"), "--margin 2 is not possible; give a number above zero with its unit"),
        (("--margin", "-1mm"), "--margin -1mm is not possible"),
        (("--margin", "1mm", "--margin", "2mm"), "--margin is given twice for mm; keep one."),
        (("--error-ratio", "0"), "--error-ratio 0 is not possible"),
    ],
)
def test_impossible_option_is_one_sentence(
    arguments: tuple[str, ...],
    sentence: str,
    study: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run("compare", *study, "--out", tmp_path / "out", *arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"layermotion: {sentence}")
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_equal_values_and_ratios_of_zero_are_refused(
    study: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manual, auto = study
    text = manual.read_text()
    manual.write_text(re.sub(r",[\d.]+,mm", ",3.0,mm", text))
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 2
    assert "All manual values of tra thickness_rest are equal" in capsys.readouterr().err


@pytest.mark.usefixtures("unprinted")
def test_one_measure_that_cannot_be_compared_does_not_stop_the_others(
    study: tuple[Path, Path], tmp_path: Path
) -> None:
    manual, auto = study
    lines = manual.read_text().splitlines()
    manual.write_text(
        "\n".join(line for line in lines if ",io," not in line or line.startswith("c3,")) + "\n"
    )
    out = tmp_path / "out"
    assert run("compare", manual, auto, "--out", out) == 0
    assert not figures(out, "io") and figures(out, "tra")
    assert "Left out: manual.csv has one subject for io thickness_rest" in (
        out / "report.html"
    ).read_text().replace("&#39;", "'")
    assert (out / "unmatched.csv").read_text().count("Its measure was left out") == 3


@pytest.mark.usefixtures("unprinted")
def test_values_without_a_logarithm_are_analysed_as_differences(
    study: tuple[Path, Path], tmp_path: Path
) -> None:
    for path in study:
        text = path.read_text().replace("thickness_rest,tra", "thickness_change,tra")
        path.write_text(re.sub(r"(tra,rest,1,(?:A,|B,)?)(\d)", r"\1-\2", text))
    out = tmp_path / "out"
    assert run("compare", *study, "--log", "--out", out) == 0
    assert ("auto - manual", "bias") in figures(out, "tra")
    assert ("auto - manual", "ratio: bias") in figures(out, "io")
    assert (
        "have no logarithm, so differences were analysed here" in (out / "report.html").read_text()
    )


@pytest.mark.usefixtures("unprinted")
def test_nothing_that_was_there_is_replaced(
    study: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manual, auto = study
    kept = tmp_path / "visit" / "report.html"
    kept.parent.mkdir()
    kept.write_text("<html>signed</html>")
    assert run("compare", manual, auto, "--out", kept.parent) == 2
    assert "is a report of another command" in capsys.readouterr().err
    assert [path.name for path in kept.parent.iterdir()] == ["report.html"]
    kept.unlink()
    kept.mkdir()
    assert run("compare", manual, auto, "--out", kept.parent) == 2
    assert "is a report of another command" in capsys.readouterr().err
    kept.rmdir()
    (kept.parent / "outliers.csv").write_text("my,own,notes\n")
    assert run("compare", manual, auto, "--out", kept.parent) == 2
    assert "outliers.csv is no file that this command wrote" in capsys.readouterr().err
    assert (kept.parent / "outliers.csv").read_text() == "my,own,notes\n"
    own = manual.rename(tmp_path / "pairs.csv")
    before = own.read_text()
    assert run("compare", own, auto, "--out", tmp_path) == 2
    assert "pairs.csv would be replaced by the results" in capsys.readouterr().err
    assert own.read_text() == before
    out = tmp_path / "out"
    assert run("compare", own, auto, "--out", out) == 0
    page = (out / "report.html").read_bytes()
    capsys.readouterr()
    # A run that fails leaves the earlier results as they were; one that works renews them.
    own.write_text(before + "c1,Jane Doe 1,thickness_rest,tra,rest,1,A,3.0,mm\n")
    assert run("compare", own, auto, "--out", out) == 2
    assert (out / "report.html").read_bytes() == page
    own.write_text(before)
    assert run("compare", own, auto, "--log", "--out", out) == 0
    assert (out / "report.html").read_bytes() != page


@pytest.mark.usefixtures("unprinted")
def test_copied_values_and_unused_margins_are_pointed_out(
    study: tuple[Path, Path], tmp_path: Path
) -> None:
    manual, auto = study
    values = {}
    for line in auto.read_text().splitlines()[1:]:
        cells = line.split(",")
        values[cells[0], cells[2]] = cells[5]
    lines = [line.split(",") for line in manual.read_text().splitlines()]
    for cells in lines[1:]:
        cells[7] = f"{float(values[cells[0], cells[3]]) + 0.5:.4f}"
    manual.write_text("\n".join(map(",".join, lines)) + "\n")
    out = tmp_path / "out"
    assert run("compare", manual, auto, "--margin", "5%", "--out", out) == 0
    page = (out / "report.html").read_text()
    assert page.count("check that neither table was made from the other") == 2
    assert "not normally distributed" not in page
    assert "The margin of 5 % was not used: no measure has that unit." in page


@pytest.mark.usefixtures("unprinted")
@pytest.mark.usefixtures("unprinted")
def test_three_subjects_of_two_sizes_are_compared(tmp_path: Path) -> None:
    manual, auto = tmp_path / "m.csv", tmp_path / "a.csv"
    manual.write_text("clip,structure,value,unit\na,tra,3,mm\nb,tra,3,mm\nc,tra,4,mm\n")
    auto.write_text("clip,structure,value,unit\na,tra,3.1,mm\nb,tra,2.9,mm\nc,tra,4.2,mm\n")
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0


@pytest.mark.usefixtures("unprinted")
def test_sides_and_sessions_stand_in_the_table_of_pairs(
    study: tuple[Path, Path], tmp_path: Path
) -> None:
    manual, auto = study
    lines = manual.read_text().splitlines()
    manual.write_text(
        "\n".join([lines[0] + ",side,session", *(f"{line},L,2" for line in lines[1:])]) + "\n"
    )
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0
    with (tmp_path / "out" / "pairs.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {(row["side"], row["session"]) for row in rows} == {("left", "2")}


@pytest.mark.parametrize("command", ["compare", "reliability"])
def test_missing_package_is_one_sentence(
    command: str,
    study: tuple[Path, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert run(command, *study, "--out", tmp_path / "out") == 2
    assert capsys.readouterr().err == (
        "layermotion: Studies need scipy, which is not installed; it comes with the study extra: "
        "pip install 'layermotion[study]'.\n"
    )


def repeats_table(path: Path) -> Path:
    rng = np.random.default_rng(13)
    lines = ["subject,session,placement,rater,measure,structure,repeat,value,unit"]
    for subject in range(12):
        own = rng.normal(3.5, 0.8)
        for session in (1, 2):
            day = rng.normal(0, 0.2)
            for repeat in (1, 2, 3):
                value = own + day + rng.normal(0, 0.25)
                lines.append(
                    f"Jane Doe {subject},{session},1,A,thickness_rest,tra,{repeat},{value:.4f},mm"
                )
    path.write_text("\n".join(lines) + "\n")
    return path


def test_reliability_writes_its_report_and_saves_the_change(tmp_path: Path) -> None:
    table, out = repeats_table(tmp_path / "repeats.csv"), tmp_path / "out"
    assert run("reliability", table, "--out", out, "--save", tmp_path / "own.json") == 0
    page = (out / "report.html").read_text()
    assert "Jane Doe" not in page
    assert "a change between two single values of the same rater must exceed" in page
    found = read_detectable_changes(tmp_path / "own.json").find("thickness_rest", "tra", "mm")
    assert found is not None
    true = 1.96 * math.sqrt(2) * math.hypot(0.2, 0.25)
    assert found.smallest_detectable_change == pytest.approx(true, rel=0.3)
    with (out / "figures.csv").open(newline="") as stream:
        rows = {row["figure"] for row in csv.DictReader(stream)}
    assert {"variance, session", "variance, residual", "MDC95, same rater"} <= rows
    assert not any("any rater" in row or "placement" in row for row in rows)


@pytest.mark.usefixtures("unprinted")
def test_reliability_takes_values_from_the_tool(tmp_path: Path) -> None:
    rng = np.random.default_rng(14)
    design, auto = ["clip,subject,session"], ["clip,measure,structure,repeat,value,unit"]
    for subject in range(6):
        own = rng.normal(3.5, 0.8)
        for session in (1, 2):
            design.append(f"c{subject}{session},S{subject},{session}")
            auto += [
                f"c{subject}{session},thickness_rest,tra,{repeat},{own + rng.normal(0, 0.2):.3f},mm"
                for repeat in (1, 2)
            ]
    auto.append("unknown,thickness_rest,tra,1,3.0,mm")
    auto += [f"c{i}1,onset_time,tra,{repeat},0.{i}{repeat},s" for i in (1, 2) for repeat in (1, 2)]
    for name, lines in (("design.csv", design), ("auto.csv", auto)):
        (tmp_path / name).write_text("\n".join(lines) + "\n")
    out = tmp_path / "out"
    assert run("reliability", tmp_path / "design.csv", tmp_path / "auto.csv", "--out", out) == 0
    page, unmatched = (out / "report.html").read_text(), (out / "unmatched.csv").read_text()
    assert "24 values" in page
    assert "auto,clip unknown,The clip is not in the table." in unmatched
    # A time that was measured in two subjects stops no other measure.
    assert "Left out: The table has 2 subjects for tra onset_time; reliability needs" in page
    assert unmatched.count("Its measure was left out; see the notes.") == 4


def test_doubled_row_of_a_reliability_table_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = repeats_table(tmp_path / "repeats.csv")
    lines = table.read_text().splitlines()
    table.write_text("\n".join([*lines, lines[1]]) + "\n")
    assert run("reliability", table, "--out", tmp_path / "out") == 2
    assert "rows 2 and 74 give the same measurement twice" in capsys.readouterr().err


@pytest.mark.usefixtures("unprinted")
def test_sides_and_tasks_are_no_error(tmp_path: Path) -> None:
    rng = np.random.default_rng(15)
    lines = ["subject,side,task,measure,structure,repeat,value,unit"]
    for subject in range(30):
        own = rng.normal(5, 0.8)
        for side in ("L", "R"):
            true = own + rng.normal(0, 1.0)
            for task, more in (("draw_in", 2.0), ("curl_up", 0.0)):
                lines += [
                    f"S{subject},{side},{task},thickness_contracted,tra,{repeat},"
                    f"{true + more + rng.normal(0, 0.25):.4f},mm"
                    for repeat in (1, 2)
                ]
    table = tmp_path / "sides.csv"
    table.write_text("\n".join(lines) + "\n")
    out = tmp_path / "out"
    assert run("reliability", table, "--out", out) == 0
    with (out / "figures.csv").open(newline="") as stream:
        rows = {(row["figure"], row["repeats"]): row for row in csv.DictReader(stream)}
    sem = rows["SEM, same rater", "1"]
    assert float(sem["low"]) < 0.25 < float(sem["high"])
    assert float(sem["value"]) == pytest.approx(0.25, rel=0.15)


@pytest.mark.usefixtures("unprinted")
def test_clips_count_as_placements_where_none_is_stated(tmp_path: Path) -> None:
    rng = np.random.default_rng(16)
    design = ["clip;subject;side"]
    auto = ["clip,measure,structure,repeat,value,unit"]
    for subject in range(20):
        own = rng.normal(5, 0.8)
        for clip in (1, 2, 3):
            place = own + rng.normal(0, 0.5)
            design.append(f"c{subject}-{clip};S{subject};R")
            auto += [
                f"c{subject}-{clip},thickness_rest,tra,{repeat},{place + rng.normal(0, 0.2):.4f},mm"
                for repeat in (1, 2, 3)
            ]
    for name, lines in (("design.csv", design), ("auto.csv", auto)):
        (tmp_path / name).write_text("\n".join(lines) + "\n")
    out = tmp_path / "out"
    assert run("reliability", tmp_path / "design.csv", tmp_path / "auto.csv", "--out", out) == 0
    with (out / "figures.csv").open(newline="") as stream:
        rows = {(row["figure"], row["repeats"]): float(row["value"] or "nan")
                for row in csv.DictReader(stream)}  # fmt: skip
    assert rows["variance, placement", "1"] == pytest.approx(0.25, rel=0.5)
    apart = rows["SEM, same rater, probe placed anew for each repeat", "4"]
    assert apart == pytest.approx(rows["SEM, same rater", "1"] / 2)
    assert "probe placed anew each time" in (out / "report.html").read_text()


def test_saving_over_the_table_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = repeats_table(tmp_path / "repeats.csv")
    before = table.read_bytes()
    assert run("reliability", table, "--out", tmp_path / "out", "--save", table) == 2
    assert "repeats.csv exists and holds no smallest" in capsys.readouterr().err
    assert table.read_bytes() == before and not (tmp_path / "out").exists()


def test_one_value_in_another_unit_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = repeats_table(tmp_path / "repeats.csv")
    lines = table.read_text().splitlines()
    cells = lines[8].split(",")
    cells[7] = f"{float(cells[7]) / 10:.4f}"
    table.write_text("\n".join([*lines[:8], ",".join(cells), *lines[9:]]) + "\n")
    assert run("reliability", table, "--out", tmp_path / "out") == 2
    assert "repeats.csv row 9: about 10 times the middle of the subject's values, or a 10th" in (
        capsys.readouterr().err
    )
