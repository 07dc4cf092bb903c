"""What a paper takes from the bench: one weighting, one number a person, flow, outliers, words."""

import csv
import json
import re
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from test_agreement_command import figures, run, unprinted

__all__ = ["unprinted"]

HEADING = "clip,subject,measure,structure,task,repeat,rater,value,unit"
AUTO = "clip,measure,structure,task,repeat,value,unit"


def write(path: Path, heading: str, rows: list[str]) -> Path:
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    return path


def study(
    folder: Path, raters: tuple[str, ...] = ("A", "B"), subjects: int = 15, clips: int = 1
) -> tuple[Path, Path]:
    """Each rater with SD 0.3 mm, a tool with SD 0.3 mm and a bias of 0.2 mm."""
    rng = np.random.default_rng(21)
    manual, auto = [], []
    for subject in range(subjects):
        own = rng.normal(5, 1)
        for clip in range(clips):
            key = f"c{subject}-{clip}"
            true = own + rng.normal(0, 0.2)
            for rater in raters:
                manual.append(
                    f"{key},S{subject},thickness_rest,tra,rest,1,{rater},"
                    f"{true + rng.normal(0, 0.3):.4f},mm"
                )
            auto.append(f"{key},thickness_rest,tra,rest,1,{true + 0.2 + rng.normal(0, 0.3):.4f},mm")
    return write(folder / "manual.csv", HEADING, manual), write(folder / "auto.csv", AUTO, auto)


def page_of(out: Path) -> str:
    text = (out / "report.html").read_text(encoding="utf-8")
    return re.sub(r"\s+", " ", text.replace("&#39;", "'").replace("&#34;", '"'))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.usefixtures("unprinted")
def test_bias_and_its_test_against_the_margin_weigh_alike(tmp_path: Path) -> None:
    # Two subjects with ten clips each read 0.8 mm more, twelve with one clip hardly differ.
    rng = np.random.default_rng(1)
    manual, auto = [], []
    for subject in range(14):
        for clip in range(10 if subject < 2 else 1):
            value = 5 + subject / 5 + rng.normal(0, 0.05)
            more = (0.8 if subject < 2 else 0.05) + rng.normal(0, 0.02)
            key = f"c{subject}-{clip}"
            manual.append(f"{key},S{subject},thickness_rest,tra,rest,1,A,{value:.3f},mm")
            auto.append(f"{key},thickness_rest,tra,rest,1,{value + more:.3f},mm")
    paths = write(tmp_path / "m.csv", HEADING, manual), write(tmp_path / "a.csv", AUTO, auto)
    assert run("compare", *paths, "--margin", "0.35mm", "--out", tmp_path / "out") == 0
    found = figures(tmp_path / "out")
    bias = float(found["auto - manual", "bias"]["value"])
    assert bias > 0.35
    assert float(found["auto - manual", "p of equivalence"]["value"]) > 0.5
    interval = found["auto - manual", "bias, 90 % interval of the two tests"]
    assert float(interval["value"]) == bias
    assert float(interval["low"]) < bias < float(interval["high"])
    page = page_of(tmp_path / "out")
    assert "The mean lies within the margin" not in page
    assert "Each pair counts once in the bias" in page


