"""Which clips a review holds, and what is refused."""

from pathlib import Path

import pytest

from layermotion.clip.pair import Shows
from layermotion.clip.source import SourceOptions
from layermotion.errors import InputError
from layermotion.labels import Task
from layermotion.review.sources import Listed, find_sources, with_scale
from layermotion.session.plan import Side


def touch(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"not empty")
    return path


def words(listed: Listed) -> tuple[str, str, str | None, int]:
    return listed.path.name, listed.side, listed.task, listed.repeat


def test_names_say_side_task_and_repeat(tmp_path: Path) -> None:
    for name in ("left_draw_in_2.mp4", "below/other.mp4", "notes.txt"):
        touch(tmp_path / name)
    named, other = sorted(find_sources([tmp_path], Task.COUGH, "most-even"), key=words)
    assert words(named) == ("left_draw_in_2.mp4", Side.LEFT, Task.DRAW_IN, 2)
    assert named.options.task is Task.DRAW_IN
    assert words(other) == ("other.mp4", Side.MIDLINE, Task.COUGH, 1)


def test_a_table_says_what_lies_in_a_folder(tmp_path: Path) -> None:
    touch(tmp_path / "clips" / "a.mp4")
    touch(tmp_path / "clips" / "unlisted.mp4")
    table = 'file,task,side,repeat,mm_per_pixel,site\nclips/a.mp4,cough,right,3,"0.2,0.3",\n'
    (tmp_path / "plan.csv").write_text(table)
    (found,) = find_sources([tmp_path], None, "image-centre")
    assert words(found) == ("a.mp4", Side.RIGHT, Task.COUGH, 3)
    assert found.options.mm_per_pixel == (0.2, 0.3) and found.site == "image-centre"


def test_results_of_this_tool_are_no_clips(tmp_path: Path) -> None:
    touch(tmp_path / "results" / "overlay.mp4")
    touch(tmp_path / "results" / "measures.json")
    touch(tmp_path / "clip.mp4")
    assert [one.path.name for one in find_sources([tmp_path], None, "most-even")] == ["clip.mp4"]


def test_clips_without_a_name_are_counted(tmp_path: Path) -> None:
    names = ("first.mp4", "second.mp4", "right_cough_1.mp4")
    paths = [touch(tmp_path / name) for name in names]
    found = find_sources(paths, Task.COUGH, "most-even", Side.RIGHT)
    assert {one.path.name: one.repeat for one in found} == {
        "right_cough_1.mp4": 1, "first.mp4": 2, "second.mp4": 3,
    }  # fmt: skip
    twice = touch(tmp_path / "other" / "right_cough_1.mp4")
    with pytest.raises(InputError, match="both stand for repeat 1 of cough, right"):
        find_sources([*paths, twice], None, "most-even")


def test_a_scale_for_all_is_for_clips_that_state_none() -> None:
    stated = SourceOptions(depth_mm=60.0, frame_rate_hz=25.0)
    own = SourceOptions(mm_per_pixel=(0.1, 0.2))
    listed = Listed(Path("a.mp4"), Side.LEFT, None, 1, own, "most-even")
    assert with_scale(listed, stated).options == SourceOptions((0.1, 0.2), None, 25.0)
    bare = Listed(Path("a.mp4"), Side.LEFT, None, 1, SourceOptions(), "most-even")
    assert with_scale(bare, stated).options == stated


def test_what_cannot_be_reviewed_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist; check the path"):
        find_sources([tmp_path / "gone"], None, "most-even")
    with pytest.raises(InputError, match="holds no recordings; give clips"):
        find_sources([tmp_path], None, "most-even")
    touch(tmp_path / "left_draw_in_1_rest.png")
    (still,) = find_sources([tmp_path], None, "most-even")
    assert still.problem.startswith("This still shows rest, and the one that shows contracted")


def test_stills_of_rest_and_effort_are_put_together(tmp_path: Path) -> None:
    names = ("left_draw_in_1_contracted.png", "left_draw_in_1_rest.png",
             "right_draw_in_1_rest+contracted.png", "left_rest_1_rest.png")  # fmt: skip
    for name in names:
        touch(tmp_path / name)
    found = {one.path.name: one for one in find_sources([tmp_path], None, "most-even")}
    assert set(found) == set(names[1:])
    pair = found["left_draw_in_1_rest.png"]
    assert [path.name for path in pair.sources] == [names[1], names[0]]
    assert pair.shows is None and not pair.problem
    assert found[names[2]].shows is Shows.REST_CONTRACTED and not found[names[2]].problem
    assert not found["left_rest_1_rest.png"].problem
