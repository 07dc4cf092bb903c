"""What to do at the next recording: each fault drawn by itself, and recordings without a fault."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from report_content import make_content
from standin import (
    COLUMNS,
    ROWS,
    TruthSegmenter,
    bladder_labels,
    draw_texture,
    effort,
    make_clip,
    moved,
    no_whole_picture,
    truth_segmenter,
    wall_labels,
    wall_with_end,
)

from layermotion.analysis import advice
from layermotion.analysis.advice import advise
from layermotion.analysis.analysis import analyse
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.geometry import Spacing
from layermotion.labels import Task, View
from layermotion.report.page import build_page

Labels = NDArray[np.uint8]
COUNT = 80
ACTIVATION = effort(COUNT, 30, 60)
STILL = [draw_texture()] * COUNT
MEDIAL = "Move the probe medially until the end of the TrA is in the picture."
# More than twice the size of the other drawings, so that the bladder is a full one; still unequal.
FULL = Spacing(0.18, 0.25, "test")


def advised(
    segmenter: TruthSegmenter,
    pictures: list[Labels] = STILL,
    task: Task = Task.DRAW_IN,
    spacing: Spacing | None = None,
) -> tuple[str, ...]:
    """Advice on a drawn clip of ten frames a second."""
    clip = make_clip(pictures, task=task, **({"spacing": spacing} if spacing else {}))
    with no_whole_picture(), Recording() as recording:
        return advise(analyse(clip, segmenter, parse_site("muscle-centre"), recording))  # type: ignore[arg-type]


def wall(
    draw: Callable[[int], Labels] = wall_with_end, activation: NDArray[np.float64] = ACTIVATION
) -> TruthSegmenter:
    return truth_segmenter(draw, 45 + 22 * activation, View.ABDOMINAL_WALL)


def sloping(rows_per_column: float) -> Callable[[int], Labels]:
    """Wall with its medial end, turned in the picture."""

    def draw(rows: int) -> Labels:
        level, sloped = wall_with_end(rows), np.zeros((ROWS, COLUMNS), np.uint8)
        for column in range(COLUMNS):
            down = round((column - COLUMNS / 2) * rows_per_column)
            kept = np.arange(ROWS) - down
            inside = (kept >= 0) & (kept < ROWS)
            sloped[inside, column] = level[kept[inside], column]
        return sloped

    return draw


def cut_bladder(lift_rows: int) -> Labels:
    """Bladder whose base lies below the picture, with its walls on both sides in view."""
    labels = np.zeros((ROWS, COLUMNS), np.uint8)
    labels[25:60] = 1
    row, column = np.mgrid[:ROWS, :COLUMNS]
    base = ROWS + 30 - 120 * ((column - 120) / 90) ** 2 - lift_rows
    labels[(row >= 100) & (row < base) & (abs(column - 120) < 90)] = 5
    return labels


# -- nothing is wrong ----------------------------------------------------------------------------


def test_a_good_recording_gives_no_advice() -> None:
    assert advised(wall()) == ()


def test_a_good_bladder_gives_no_advice() -> None:
    segmenter = truth_segmenter(bladder_labels, 30 * ACTIVATION, View.BLADDER, FULL)
    assert advised(segmenter, task=Task.PELVIC_FLOOR_LIFT, spacing=FULL) == ()


def test_at_rest_the_medial_end_is_not_asked_for() -> None:
    still = wall(wall_labels, 0 * ACTIVATION)
    assert advised(still, task=Task.REST) == ()
    assert advised(wall(wall_labels)) == (MEDIAL,)


# -- one fault each ------------------------------------------------------------------------------


def test_dark_layers_ask_for_gain() -> None:
    dark = [picture // 4 for picture in STILL]
    assert advised(wall(), dark) == (advice.DARK,)


def test_a_slope_is_told_in_degrees_of_the_tissue() -> None:
    # 0.8 rows of 0.08 mm for a column of 0.11 mm: 30 degrees; 39 if pixels were taken as square.
    (words,) = advised(wall(sloping(0.8)))
    assert words.startswith("The muscles lie at 3") and "rock the probe" in words
    degrees = int(words.split(" degrees")[0].split()[-1])
    assert degrees == pytest.approx(np.degrees(np.arctan(0.8 * 0.08 / 0.11)), abs=2)
    assert advised(wall(sloping(0.2))) == ()


def test_a_moved_probe_is_told_in_millimetres() -> None:
    across = np.interp(np.arange(COUNT), [0, 30, 50, 80], [0, 0, 40, 40])
    pictures = moved([(0, int(column)) for column in across])
    # 40 columns of 0.11 mm.
    assert advised(wall(), pictures) == ("Hold the probe still; it moved by 4 mm.",)
    little = moved([(0, int(column / 2)) for column in across])
    assert advised(wall(), little) == ()


@pytest.mark.parametrize(
    ("begin", "end", "words"),
    [
        (-20, 40, advice.CUT_BEGIN),
        (40, 200, advice.CUT_END),
        (5, 40, "There was hardly any rest before the first effort (0.4 s); record two seconds"),
    ],
)
def test_an_effort_at_the_end_of_the_clip_is_named(begin: int, end: int, words: str) -> None:
    (said,) = advised(wall(activation=effort(COUNT, begin, end)))
    assert said.startswith(words)


def test_a_small_bladder_is_told_in_millimetres() -> None:
    segmenter = truth_segmenter(bladder_labels, 30 * ACTIVATION, View.BLADDER)
    (words,) = advised(segmenter, task=Task.PELVIC_FLOOR_LIFT)
    # 150 rows of 0.08 mm, of which the lift takes some.
    assert words.startswith("The bladder is only 12 mm deep")


def test_a_base_below_the_picture_asks_for_its_whole_wall() -> None:
    segmenter = truth_segmenter(cut_bladder, 20 * ACTIVATION, View.BLADDER, FULL)
    assert advised(segmenter, task=Task.PELVIC_FLOOR_LIFT, spacing=FULL) == (advice.BASE_OUT,)


# -- several faults, and where it is shown -------------------------------------------------------


def test_of_many_faults_the_two_that_matter_most_are_named() -> None:
    dark = [picture // 4 for picture in STILL]
    segmenter = wall(wall_labels, effort(COUNT, -20, 40))
    assert advised(segmenter, dark) == (advice.DARK, advice.CUT_BEGIN)


def test_the_page_shows_advice_only_where_there_is_some() -> None:
    content = make_content()
    assert "At the next recording" not in build_page(content)
    page = build_page(replace(content, advice=(MEDIAL,)))
    heading = page.index("<h2>At the next recording</h2>")
    assert page.index(MEDIAL) > heading