@pytest.mark.usefixtures("unprinted")
def test_a_person_has_one_number_in_all_measures(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    manual, auto, owner = [], [], {}
    for structure, order in (("tra", range(8)), ("io", reversed(range(8))), ("eo", (3, 7, 1, 5))):
        for subject in order:
            value = rng.uniform(3, 9)
            key = f"thickness_rest,{structure},rest,1"
            owner[f"c{subject}"] = subject
            manual.append(f"c{subject},S{subject},{key},A,{value:.3f},mm")
            auto.append(f"c{subject},{key},{value + rng.normal(0, 0.2):.3f},mm")
    paths = write(tmp_path / "m.csv", HEADING, manual), write(tmp_path / "a.csv", AUTO, auto)
    assert run("compare", *paths, "--out", tmp_path / "out") == 0
    people = defaultdict(set)
    for row in rows_of(tmp_path / "out" / "pairs.csv"):
        people[row["subject"]].add(owner[row["clip"]])
    assert len(people) == 8 and all(len(own) == 1 for own in people.values())


@pytest.mark.usefixtures("unprinted")
def test_error_against_one_rater_stands_beside_that_against_their_mean(tmp_path: Path) -> None:
    paths = study(tmp_path, ("A", "B", "C", "D"), 60)
    assert run("compare", *paths, "--out", tmp_path / "out") == 0
    found = figures(tmp_path / "out")
    single = float(found["auto and one rater", "MDC95"]["value"])
    mean = float(found["auto and manual mean", "MDC95"]["value"])
    # By clip and rater: 1.96 times the root mean square difference, from a rater or their mean.
    difference = np.reshape(
        [float(row["difference"]) for row in rows_of(tmp_path / "out" / "pairs.csv")], (60, 4)
    )
    assert single == pytest.approx(1.96 * (difference**2).mean() ** 0.5)
    assert mean == pytest.approx(1.96 * (difference.mean(axis=1) ** 2).mean() ** 0.5)
    assert single > 1.1 * mean
    page = page_of(tmp_path / "out")
    assert "against one rater" in page and "against the mean of the raters" in page
    for rater in "ABCD":
        assert ("auto and " + rater, "ICC(2,1) = ICC(A,1)") in found
        assert ("auto and " + rater, "SEM") in found


@pytest.mark.usefixtures("unprinted")
def test_absence_of_a_difference_to_raters_is_not_called_likeness(tmp_path: Path) -> None:
    paths = study(tmp_path)
    out = tmp_path / "out"
    assert run("compare", *paths, "--out", out) == 0
    page = page_of(out)
    assert "cannot be told apart" not in page
    assert "times as far from a rater as raters are from each other" in page
    assert run("compare", *paths, "--ratio-margin", "5", "--out", out) == 0
    assert "This shows that it is no worse than another rater (stated factor 5)" in page_of(out)
    assert run("compare", *paths, "--ratio-margin", "1.01", "--out", out) == 0
    assert "This does not show that it is no worse than another rater" in page_of(out)


@pytest.mark.usefixtures("unprinted")
@pytest.mark.parametrize(
    ("subjects_of_b", "words", "cell"),
    [
        ((3,), "Two raters measured one subject alone, too few to set the tool against", "1."),
        ((), "", "nothing in common"),
    ],
)
def test_raters_of_different_people_are_not_said_to_agree(
    subjects_of_b: tuple[int, ...], words: str, cell: str, tmp_path: Path
) -> None:
    manual, auto = study(tmp_path, subjects=12)
    lines = manual.read_text().splitlines()
    kept = [lines[0]]
    for line in lines[1:]:
        number = int(re.findall(r"S(\d+)", line)[0])
        is_first = ",A," in line
        if number < 6 and is_first or (number >= 6 or number in subjects_of_b) and not is_first:
            kept.append(line)
    manual.write_text("\n".join(kept) + "\n")
    out = tmp_path / "out"
    assert run("compare", manual, auto, "--out", out) == 0
    page = page_of(out)
    assert "The raters agree exactly" not in page and words in page and cell in page
    assert '<td class="number">one rater</td>' not in page
    found = figures(out).get(("rater to rater", "distance"))
    assert (found is not None) == bool(subjects_of_b)
    if found:
        assert (found["subjects"], found["pairs"]) == ("1", "1")


@pytest.mark.usefixtures("unprinted")
def test_every_interval_named_in_a_caution_is_in_the_figures(tmp_path: Path) -> None:
    paths = study(tmp_path, clips=3)
    assert run("compare", *paths, "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    found = figures(tmp_path / "out")
    assert 'those marked "by subject"' not in page
    assert "bootstrap" not in page
    slope = found["auto - manual", "Passing-Bablok slope"]
    assert "means of subjects" in slope["method"] and slope["pairs"] == "15"


@pytest.mark.usefixtures("unprinted")
def test_limits_of_one_reading_are_wider_than_those_of_the_mean_of_readings(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(5)
    manual, auto = [], []
    for subject in range(40):
        true = rng.normal(5, 1)
        for reading in (1, 2, 3):
            value = true + rng.normal(0, 0.5)
            manual.append(f"c{subject},S{subject},thickness_rest,tra,rest,1,A,{reading},{value},mm")
        auto.append(f"c{subject},thickness_rest,tra,rest,1,{true + rng.normal(0, 0.2)},mm")
    heading = HEADING.replace("rater,", "rater,reading,")
    paths = write(tmp_path / "m.csv", heading, manual), write(tmp_path / "a.csv", AUTO, auto)
    assert run("compare", *paths, "--out", tmp_path / "out") == 0
    found = figures(tmp_path / "out")
    one = found["auto - A, one reading", "SD of differences"]
    mean = found["auto - manual", "SD of differences"]
    # Bland and Altman 1999, section 5.1: 2/3 of the variance within readings is added.
    within = float(found["A again", "SEM, same rater"]["value"])
    expected = (float(mean["value"]) ** 2 + 2 / 3 * within**2) ** 0.5
    assert float(one["value"]) == pytest.approx(expected)
    upper = found["auto - A, one reading", "upper limit of agreement, 1.96 SD"]
    assert float(upper["low"]) < 1.96 * (0.2**2 + 0.5**2) ** 0.5 < float(upper["high"])


@pytest.mark.usefixtures("unprinted")
def test_rater_rows_count_the_subjects_that_they_rest_on(tmp_path: Path) -> None:
    manual, auto = study(tmp_path, subjects=12)
    lines = manual.read_text().splitlines()
    # The second rater measured seven of twelve.
    kept = [x for x in lines if ",B," not in x or int(re.findall(r"S(\d+)", x)[0]) < 7]
    manual.write_text("\n".join(kept) + "\n")
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0
    for (comparison, _), row in figures(tmp_path / "out").items():
        if comparison == "raters":
            assert (row["subjects"], row["pairs"]) == ("7", "7")
        if comparison in ("auto and B", "auto - B"):
            assert (row["subjects"], row["pairs"]) == ("7", "7")


@pytest.mark.usefixtures("unprinted")
def test_page_accounts_for_every_value_and_describes_the_rest(tmp_path: Path) -> None:
    manual, _ = study(tmp_path, ("A",), 8)
    results = tmp_path / "results"
    for number in range(8):
        folder = results / f"clip-c{number}-0"
        folder.mkdir(parents=True)
        value = None if number < 2 else 5.0 + number / 3
        (folder / "measures.json").write_text(
            json.dumps(
                {
                    "clip": f"c{number}-0",
                    "software": "layermotion 0.2.0",
                    "weights": "layers-001",
                    "weights SHA-256": "ab" * 32,
                    "cautions": [],
                    "measures": [
                        {
                            "name": "thickness_rest", "structure": "tra", "task": "rest",
                            "repeat": "1", "value": value, "unit": "mm", "status": "draft",
                            "reason": "" if value else "Shadow over the muscle.", "frames": "0-3",
                            "low": None, "high": None, "method": "Median.",
                        }
                    ],
                }
            )
        )  # fmt: skip
    out = tmp_path / "out"
    assert run("compare", manual, results, "--out", out) == 0
    (row,) = rows_of(out / "flow.csv")
    assert (row["attempted"], row["withheld"], row["analysed"]) == ("8", "2", "6")
    assert row["reasons"] == "Shadow over the muscle.: 2"
    page = page_of(out)
    assert "layers-001" in page and "ab" * 32 in page and "numpy" in page and "scipy" in page
    found = figures(out)
    assert float(found["auto", "mean"]["value"]) == pytest.approx(np.mean(5 + np.arange(2, 8) / 3))
    for name in ("SD", "smallest", "largest"):
        assert ("manual", name) in found and ("auto", name) in found
    other = results / "clip-c3-0" / "measures.json"
    other.write_text(other.read_text().replace("ab" * 32, "cd" * 32))
    assert run("compare", manual, results, "--out", out) == 2


@pytest.mark.usefixtures("unprinted")
def test_outlying_differences_are_listed_with_their_clip(tmp_path: Path) -> None:
    manual, auto = study(tmp_path, ("A",), 40)
    auto.write_text(
        "\n".join(
            re.sub(r"[\d.]+,mm$", "9.9,mm", line) if line.startswith("c7-") else line
            for line in auto.read_text().splitlines()
        )
        + "\n"
    )
    out = tmp_path / "out"
    assert run("compare", manual, auto, "--out", out) == 0
    listed = rows_of(out / "outliers.csv")
    assert "c7-0" in {row["clip"] for row in listed} and len(listed) < 4
    assert "c7-0" in page_of(out)


@pytest.mark.usefixtures("unprinted")
def test_methods_leave_blanks_for_what_only_the_researcher_knows(tmp_path: Path) -> None:
    paths = study(tmp_path)
    assert run("compare", *paths, "--margin", "1mm", "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    methods = page.split("<h2>Methods</h2>")[1]
    for blank in ("how subjects were found", "blinded", "trained", "scanner", "before the data"):
        assert re.search(rf"<mark>\[[^\]]*{blank}[^\]]*\]</mark>", methods), blank
    assert "The margin was stated beforehand" not in page
    for word in ("Shapiro-Wilk", "two one-sided tests at 5 %", "jackknife", "95 %"):
        assert word in methods


@pytest.mark.usefixtures("unprinted")
def test_ratio_of_errors_is_estimated_where_subjects_give_repeats(tmp_path: Path) -> None:
    paths = study(tmp_path, ("A",), 60, clips=3)
    assert run("compare", *paths, "--out", tmp_path / "out") == 0
    ratio = figures(tmp_path / "out")["auto - manual", "ratio of error variances, from repeats"]
    assert float(ratio["low"]) < 1 < float(ratio["high"])


@pytest.mark.usefixtures("unprinted")
def test_one_rater_is_called_one(tmp_path: Path) -> None:
    assert run("compare", *study(tmp_path, raters=("A",)), "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    assert re.search(r"mm (more|less) than the rater \(", page)
    assert "Tool minus the rater." in page and "Tool : rater" not in page
    shown = page[: page.index("Methods</h2>")]
    assert not re.search("the raters|of raters|and raters|each rater", shown)


@pytest.mark.usefixtures("unprinted")
def test_every_interval_says_its_level_and_how_it_was_found(tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run("compare", *study(tmp_path), "--margin", "2mm", "--out", out) == 0
    page = page_of(out)
    assert "Interval, 95 % unless stated" in page
    assert "Shown: the limits, their intervals included, lie within the margin of 2.00 mm." in page
    # A mean has a t interval, whatever stands for the limits beside it.
    methods = {row["method"] for row in rows_of(out / "figures.csv") if row["statistic"] == "bias"}
    assert methods == {"mean difference, t interval by subject"}


@pytest.mark.usefixtures("unprinted")
@pytest.mark.parametrize(
    ("measure", "structure", "shift", "words"),
    [
        ("base_displacement", "bladder", -0.8, "farther towards descent than the rater"),
        ("base_displacement", "bladder", 0.8, "farther towards lift than the rater"),
        ("slide", "tra", -0.8, "farther medially than the rater"),
        ("thickness_change", "tra", 0.8, "farther towards thickening than the rater"),
        ("thickness_rest", "tra", -0.8, "less than the rater"),
    ],
)
def test_bias_of_a_direction_is_told_by_it(
    measure: str, structure: str, shift: float, words: str, tmp_path: Path
) -> None:
    # A descent of 6 mm that the tool reads as 6.8 mm is no smaller for its sign.
    rng = np.random.default_rng(5)
    sign = 1 if measure == "thickness_rest" else -1
    true = sign * rng.uniform(4, 9, 12)
    key = f"{measure},{structure},rest,1"
    manual = [f"c{i},S{i},{key},A,{value:.3f},mm" for i, value in enumerate(true)]
    auto = [
        f"c{i},{key},{value + shift + rng.normal(0, 0.1):.3f},mm" for i, value in enumerate(true)
    ]
    tables = write(tmp_path / "m.csv", HEADING, manual), write(tmp_path / "a.csv", AUTO, auto)
    assert run("compare", *tables, "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    assert words in page
    assert "Hardly possible" not in page


@pytest.mark.usefixtures("unprinted")
def test_mean_within_a_margin_that_the_limits_are_not_shown_to_keep(tmp_path: Path) -> None:
    manual, auto = study(tmp_path)
    assert run("compare", manual, auto, "--margin", "1mm", "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    assert "Not shown: that the limits do, their intervals included." in page
    assert "every measure; dotted: the margin." in page


@pytest.mark.usefixtures("unprinted")
def test_flow_counts_each_unit_by_itself(tmp_path: Path) -> None:
    manual, auto = study(tmp_path, raters=("A",))
    changes = [
        f"c{i}-0,thickness_change,tra,rest,1,{value},{unit}"
        for i in range(15)
        for value, unit in ((0.5, "mm"), (12.0, "%"))
    ]
    auto.write_text(auto.read_text() + "\n".join(changes) + "\n")
    assert run("compare", manual, auto, "--out", tmp_path / "out") == 0
    flow = rows_of(tmp_path / "out" / "flow.csv")
    counts = {(row["measure"], row["unit"]): row["attempted"] for row in flow}
    assert counts == dict.fromkeys(
        [("thickness_rest", "mm"), ("thickness_change", "mm"), ("thickness_change", "%")], "15"
    )
    assert "TrA thickness, change, %" in page_of(tmp_path / "out")


@pytest.mark.usefixtures("unprinted")
@pytest.mark.parametrize(
    ("measure", "sign"), [("thickness_rest", 1), ("thickness_change", 1), ("thickness_change", -1)]
)
def test_ratios_are_advised_only_where_values_have_logarithms(
    measure: str, sign: int, tmp_path: Path
) -> None:
    rng = np.random.default_rng(6)
    true = sign * rng.uniform(1, 12, 60)
    key = f"{measure},tra,rest,1"
    manual = [f"c{i},S{i},{key},A,{value:.4f},mm" for i, value in enumerate(true)]
    errors = 0.15 * true * rng.normal(size=true.size)
    auto = [f"c{i},{key},{value:.4f},mm" for i, value in enumerate(true + errors)]
    tables = write(tmp_path / "m.csv", HEADING, manual), write(tmp_path / "a.csv", AUTO, auto)
    assert run("compare", *tables, "--out", tmp_path / "out") == 0
    page = page_of(tmp_path / "out")
    assert "The spread of the differences changes with the size of the value" in page
    assert ("--log" in page) == (sign > 0)
