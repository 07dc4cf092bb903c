"""Each reason fits its case: it names what was found in this recording, and what to do."""

import csv
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from report_content import make_content
from standin import (
    AREA,
    COLUMNS,
    ROWS,
    SPACING,
    TruthSegmenter,
    draw_frames,
    truth_segmenter,
    wall_labels,
    write_dicom,
)
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.efforts.course import Course
from layermotion.efforts.efforts import rest_beside_efforts
from layermotion.efforts.windows import Window
from layermotion.geometry import Spacing
from layermotion.labels import WALL_LAYERS, Structure, View
from layermotion.measures.bladder import AT_REST, NO_EFFORT, NO_TASK, ONE_STILL
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.network.grid import ModelGrid
from layermotion.report.page import build_page, write_headline
from layermotion.report.patterns import muscle_pattern, quiet_words
from layermotion.series.causes import Cause, causes_of
from layermotion.series.series import Quantity, Scale

COUNT = 24
Labels = NDArray[np.uint8]
Measured = Callable[..., tuple[list[dict[str, str]], str]]


@pytest.fixture
def measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Measured:
    """Measure a source through the command line; give its table, and the words of its page."""

    def run(
        source: Path, segmenter: TruthSegmenter, *options: str
    ) -> tuple[list[dict[str, str]], str]:
        monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: segmenter)
        out = tmp_path / "out"
        with pytest.raises(SystemExit) as ended:
            main(["measure", str(source), "--out", str(out), "--no-overlay", *options])
        assert ended.value.code == 0
        folder = next(out.glob("*/measures.csv")).parent
        with (folder / "measures.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        page = (folder / "report.html").read_text(encoding="utf-8")
        words = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL)
        return rows, re.sub(r"\s+", " ", words.replace("\N{NO-BREAK SPACE}", " "))

    return run


def clip_of(folder: Path, labels: list[Labels], view: View) -> tuple[Path, TruthSegmenter]:
    """DICOM clip of some labels at 8 frames a second, and the stand-in that knows them."""
    grid = ModelGrid.for_area(AREA, SPACING, 320)
    segmenter = TruthSegmenter(tuple(labels), grid, (view,) * len(labels))
    path = write_dicom(folder / "clip.dcm", draw_frames(len(labels)), FrameTime=125)
    return path, segmenter


def still_of(
    folder: Path, draw: Callable[[int], Labels], view: View
) -> tuple[Path, TruthSegmenter]:
    """PNG of one picture, and the stand-in that knows it."""
    (frame,) = draw_frames(1)
    path = folder / "still.png"
    cv2.imwrite(str(path), frame)
    return path, truth_segmenter(draw, np.array([0 if view is View.BLADDER else 45]), view)


