"""What measuring a whole clip of the wall promises, each on one drawn clip."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from standin import (
    COLUMNS,
    ROWS,
    SPACING,
    Labels,
    TruthSegmenter,
    analysed,
    draw_texture,
    effort,
    make_clip,
    slid,
    truth_segmenter,
    wall_labels,
    wall_with_end,
)

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.analysis.wall import LATERAL_UNKNOWN, signals_of_wall
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.efforts.channels import CHANNELS
from layermotion.errors import MeasurementError
from layermotion.labels import FULL_NAMES, Structure, Task, View
from layermotion.measures.measure import Measure
from layermotion.measures.slide import UNSEEN_SLIDE
from layermotion.measures.thickness import OTHER_PART
from layermotion.measures.timing import ACROSS_GAP
from layermotion.normal import Z95
from layermotion.series.series import Quantity

TRA_ROWS = 45


def still_wall(count: int) -> TruthSegmenter:
    """Stand-in for frames of one wall without an end."""
    return truth_segmenter(wall_labels, np.full(count, float(TRA_ROWS)), View.ABDOMINAL_WALL)


def sliding(slide_px: Sequence[int], is_mirrored: bool = False) -> Analysis:
    """Draw-in in which the TrA slides to the right, where lateral is; or all of it mirrored.

    The IO thickens as it slides.
    """
    side = -1 if is_mirrored else 1
    more = 25 * np.array(slide_px) / max(*slide_px, 1)
    pictures = [np.ascontiguousarray(picture[:, ::side]) for picture in slid(slide_px)]
    segmenter = truth_segmenter(
        lambda rows: np.ascontiguousarray(io_shortened(25 - rows)[:, ::side]),
        more,
        View.ABDOMINAL_WALL,
    )
    return analysed(make_clip(pictures, task=Task.DRAW_IN), segmenter)


def io_shortened(less: int) -> Labels:
    """Wall with a medial end whose IO ends so many rows above where it otherwise would."""
    labels = wall_with_end(TRA_ROWS)
    bottom = int(np.flatnonzero((labels == 3).any(axis=1))[-1])
    labels[bottom + 1 - less : bottom + 1][labels[bottom + 1 - less : bottom + 1] == 3] = 0
    return labels


def quantity(found: Analysis, name: str, structure: str) -> Quantity:
    """One quantity that must be there."""
    wanted = found.series.get(name, structure)
    assert wanted is not None
    return wanted


def only(found: Analysis, name: str, structure: str = "tra", unit: str = "mm") -> Measure:
    """Find the one measure of a name, of the first repeat."""
    (measure,) = [
        m
        for m in found.measures
        if (m.name, m.structure, m.unit, m.repeat) == (name, structure, unit, "1")
    ]
    return measure


def half_of(measure: Measure) -> float:
    """Half of the interval of a measure that has one."""
    assert measure.low is not None and measure.high is not None
    return (measure.high - measure.low) / 2


# -- thickness -----------------------------------------------------------------------------------


def test_thickness_that_jumps_is_withheld_and_the_rest_kept() -> None:
    # For three frames the lower edge of the TrA springs by 35 rows of 0.08 mm to another border.
    rows = np.full(30, float(TRA_ROWS))
    rows[12:15] = 80
    segmenter = truth_segmenter(wall_labels, rows, View.ABDOMINAL_WALL)
    clip = make_clip([draw_texture()] * rows.size, rate_hz=20.0)
    tra = quantity(analysed(clip, segmenter), "thickness", "tra")
    assert np.flatnonzero(np.isnan(tra.value)).tolist() == [12, 13, 14]
    np.testing.assert_array_equal(tra.confidence == 0, np.isnan(tra.value))
    np.testing.assert_allclose(tra.value[~np.isnan(tra.value)], TRA_ROWS * 0.08, atol=0.05)


def test_thickness_that_two_looks_dispute_is_withheld_and_said() -> None:
    # From frame 20 on the second look, at every tenth frame, finds the lower edge of the TrA 0.56
    # mm deeper; each frame goes by the nearest that was looked at twice.
    segmenter = still_wall(30)
    again = (wall_labels(TRA_ROWS),) * 20 + (wall_labels(TRA_ROWS + 7),) * 10
    found = analysed(make_clip([draw_texture()] * 30), replace(segmenter, again=again))
    tra = quantity(found, "thickness", "tra")
    assert np.flatnonzero(np.isnan(tra.value)).tolist() == list(range(16, 30))
    assert np.isfinite(quantity(found, "thickness", "io").value).all()
    assert any(
        words.startswith("The borders of the transversus abdominis") and "14 of 30" in words
        for words in found.cautions
    )


def test_edges_follow_the_borders_in_the_picture() -> None:
    # Bright borders begin a row outside of where the network sees the edges of the TrA.
    flat = np.full((ROWS, COLUMNS), 70, np.uint8)
    bordered = flat.copy()
    top, bottom = 203, 203 + TRA_ROWS
    bordered[top - 6 : top - 1] = bordered[bottom + 1 : bottom + 6] = 200
    flat_mm, bordered_mm = (
        quantity(analysed(make_clip([picture] * 3), still_wall(3)), "thickness", "tra").value[0]
        for picture in (flat, bordered)
    )
    assert flat_mm == pytest.approx(TRA_ROWS * 0.08, abs=0.05)
    assert 0.03 < bordered_mm - flat_mm < 2 * 0.08


def test_low_confidence_widens_the_interval_as_the_weights_say() -> None:
    # Confidence differs from frame to frame; the median of each clip tells its error.
    rng = np.random.default_rng(3)
    clip = make_clip([draw_texture()] * 15)
    halves, medians = [], []
    for low, high in ((0.0, 0.006), (0.01, 0.02)):
        segmenter = replace(
            still_wall(15), doubt=tuple(rng.uniform(low, high, 15)), error_growth=6.0
        )
        found = analysed(clip, segmenter)
        tra = quantity(found, "thickness", "tra")
        assert np.unique(tra.confidence).size == 15
        medians.append(float(np.median(tra.confidence)))
        row_mm = found.footage.grid.mm_per_pixel
        assert row_mm is not None
        expected = Z95 * row_mm * segmenter.error_px("thickness_tra", medians[-1])
        halves.append(half_of(only(found, "thickness_rest")))
        assert halves[-1] == pytest.approx(expected, rel=0.02)
    assert medians[1] < medians[0] - 0.03
    assert halves[1] > 1.25 * halves[0]


def tapering(shift: int) -> Labels:
    """Wall whose TrA tapers all along and is drawn to the right, while the IO thickens."""
    labels = io_shortened(25 - shift // 2)
    row, column = np.mgrid[:ROWS, :COLUMNS]
    taper = np.clip((column - 50 - shift) / 150, 0, 1)
    labels[(labels == 4) & (row >= 203 + TRA_ROWS * taper)] = 0
    return labels


def test_a_taper_that_slides_past_the_site_is_said() -> None:
    # Its tissue keeps its thickness; at the site it thins by two fifths.
    slide = np.rint(40 * effort(60, 12, 48, ramp=4))
    segmenter = truth_segmenter(tapering, slide, View.ABDOMINAL_WALL)
    clip = make_clip(slid(slide.astype(int).tolist()), task=Task.DRAW_IN)
    found = analysed(clip, segmenter)
    changes = {m.structure: m for m in found.measures if m.name == "thickness_change"}
    assert changes["tra"].value is None
    assert changes["tra"].reason == OTHER_PART.format(layer=FULL_NAMES[Structure.TRA])
    assert changes["io"].value is not None
    assert only(found, "thickness_contracted").value is not None


# -- slide ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("is_mirrored", [False, True])
def test_slide_is_positive_towards_lateral_on_either_side_of_the_picture(is_mirrored: bool) -> None:
    # 30 columns of 0.11 mm away from the medial end.
    slide_px = np.rint(30 * effort(45, 8, 40, ramp=3)).astype(int).tolist()
    found = sliding(slide_px, is_mirrored)
    assert found.is_lateral_known and LATERAL_UNKNOWN not in found.cautions
    value = only(found, "slide").value
    assert value == pytest.approx(30 * 0.11, abs=0.1)
    assert only(found, "slide").method.endswith("Positive is lateral.")
    moved = quantity(found, "slide", "tra").value
    np.testing.assert_allclose(moved, 0.11 * np.array(slide_px), atol=0.15)
    # The medial end is drawn in as far, a little farther where the muscle between gives way.
    drawn_in = only(found, "medial_edge_displacement").value
    assert drawn_in == pytest.approx(30 * 0.11, abs=0.3)


def test_slide_of_unknown_way_says_what_is_positive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("layermotion.analysis.wall.lateral_side", lambda edges: 0)
    found = sliding(np.rint(30 * effort(45, 8, 40, ramp=3)).astype(int).tolist())
    assert not found.is_lateral_known and LATERAL_UNKNOWN in found.cautions
    assert only(found, "slide").method.endswith("Positive is towards the right of the picture.")


@pytest.fixture(scope="module")
def two_efforts() -> tuple[Analysis, NDArray[np.float64]]:
    """Two efforts; the key frame lies 0.66 mm before the first rest, the second 0.55 mm past it."""
    slide_px = 40 * effort(90, 10, 45, ramp=3) + 36 * effort(90, 55, 86, ramp=3)
    slide_px[1:] += 6
    slide_px[48:] += 5
    return sliding(np.rint(slide_px).astype(int).tolist()), 0.11 * slide_px


@pytest.mark.parametrize("name", ["slide", "medial_edge"])
def test_the_first_rest_is_the_zero_of_what_moves(
    name: str, two_efforts: tuple[Analysis, NDArray[np.float64]]
) -> None:
    found, truth_mm = two_efforts
    first, second = (w for w in found.efforts.windows if w.state == "rest")
    moved = quantity(found, name, "tra").value
    assert moved[first.frames].mean() == pytest.approx(0, abs=1e-9)
    assert moved[second.frames].mean() == pytest.approx(0.55, abs=0.1)
    at_rest = truth_mm[first.frames].mean()
    assert moved[20:40].mean() == pytest.approx(truth_mm[20:40].mean() - at_rest, abs=0.2)


def test_each_effort_is_measured_against_the_rest_before_it(
    two_efforts: tuple[Analysis, NDArray[np.float64]],
) -> None:
    found, _ = two_efforts
    slides = {m.repeat: m.value for m in found.measures if m.name == "slide"}
    assert slides.keys() == {"1", "2", "mean"}
    assert slides["1"] == pytest.approx(40 * 0.11, abs=0.2)
    assert slides["2"] == pytest.approx(36 * 0.11, abs=0.2)


def test_unknown_lateral_is_said() -> None:
    found = analysed(make_clip([draw_texture()] * 15), still_wall(15))
    assert not found.is_lateral_known
    assert LATERAL_UNKNOWN in found.cautions


@pytest.mark.parametrize(("shake_px", "is_lost"), [(0, False), (3, True)])
def test_slide_of_texture_that_shakes_is_withheld(shake_px: int, is_lost: bool) -> None:
    # Found 0.33 mm to one side or the other from frame to frame, as no muscle moves.
    rows = 1 + 21 * effort(40, 10, 36, ramp=3)
    shake = shake_px * np.random.default_rng(1).integers(-1, 2, rows.size)
    # The IO thickens, so that the effort is known without the slide.
    segmenter = truth_segmenter(io_grown, rows, View.ABDOMINAL_WALL)
    clip = make_clip(slid(shake.tolist(), (230, 300)), task=Task.DRAW_IN)
    found = analysed(clip, segmenter)
    assert found.efforts.count.number == 1
    slide = quantity(found, "slide", "tra")
    assert np.isnan(slide.value).all() == is_lost
    assert (slide.confidence == 0).all() == is_lost
    measure = only(found, "slide")
    assert (measure.value is None) == is_lost
    assert measure.reason == (UNSEEN_SLIDE if is_lost else "")


def io_grown(more: int) -> Labels:
    """Wall whose IO reaches so many rows farther down than from row 133 to 170."""
    labels = wall_labels(TRA_ROWS)
    labels[labels >= 3] = 0
    labels[133 : 170 + more] = 3
    labels[230 : 230 + TRA_ROWS] = 4
    return labels


def test_the_whole_picture_tells_of_efforts_where_it_shows_the_view() -> None:
    # 26 frames of a lead-in show no wall. Then its lower half becomes brighter for a time.
    lead = 26
    course = effort(90, 36, 60)
    rows = np.zeros(course.size)
    segmenter = truth_segmenter(
        lambda _: wall_labels(TRA_ROWS), rows, View.ABDOMINAL_WALL, unseen=lead
    )
    brighter = np.zeros((ROWS, COLUMNS))
    brighter[160:] = 40
    pictures = [(draw_texture() * 0.7 + each * brighter).astype(np.uint8) for each in course]
    pictures[:lead] = [np.full((ROWS, COLUMNS), 40, np.uint8)] * lead
    with Recording() as recording:
        site = parse_site("muscle-centre")
        found = analyse(make_clip(pictures), segmenter, site, recording)  # type: ignore[arg-type]
        signals = signals_of_wall(found)
    whole = signals.value[[name.startswith("picture") for name in CHANNELS]]
    assert np.isnan(whole[:, :lead]).all() and not np.isnan(whole[:, lead:]).any()
    base = np.column_stack([*whole[:, lead:], np.ones(course.size - lead)])
    fitted = base @ np.linalg.lstsq(base, course[lead:], rcond=None)[0]
    assert np.abs(fitted - course[lead:]).max() < 0.4


# -- what is said of the clip as a whole ---------------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "is_said"), [(10.0, True), (1.0, False)])
def test_pictures_that_are_missing_for_seconds_are_said_and_no_time_spans_them(
    rate_hz: float, is_said: bool
) -> None:
    clip = make_clip([draw_texture()] * 60, rate_hz=rate_hz, task=Task.DRAW_IN)
    segmenter = truth_segmenter(
        wall_with_end, 45 + 22 * effort(60, 18, 44, ramp=3), View.ABDOMINAL_WALL
    )
    frames = [replace(f, time_s=f.time_s + 3 * (f.index >= 30)) for f in clip.frames()]
    found = analysed(replace(clip, read=lambda: iter(frames)), segmenter)
    words = "The clip has no pictures from 2.90 to 6.00 s; times across this gap are not given"
    assert any(caution.startswith(words) for caution in found.cautions) is is_said
    assert not any("no pictures" in caution for caution in analysed(clip, segmenter).cautions)
    if is_said:
        given = {m.name: m.reason for m in found.measures if m.unit == "s" and m.repeat == "1"}
        assert given == {
            "onset_time": "", "rise_time": "", "hold_time": ACROSS_GAP, "return_time": "",
        }  # fmt: skip


def test_times_that_go_back_are_refused() -> None:
    clip = make_clip([draw_texture()] * 24)
    frames = [replace(f, time_s=f.time_s - 2 * (f.index > 14)) for f in clip.frames()]
    segmenter = truth_segmenter(wall_with_end, np.full(24, 45.0), View.ABDOMINAL_WALL)
    with pytest.raises(MeasurementError, match=r"drawn has times that do not increase; export"):
        analysed(replace(clip, read=lambda: iter(frames)), segmenter)


def test_doubt_about_the_number_of_efforts_is_said() -> None:
    # For 1.4 s an effort may be hidden, with all of the wall.
    is_seen = np.ones(24)
    is_seen[6:20] = 0
    segmenter = truth_segmenter(
        lambda seen: wall_labels(TRA_ROWS) * np.uint8(seen), is_seen, View.ABDOMINAL_WALL
    )
    found = analysed(make_clip([draw_texture()] * is_seen.size), segmenter)
    assert found.efforts.count.number == 0 and not found.efforts.count.is_sure
    assert set(found.efforts.count.caution) <= set(found.cautions)
    assert any(
        words.startswith("In a part of the clip neither a muscle nor the bladder base")
        and "number of efforts (0 found)" in words
        for words in found.cautions
    )


@pytest.mark.parametrize("range_mm", [(0.05, 0.08), (0.09, 0.3)])
def test_scale_outside_training_is_said(range_mm: tuple[float, float]) -> None:
    clip = make_clip([draw_texture()] * 3)
    words = "The picture's scale (0.082 mm per model pixel) lies outside"
    assert not any(w.startswith(words) for w in analysed(clip, still_wall(3)).cautions)
    found = analysed(clip, replace(still_wall(3), spacing_range_mm=range_mm))
    assert any(w.startswith(words) for w in found.cautions)


def test_interval_grows_with_the_pixel() -> None:
    # The error is known in model pixels; a picture of twice the size a pixel has twice the error.
    halves = []
    for factor in (1.0, 2.0):
        spacing = replace(
            SPACING, row_mm=SPACING.row_mm * factor, column_mm=SPACING.column_mm * factor
        )
        segmenter = truth_segmenter(
            wall_labels, np.full(6, float(TRA_ROWS)), View.ABDOMINAL_WALL, spacing
        )
        found = analysed(make_clip([draw_texture()] * 6, spacing=spacing), segmenter)
        halves.append(half_of(only(found, "thickness_rest")))
    assert halves[1] == pytest.approx(2 * halves[0], rel=0.02)
