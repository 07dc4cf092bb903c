"""What the table withholds is shown nowhere: not beneath a picture, in a plot or a sentence."""

import csv
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from standin import ERRORS_PX, TruthSegmenter
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.efforts.windows import Window
from layermotion.labels import Structure
from layermotion.measures.bladder import NO_EFFORT, UNSEEN_BASE
from layermotion.measures.measure import UNCALIBRATED, Measure, Status
from layermotion.measures.thickness import UNSURE_LAYER
from layermotion.measures.withheld import given_series
from layermotion.report.strip import Caption, Strip, in_words
from layermotion.series.series import Quantity, Series

# Model pixels by which the edges of one layer may be wrong, so that it is of no use to anyone.
USELESS_PX = 60.0
LAYERS = {"fat": "fat", "io": "IO"}


@pytest.fixture
def captions(monkeypatch: pytest.MonkeyPatch) -> list[Caption]:
    """Every caption that is written beneath a picture."""
    written: list[Caption] = []
    original = Strip.draw

    def draw(self: Strip, place: object, caption: Caption, pointer_px: float | None) -> None:
        written.append(caption)
        original(self, place, caption, pointer_px)  # type: ignore[arg-type]

    monkeypatch.setattr(Strip, "draw", draw)
    return written


def unsure_of(visit: DrawnVisit, layer: str) -> TruthSegmenter:
    """Stand-in that knows one layer too badly for a number."""
    return replace(visit.segmenter(), errors_px={**ERRORS_PX, f"thickness_{layer}": USELESS_PX})


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def words_of(page: str) -> str:
    """Words that a reader sees, without marks."""
    return re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL))


@pytest.mark.parametrize("layer", LAYERS)
def test_a_withheld_thickness_is_shown_nowhere(
    layer: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    captions: list[Caption],
) -> None:
    visit = DrawnVisit(tmp_path / "files")
    clip = visit.wall("left_draw_in_1.dcm", 22)
    segmenter = unsure_of(visit, layer)
    for command in ("measure", "session"):
        monkeypatch.setattr(f"layermotion.commands.{command}.load_in_use", lambda: segmenter)
    out = tmp_path / "out"
    assert run("measure", clip, "--task", "draw_in", "--out", out) == 0
    folder = next(out.glob("*/measures.csv")).parent
    with (folder / "measures.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["structure"] == layer]
    assert rows and {(row["value"], row["reason"]) for row in rows} == {("", UNSURE_LAYER)}
    page = (folder / "report.html").read_text(encoding="utf-8")
    name = LAYERS[layer]
    beneath = re.findall(rf"<li><b>{name}</b> ([^<]*)</li>", page)
    assert beneath == ["not measured", "not measured"]
    (plot,) = re.findall(r'<figure class="plot".*?</figure>', page, re.DOTALL)
    drawn = re.findall(r"Thickness over time of ([^\"]*), with rest", plot)
    assert drawn == [", ".join(other for other in ("fat", "EO", "IO", "TrA") if other != name)]
    # A muscle's slide has a line of its own.
    assert (f'id="line-{layer}"' in plot) == (layer != "fat")
    assert f"Without a line: {name}" in words_of(page)
    assert not re.search(rf"\b{name} (?:thinned|thickened|stayed)", words_of(page))
    assert run("session", clip.parent, "--no-overlay", "--out", tmp_path / "visit") == 0
    assert len(captions) > 30  # every frame of the overlay, and the key frames
    for caption in captions:
        said = {str(structure): in_words(value, unit) for structure, value, unit in caption.values}
        assert said[layer] == "no value" and said["tra"].endswith(" mm")


def test_the_share_of_the_tra_needs_all_thicknesses_that_it_is_made_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = DrawnVisit(tmp_path / "files")
    clip = visit.wall("clip.dcm", 22)
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: unsure_of(visit, "io"))
    assert run("measure", clip, "--task", "draw_in", "--no-overlay", "--out", tmp_path / "o") == 0
    (table,) = (tmp_path / "o").glob("*/measures.csv")
    with table.open(encoding="utf-8", newline="") as stream:
        rows = {row["name"]: row for row in csv.DictReader(stream) if row["structure"] == "tra"}
    share = rows["preferential_activation_ratio"]
    assert (share["value"], share["status"]) == ("", "needs_manual")
    assert "without a value: IO at rest, IO at the effort; measure" in share["reason"]
    assert rows["thickness_rest"]["value"]


# -- the rule by itself --------------------------------------------------------------------------

FRAMES = 12
WINDOWS = (Window("rest", 1, 3, 1), Window("contracted", 6, 8, 1), Window("rest", 10, 11, 2))


def series_of(name: str, structure: Structure) -> Series:
    quantity = Quantity(name, structure, "mm", np.arange(FRAMES) + 1.0, np.ones(FRAMES))
    return Series("c0ffee12", np.arange(FRAMES) / 8, (quantity,))


def missing(name: str, structure: Structure, repeat: int, reason: str) -> Measure:
    status = Status.NEEDS_MANUAL
    return Measure(
        name, structure, "draw_in", str(repeat), None, "mm", None, None, status, reason, "", ""
    )


def shown(
    name: str, structure: Structure, measures: Sequence[Measure], windows: Sequence[Window]
) -> list[int]:
    """Frames with a value."""
    (quantity,) = given_series(series_of(name, structure), windows, measures).quantities
    assert ((quantity.confidence > 0) == ~np.isnan(quantity.value)).all()
    return np.flatnonzero(~np.isnan(quantity.value)).tolist()


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ((), list(range(FRAMES))),
        # A frame outside of the windows goes with the nearest one, the earlier of two.
        (("thickness_rest",), [5, 6, 7, 8, 9, 10, 11]),
        (("thickness_contracted",), [0, 1, 2, 3, 4, 10, 11]),
        (("thickness_rest", "thickness_contracted"), [10, 11]),
        # A change that is withheld hides no thickness.
        (("thickness_change",), list(range(FRAMES))),
    ],
)
def test_a_thickness_is_hidden_around_the_window_of_a_withheld_one(
    names: tuple[str, ...], expected: list[int]
) -> None:
    measures = [missing(name, Structure.IO, 1, UNSURE_LAYER) for name in names]
    assert shown("thickness", Structure.IO, measures, WINDOWS) == expected
    other = [missing("thickness_rest", Structure.EO, 1, UNSURE_LAYER)]
    assert shown("thickness", Structure.IO, other, WINDOWS) == list(range(FRAMES))


def test_a_displacement_is_hidden_in_the_whole_repeat() -> None:
    measure = missing("base_displacement", Structure.BLADDER, 1, UNSEEN_BASE)
    assert shown("base_displacement", Structure.BLADDER, [measure], WINDOWS) == [10, 11]


def test_without_windows_everything_withheld_is_hidden() -> None:
    measure = missing("thickness_rest", Structure.IO, 1, UNSURE_LAYER)
    assert shown("thickness", Structure.IO, [measure], ()) == []


@pytest.mark.parametrize("reason", [UNCALIBRATED, NO_EFFORT])
def test_what_has_no_scale_or_no_effort_is_not_withheld(reason: str) -> None:
    measure = missing("base_displacement", Structure.BLADDER, 1, reason)
    expected = list(range(FRAMES))
    assert shown("base_displacement", Structure.BLADDER, [measure], WINDOWS) == expected
