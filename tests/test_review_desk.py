"""One clip on the desk: its scale set by a person, taken back, and all that follows."""

from pathlib import Path

import pytest
from standin import draw_frames, effort, truth_segmenter, wall_labels, write_video

from layermotion.clip.source import SourceOptions
from layermotion.errors import InputError
from layermotion.geometry import Spacing
from layermotion.labels import Structure, Task, View
from layermotion.review.corrections import (
    Calibrate,
    Calliper,
    Confirm,
    Correction,
    LeaveOut,
    MoveSite,
    SetWindow,
)
from layermotion.review.desk import Desk, Source
from layermotion.serving.sentences import sentences_of

COUNT, ROW_MM, COLUMN_MM = 64, 0.08, 0.11
TRA_ROWS = 45 + 22 * effort(COUNT, 24, 50)
RATIO, REST = "contraction_ratio/tra/1/ratio", "thickness_rest/tra/1/mm"


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path: Path = write_video(tmp_path_factory.mktemp("desk") / "clip.mp4", draw_frames(COUNT))
    return path


def opened(clip: Path) -> Desk:
    source = Source((clip,), SourceOptions(task=Task.DRAW_IN), "most-even")
    return Desk.open(source, truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, None))


def calibrate(desk: Desk, step: Calibrate) -> None:
    """Set the scale, with a stand-in network that expects it."""
    spacing = Spacing(step.row_mm, step.column_mm, step.how)
    desk._segmenter = truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, spacing)
    desk.apply(step)


def values(desk: Desk) -> dict[str, float | None]:
    return {m["key"]: m["value"] for m in desk.shown()["measures"]}


def test_a_scale_set_by_a_person_gives_lengths_and_can_be_taken_back(clip: Path) -> None:
    desk = opened(clip)
    before = desk.shown()
    assert before["mm_per_pixel"] is None and values(desk)[REST] is None
    desk.apply(MoveSite(150.0))
    step = Calibrate(ROW_MM, COLUMN_MM, "two points")
    calibrate(desk, step)
    assert desk.shown()["mm_per_pixel"] == [ROW_MM, COLUMN_MM]
    assert values(desk)[REST] == pytest.approx(45 * ROW_MM, abs=0.06)
    assert desk.shown()["site_px"] == 150.0, "what was corrected before still holds"
    assert any("calibration (two points)" in words for words in desk.shown()["cautions"])
    calibrate(desk, Calibrate(2 * ROW_MM, COLUMN_MM, "depth of view"))
    assert values(desk)[REST] == pytest.approx(45 * 2 * ROW_MM, abs=0.12)
    assert desk.undo() == Calibrate(2 * ROW_MM, COLUMN_MM, "depth of view")
    assert values(desk)[REST] == pytest.approx(45 * ROW_MM, abs=0.06)
    assert desk.undo() == step
    assert desk.shown()["mm_per_pixel"] is None and desk.shown()["site_px"] == 150.0
    desk.undo()
    assert desk.shown() == before
    with pytest.raises(InputError, match="nothing to take back"):
        desk.undo()


def test_what_does_not_fit_leaves_the_clip_as_it_was(clip: Path) -> None:
    desk = opened(clip)
    before = desk.shown()
    for step in (
        Calibrate(9.0, COLUMN_MM, "two points"),
        MoveSite(9999.0),
        LeaveOut(4, "none"),
        Confirm((RATIO,)),
        Confirm((REST,)),
    ):
        with pytest.raises(InputError):
            desk.apply(step)
    assert desk.shown() == before


def test_a_calliper_whose_window_a_later_step_takes_away_lapses(clip: Path) -> None:
    desk, german = opened(clip), sentences_of("de")
    assert german is not None
    (full,) = [w for w in desk.analysis.efforts.windows if w.state == "contracted"]
    calliper = Calliper(full.first, Structure.TRA, "contracted", 1, (203.0, 120.0), (240.0, 120.0))
    desk.apply(calliper)
    measured = values(desk)[RATIO]
    steps: tuple[Correction, ...] = (
        SetWindow("contracted", 1, full.first + 2, full.last),
        LeaveOut(1, "probe moved"),
    )
    for step in steps:
        desk.apply(step)
        assert values(desk).get(RATIO) != measured
        said = desk.analysis.all_cautions
        assert not any("TrA by calliper" in words for words in said)
        (lapsed,) = [words for words in said if "no longer counts" in words]
        assert lapsed.startswith("The calliper on the TrA at the effort of repeat 1 no longer")
        assert german.say(lapsed) != german.other
        desk.undo()
        assert values(desk)[RATIO] == measured
    desk.apply(SetWindow("contracted", 1, full.first, full.last - 1))
    assert values(desk)[RATIO] == pytest.approx(measured, abs=0.05), "its frame is still within"
    assert not any("no longer counts" in words for words in desk.analysis.all_cautions)
    with pytest.raises(InputError, match="does not lie on a layer in a window"):
        desk.apply(Calliper(full.last, Structure.TRA, "contracted", 1, (1.0, 1.0), (9.0, 1.0)))
