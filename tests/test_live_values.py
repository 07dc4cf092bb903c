"""The one quantity of a live picture is what measuring gives, against today's rest."""

import numpy as np
import pytest
from standin import (
    AREA,
    COLUMNS,
    ROWS,
    SPACING,
    Labels,
    TruthSegmenter,
    analysed,
    draw_texture,
    effort,
    make_clip,
    moved,
    truth_segmenter,
    wall_labels,
    wall_with_end,
)

from layermotion.clip import Clip
from layermotion.edges.site import parse_site
from layermotion.labels import View
from layermotion.live.taking import cut_to_image
from layermotion.live.watching import Rest, Seen, Watch

# Rest is taken from frame 2 to 12; the effort is full from 20 to 26.
COUNT, RATE_HZ, TAKEN = 34, 5.0, 12
ACTIVATION = effort(COUNT, 16, 30, ramp=4)
FULL, AFTER = slice(20, 26), slice(30, COUNT)
TRA_ROWS = 45 + 22 * ACTIVATION
LIFT_ROWS = 60 * ACTIVATION


def watched(clip: Clip, segmenter: TruthSegmenter, rest_at: int | None = 2) -> list[Seen]:
    """See every frame of a clip live; rest is taken at one of them."""
    watch = Watch(cut_to_image(clip), segmenter, parse_site("muscle-centre"))  # type: ignore[arg-type]
    seen = []
    for frame in clip.frames():
        if frame.index == rest_at:
            watch.take_rest()
        seen.append(watch.see(frame))
    return seen