def round_bladder() -> Labels:
    """Fat above a bladder that is seen whole."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    labels[25:60] = 1
    row, column = np.mgrid[:ROWS, :COLUMNS]
    labels[((row - 170) / 70) ** 2 + ((column - 120) / 95) ** 2 < 1] = 5
    return labels


def without(labels: Labels, value: int, columns: slice) -> Labels:
    """Take one layer out of some columns."""
    cut = labels.copy()
    cut[:, columns][cut[:, columns] == value] = 0
    return cut


def reasons(rows: list[dict[str, str]], structure: str) -> set[str]:
    return {row["reason"] for row in rows if row["structure"] == structure}


# -- a layer without a thickness -----------------------------------------------------------------

EVERYWHERE, AT_SITE = slice(0, 240), slice(90, 150)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        (
            EVERYWHERE,
            "The internal oblique (IO) was not found in 24 of 24 frames at rest, so it may lie "
            "outside of the picture or in a shadow; record again with all of it in view, or "
            "measure it by hand.",
        ),
        (
            AT_SITE,
            "The internal oblique (IO) was found in the picture but not at the place of "
            "measurement in 24 of 24 frames at rest; choose another place with --site, or measure "
            "it by hand.",
        ),
    ],
)
def test_a_layer_that_is_not_there_is_told_from_one_beside_the_site(
    columns: slice, words: str, tmp_path: Path, measured: Measured
) -> None:
    labels = [without(wall_labels(45), 3, columns)] * COUNT
    rows, page = measured(*clip_of(tmp_path, labels, View.ABDOMINAL_WALL), "--task", "rest")
    assert reasons(rows, "io") == {words} and words in page
    assert reasons(rows, "tra") == {""}


def test_a_still_says_still_and_not_frames(tmp_path: Path, measured: Measured) -> None:
    still = still_of(
        tmp_path, lambda rows: without(wall_labels(rows), 3, EVERYWHERE), View.ABDOMINAL_WALL
    )
    rows, page = measured(*still, "--task", "rest", "--mm-per-pixel", "0.08,0.11")
    (words,) = reasons(rows, "io")
    assert words.startswith("The internal oblique (IO) was not found in the still, so it may lie")
    assert "take the still again with all of it in view" in words
    assert "steadily" not in page and "in this clip" not in page


def test_borders_that_two_looks_dispute_or_that_are_in_doubt_are_named(
    tmp_path: Path, measured: Measured
) -> None:
    labels = [wall_labels(45)] * COUNT
    path, plain = clip_of(tmp_path, labels, View.ABDOMINAL_WALL)
    moved = wall_labels(45)
    moved[moved == 1] = 0
    moved[10:70][moved[10:70] == 0] = 1
    rows, _ = measured(path, replace(plain, again=(moved,) * COUNT), "--task", "rest")
    (words,) = reasons(rows, "fat")
    assert words == (
        "The borders of the subcutaneous fat were found in two different places in 24 of 24 frames "
        "at rest, at a first look and at a second one; measure it by hand."
    )


def test_one_border_more_than_layers_have_is_named(tmp_path: Path, measured: Measured) -> None:
    labels = wall_labels(45)
    labels[48:55] = 0  # within the fat, which one more border parts
    rows, _ = measured(*clip_of(tmp_path, [labels] * COUNT, View.ABDOMINAL_WALL), "--task", "rest")
    for layer, name in (("fat", "subcutaneous fat"), ("eo", "external oblique (EO)")):
        (words,) = reasons(rows, layer)
        assert words == (
            "There is one border more than layers have in 24 of 24 frames at rest, so it is not "
            f"sure which is that of the {name}; measure it by hand."
        )
    assert reasons(rows, "io") == reasons(rows, "tra") == {""}


def test_a_doubtful_layer_is_said_to_be_unclear(tmp_path: Path, measured: Measured) -> None:
    path, plain = clip_of(tmp_path, [wall_labels(45)] * COUNT, View.ABDOMINAL_WALL)
    rows, _ = measured(path, replace(plain, doubt=(0.1,) * COUNT), "--task", "rest")
    for layer in ("fat", "eo", "io", "tra"):
        (words,) = reasons(rows, layer)
        assert "were not clear at the place of measurement in 24 of 24 frames at rest; " in words
        assert "record again with clearer borders (gain, contact, angle of the probe)" in words


# -- recordings without an effort ----------------------------------------------------------------


def test_a_rest_recording_states_the_thickness_at_rest(tmp_path: Path, measured: Measured) -> None:
    clip = clip_of(tmp_path, [wall_labels(45)] * COUNT, View.ABDOMINAL_WALL)
    _, page = measured(*clip, "--task", "rest")
    assert re.search(
        r"Transversus abdominis \(TrA\): 3\.6 mm thick at rest \(interval \d\.\d to \d\.\d "
        r"mm\); a recording of rest shows no change\.",
        page,
    )
    assert "no change was measured" not in page


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--task", "draw_in"), "check in the video that it was made, and record it again from"),
        ((), "state the task with --task, without which fewer efforts are recognised."),
    ],
)
def test_a_clip_without_its_effort_says_what_to_do(
    options: tuple[str, ...], words: str, tmp_path: Path, measured: Measured
) -> None:
    clip = clip_of(tmp_path, [wall_labels(45)] * COUNT, View.ABDOMINAL_WALL)
    _, page = measured(*clip, *options)
    assert f"No effort was found in this clip, so there is no change to give; {words}" in page


@pytest.mark.parametrize(
    ("options", "reason"),
    [(("--task", "rest"), AT_REST), (("--task", "strain"), NO_EFFORT), ((), NO_TASK)],
)
def test_a_base_that_did_not_move_needs_nobody(
    options: tuple[str, ...], reason: str, tmp_path: Path, measured: Measured
) -> None:
    clip = clip_of(tmp_path, [round_bladder()] * COUNT, View.BLADDER)
    rows, page = measured(*clip, *options)
    assert reasons(rows, "bladder") == {reason}
    assert reason in page and "nothing to measure" in page
    assert "needs measuring by hand" not in page and "measure by hand" not in page


def test_one_still_of_a_bladder_shows_no_movement(tmp_path: Path, measured: Measured) -> None:
    still = still_of(tmp_path, lambda _: round_bladder(), View.BLADDER)
    rows, page = measured(*still, "--mm-per-pixel", "0.08,0.11")
    assert reasons(rows, "bladder") == {ONE_STILL}
    assert ONE_STILL in page and "0.0 mm" not in page


# -- a pair of stills ----------------------------------------------------------------------------


def test_a_pair_that_failed_names_the_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = DrawnVisit(tmp_path / "files")
    visit.still("left_draw_in_1_rest.png", 45)
    visit.still("left_draw_in_1_contracted.png", 60)
    segmenter = visit.segmenter()
    lost = without(segmenter.labels[1], 4, AT_SITE)
    segmenter = replace(segmenter, labels=(segmenter.labels[0], lost))
    monkeypatch.setattr("layermotion.commands.session.load_in_use", lambda: segmenter)
    out = tmp_path / "out"
    with pytest.raises(SystemExit) as ended:
        main(
            ["session", str(visit.folder), "--out", str(out), "--mm-per-pixel", "0.08,0.11",
             "--site", "muscle-centre"]
        )  # fmt: skip
    assert ended.value.code == 0
    with (out / "left-draw_in-1" / "measures.csv").open(encoding="utf-8", newline="") as stream:
        rows = {(r["name"], r["structure"]): r for r in csv.DictReader(stream)}
    words = (
        "The transversus abdominis (TrA) was found in the picture but not at the place of "
        "measurement in the still at the effort; choose another place with --site, or measure it "
        "by hand."
    )
    assert rows["thickness_contracted", "tra"]["reason"] == words
    assert rows["thickness_change", "tra"]["reason"] == words
    assert rows["thickness_rest", "tra"]["value"]
    page = (out / "left-draw_in-1" / "report.html").read_text(encoding="utf-8")
    assert f"Transversus abdominis (TrA) needs measuring by hand: {words}" in page


# -- words that must not contradict each other ---------------------------------------------------


def change(structure: str, value: float, low: float, high: float, **other: object) -> Measure:
    made = Measure(
        "thickness_change", structure, "draw_in", MEAN, value, "%", low, high, Status.DRAFT, "",
        "0-9", "How.",
    )  # fmt: skip
    return replace(made, **other)  # type: ignore[arg-type]


def test_a_muscle_within_the_quiet_tolerance_does_not_contract_with_the_tra() -> None:
    changes = {
        "tra": change("tra", 41, 30, 52),
        "io": change("io", 3, 1, 5),
        "eo": change("eo", 1, -2, 4),
    }
    words = muscle_pattern(changes)
    assert words == (
        "Mostly TrA: TrA thickened by 41 % (interval 30 to 52 %); IO thickened by 3 % "
        "(interval 1 to 5 %); no change beyond error in EO"
    )
    # It is alone only where no other is said to have thickened.
    still = changes | {"io": change("io", 3, -1, 7)}
    assert muscle_pattern(still).startswith("TrA alone: TrA thickened by 41 %")
    thinner = changes | {"io": change("io", -3, -5, -1)}
    assert muscle_pattern(thinner).startswith("TrA alone: ")
    assert quiet_words(changes) == "EO and IO stayed within 10 % of the thickness at rest"
    # What may be more than 10 % is named with the TrA.
    changes["io"] = change("io", 6, 1, 11)
    assert muscle_pattern(changes).startswith("TrA with IO: ")
    changes["tra"] = change("tra", 2, -3, 7)
    changes["io"] = change("io", 3, 1, 5)
    assert "without TrA" not in muscle_pattern(changes)


def test_a_change_in_mm_and_per_cent_is_of_the_same_repeats() -> None:
    singles = [
        change("tra", value, value - 9, value + 9, repeat=str(number), unit=unit)
        for number, mm, percent in ((1, 2.3, 20.0), (2, 2.5, 63.0))
        for value, unit in ((mm, "mm"), (percent, "%"))
    ]
    mean = change("tra", 2.4, 1.4, 3.4, unit="mm")
    reason = "The repeats differ too much."
    no_mean = replace(
        change("tra", 0, 0, 0), value=None, low=None, high=None, status=Status.NEEDS_MANUAL,
        reason=reason,
    )  # fmt: skip
    page = build_page(make_content(measures=(*singles, mean, no_mean)))
    main_table = page[page.index("<h2>Measures</h2>") : page.index("<h2>What could not")]
    shown = re.findall(r"thickness, change(, repeat \d)?.*?<b>([^<]*)</b>", main_table)
    assert shown == [
        (", repeat 1", "2.3"), (", repeat 1", "20"), (", repeat 2", "2.5"), (", repeat 2", "63")
    ] or shown == [
        (", repeat 1", "2.3"), (", repeat 2", "2.5"), (", repeat 1", "20"), (", repeat 2", "63")
    ]  # fmt: skip
    assert reason in page


def test_the_first_sentence_takes_a_repeat_that_was_measured() -> None:
    lost = replace(
        change("tra", 0, 0, 0, repeat="1"), value=None, low=None, high=None,
        status=Status.NEEDS_MANUAL, reason="Lost.",
    )  # fmt: skip
    second = change("tra", 41, 30, 52, repeat="2")
    assert write_headline(View.ABDOMINAL_WALL, [lost, second]).endswith("30 to 52 %), repeat 2.")
    first = replace(second, repeat="1")
    words = write_headline(View.ABDOMINAL_WALL, [first, second, change("tra", 41, 35, 47)])
    assert words.endswith("mean of 2 repeats.")


# -- rest ends before the effort begins ----------------------------------------------------------

NAN = float("nan")


@pytest.mark.parametrize(
    ("onset_s", "end_s", "expected"),
    [
        # 10 frames/s: rest ends a frame before the onset, and begins a frame after the end.
        (1.55, 3.05, [("rest", 0, 14), ("contracted", 20, 29), ("rest", 32, 39)]),
        (3.0, 2.0, [("rest", 0, 18), ("contracted", 20, 29), ("rest", 31, 39)]),
        (NAN, NAN, [("rest", 0, 18), ("contracted", 20, 29), ("rest", 31, 39)]),
        # Of the first window nothing would be left.
        (0.05, 3.05, [("rest", 0, 18), ("contracted", 20, 29), ("rest", 32, 39)]),
    ],
)
def test_rest_ends_before_the_onset_and_begins_after_the_end(
    onset_s: float, end_s: float, expected: list[tuple[str, int, int]]
) -> None:
    windows = (
        Window("rest", 0, 18, 1), Window("contracted", 20, 29, 1), Window("rest", 31, 39, 2)
    )  # fmt: skip
    course = Course(1, onset_s, 2.0, 2.9, end_s, 0.03, 0.03)
    cut = rest_beside_efforts(windows, (course,), np.arange(40) / 10)
    assert [(w.state, w.first, w.last) for w in cut] == expected


# -- why a frame has none ------------------------------------------------------------------------


def test_a_jump_is_told_from_a_dispute() -> None:
    def tra(*values: float) -> Quantity:
        value = np.array(values)
        return Quantity("thickness", Structure.TRA, "mm", value, (~np.isnan(value)).astype(float))

    nan = float("nan")
    agreed = [tra(1.0, 1.0, 1.0), *(tra(2.0, 2.0, 2.0) for _ in range(3))]
    given = [tra(1.0, nan, 1.0), *agreed[1:]]
    scale = Scale.of(Spacing(0.08, 0.11, "test"), 240)
    causes = causes_of([], 120.0, scale, agreed, given)
    assert causes[WALL_LAYERS[0]].tolist() == [Cause.GIVEN, Cause.JUMPED, Cause.GIVEN]
    assert all(not causes[layer].any() for layer in WALL_LAYERS[1:])