def round_bladder(lift_rows: int) -> Labels:
    """Bladder with round sides, whose base is lifted around the middle."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    labels[25:60] = 1
    row, column = np.mgrid[:ROWS, :COLUMNS]
    across = (column - 120) / 95
    half = 80 * np.sqrt(np.clip(1 - across**2, 0, None))
    base = 180 + half - lift_rows * np.exp(-0.5 * ((column - 120) / 30) ** 2)
    labels[(row >= 180 - half) & (row < base)] = 5
    return labels


def still(count: int = COUNT) -> list[Labels]:
    return [draw_texture()] * count


def changes(seen: list[Seen]) -> np.ndarray:  # type: ignore[type-arg]
    return np.array([one.value.change for one in seen])


def test_the_thickness_is_that_of_measuring_and_the_change_is_against_rest() -> None:
    segmenter = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL)
    clip = make_clip(still(), rate_hz=RATE_HZ)
    seen = watched(clip, segmenter)
    assert [one.rest for one in seen[:2]] == [Rest.MISSING] * 2
    assert {one.rest for one in seen[2:TAKEN]} == {Rest.TAKING}
    assert seen[7].rest_left_s == pytest.approx(1.0)
    assert {one.rest for one in seen[TAKEN:]} == {Rest.TAKEN}
    series = analysed(clip, segmenter).series.get("thickness", "tra")
    assert series is not None
    now = np.array([one.value.now for one in seen])
    np.testing.assert_allclose(now[TAKEN:], series.value[TAKEN:], atol=0.02)
    change = changes(seen)
    assert np.isnan(change[:TAKEN]).all()  # before and while rest is taken
    np.testing.assert_allclose(change[TAKEN + 1 : 16], 0, atol=1)
    np.testing.assert_allclose(change[FULL], 100 * 22 / 45, atol=1.5)


def test_the_base_is_followed_in_mm_from_rest() -> None:
    segmenter = truth_segmenter(round_bladder, LIFT_ROWS, View.BLADDER)
    seen = watched(make_clip(still(), rate_hz=RATE_HZ), segmenter)
    change = changes(seen)
    assert np.isnan(change[:TAKEN]).all()
    np.testing.assert_allclose(change[FULL], 60 * SPACING.row_mm, atol=0.35)
    np.testing.assert_allclose(change[AFTER], 0, atol=0.35)


def test_a_probe_that_is_pushed_in_is_no_lift_of_the_base() -> None:
    push = [(-round(12 * a), 0) for a in ACTIVATION]
    # All tissue, the base too, is seen 12 rows higher; in the body nothing moved.
    labels = tuple(np.roll(round_bladder(0), down, axis=0) for down, _ in push)
    whole = truth_segmenter(round_bladder, LIFT_ROWS, View.BLADDER)
    segmenter = TruthSegmenter(labels, whole.grid, whole.views, SPACING)
    change = changes(watched(make_clip(moved(push), rate_hz=RATE_HZ), segmenter))
    assert abs(np.median(change[FULL])) < 0.3 < 12 * SPACING.row_mm


def test_without_a_scale_a_thickness_still_has_its_change() -> None:
    segmenter = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL, spacing=None)
    seen = watched(make_clip(still(), rate_hz=RATE_HZ, spacing=None), segmenter)
    np.testing.assert_allclose(changes(seen)[FULL], 100 * 22 / 45, atol=1.5)


def test_pictures_of_neither_view_give_no_value_and_rest_fails() -> None:
    segmenter = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL, unseen=COUNT)
    seen = watched(make_clip(still(16), rate_hz=RATE_HZ), segmenter)
    assert {one.value.reason for one in seen} == {"no_view"}
    assert seen[-1].rest is Rest.FAILED


@pytest.mark.parametrize("rest_at", [12, 25])
@pytest.mark.parametrize("view", list(View))
def test_a_rest_in_which_an_effort_begins_or_ends_is_none(view: View, rest_at: int) -> None:
    is_wall = view is View.ABDOMINAL_WALL
    draw, rows = (wall_with_end, TRA_ROWS) if is_wall else (round_bladder, LIFT_ROWS)
    segmenter = truth_segmenter(draw, np.pad(rows, (0, 6), mode="edge"), view)
    seen = watched(make_clip(still(40), rate_hz=RATE_HZ), segmenter, rest_at)
    assert seen[rest_at + 11].rest is Rest.MOVED
    assert np.isnan(changes(seen)).all()


@pytest.mark.parametrize("view", list(View))
def test_a_breath_is_rest(view: View) -> None:
    breath = np.sin(2 * np.pi * np.arange(20) / RATE_HZ / 4)
    is_wall = view is View.ABDOMINAL_WALL
    draw, rows = (wall_with_end, 45 + 3 * breath) if is_wall else (round_bladder, 6 * (1 + breath))
    seen = watched(make_clip(still(20), rate_hz=RATE_HZ), truth_segmenter(draw, rows, view))
    assert seen[-1].rest is Rest.TAKEN


@pytest.mark.parametrize("view", list(View))
def test_of_hardly_any_pictures_no_rest_is_made(view: View) -> None:
    is_wall = view is View.ABDOMINAL_WALL
    draw, rows = (wall_with_end, TRA_ROWS) if is_wall else (round_bladder, LIFT_ROWS)
    rows = np.repeat([rows[0], rows[FULL.start]], [12, 20])
    watch = Watch(
        cut_to_image(make_clip(still())), truth_segmenter(draw, rows, view),  # type: ignore[arg-type]
        parse_site("muscle-centre"),
    )  # fmt: skip
    for frame in make_clip(still(32), rate_hz=RATE_HZ).frames():
        if frame.index == 11:
            watch.take_rest()
        if frame.index <= 11 or frame.index >= 28:  # between them none was taken
            seen = watch.see(frame)
    assert seen.rest is Rest.FAILED
    assert watch.rest_now is None


def test_an_interrupted_rest_fails_and_a_rest_that_was_taken_stays() -> None:
    segmenter = truth_segmenter(wall_with_end, np.full(COUNT, 45.0), View.ABDOMINAL_WALL)
    clip = make_clip(still(), rate_hz=RATE_HZ)
    for interrupted_at, rest in ((2, Rest.FAILED), (6, Rest.FAILED), (TAKEN + 2, Rest.TAKEN)):
        watch = Watch(cut_to_image(clip), segmenter, parse_site("muscle-centre"))  # type: ignore[arg-type]
        for frame in clip.frames():
            if frame.index == 2:
                watch.take_rest()
            if frame.index == interrupted_at:
                watch.interrupt()
            seen = watch.see(frame)
        assert seen.rest is rest, interrupted_at
        assert (watch.rest_now is not None) is (rest is Rest.TAKEN)


def test_a_view_that_comes_later_is_found() -> None:
    segmenter = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL, unseen=10)
    seen = watched(make_clip(still(), rate_hz=RATE_HZ), segmenter, rest_at=None)
    assert seen[8].view is None and seen[-1].view is View.ABDOMINAL_WALL
    assert not np.isnan(seen[-1].value.now)
    assert seen[-1].value.reason == "no_rest"


def test_a_muscle_that_is_in_doubt_has_no_value() -> None:
    plain = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL)
    doubt = tuple(0.3 if number >= 22 else 0.0 for number in range(COUNT))
    segmenter = TruthSegmenter(plain.labels, plain.grid, plain.views, SPACING, doubt=doubt)
    seen = watched(make_clip(still(), rate_hz=RATE_HZ), segmenter)
    assert not np.isnan(seen[21].value.change)
    assert np.isnan(changes(seen)[23:]).all()
    assert {one.value.reason for one in seen[23:]} <= {"tra_unseen", "not_shown"}


def test_what_a_second_look_disputes_has_no_value() -> None:
    rows = np.full(26, 45.0)
    plain = truth_segmenter(wall_with_end, rows, View.ABDOMINAL_WALL)
    again = truth_segmenter(wall_with_end, rows + 20, View.ABDOMINAL_WALL)
    segmenter = TruthSegmenter(plain.labels, plain.grid, plain.views, SPACING, again=again.labels)
    seen = watched(make_clip(still(26), rate_hz=RATE_HZ), segmenter, rest_at=None)
    assert {one.value.reason for one in seen[8:]} == {"disputed"}


def test_a_jump_to_another_border_and_back_has_no_value() -> None:
    rows = np.where((np.arange(20) >= 12) & (np.arange(20) < 15), 80.0, 45.0)
    segmenter = truth_segmenter(wall_with_end, rows, View.ABDOMINAL_WALL)
    seen = watched(make_clip(still(20), rate_hz=20.0), segmenter, rest_at=None)
    assert {one.value.reason for one in seen[12:15]} == {"jump"}
    assert {one.value.reason for one in seen[15:]} == {"no_rest"}


@pytest.mark.parametrize(("draw", "is_hidden"), [(wall_labels, True), (wall_with_end, False)])
def test_it_is_said_where_the_medial_end_is_not_in_view(draw, is_hidden: bool) -> None:  # type: ignore[no-untyped-def]
    segmenter = truth_segmenter(draw, TRA_ROWS, View.ABDOMINAL_WALL)
    seen = watched(make_clip(still(16), rate_hz=RATE_HZ), segmenter)
    assert {one.is_end_hidden for one in seen[10:]} == {is_hidden}


def test_another_view_is_followed_after_the_next_rest() -> None:
    wall = truth_segmenter(wall_with_end, TRA_ROWS, View.ABDOMINAL_WALL)
    base = truth_segmenter(round_bladder, LIFT_ROWS, View.BLADDER)
    half = COUNT // 2
    segmenter = TruthSegmenter(
        (*wall.labels[:half], *base.labels[half:]),
        wall.grid,
        (*wall.views[:half], *base.views[half:]),
        SPACING,
    )
    seen = watched(make_clip(still(), rate_hz=RATE_HZ), segmenter, rest_at=half + 5)
    assert seen[half - 1].view is View.ABDOMINAL_WALL
    assert seen[half + 3].value.reason == "not_shown"
    assert seen[-1].view is View.BLADDER


def test_pictures_are_cut_to_the_image_area() -> None:
    clip = make_clip(still(3))
    cut = cut_to_image(clip)
    assert cut.frame_shape == (AREA.height, AREA.width) and cut.area == AREA
    assert list(cut.frames()) == []
