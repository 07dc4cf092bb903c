"""The record of a visit: six key numbers, what a person confirms, and why nothing was seen."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from test_session_numbers import row

from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.labels import Task
from layermotion.session.page import build_visit_page
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.record import key_numbers, lines_to_confirm, nothing_seen_words
from layermotion.session.recorded import Recorded
from layermotion.session.results import Row
from layermotion.session.visit import Visit


def base(value: float, task: str = "cough", half: float = 1.0) -> Row:
    return row("base_displacement", "bladder", value, half, "mm", "midline", task)


def of_wall(side: str) -> list[Row]:
    return [
        row("thickness_rest", value=4.0, half=0.3, unit="mm", side=side),
        row("thickness_contracted", value=6.0, half=0.3, unit="mm", side=side),
        row("thickness_change", value=50.0, side=side),
        row("contraction_ratio", value=1.5, half=0.1, unit="ratio", side=side),
        row("slide", value=8.0, half=1.0, unit="mm", side=side),
    ]


def visit_of(rows: tuple[Row, ...], tasks: tuple[Task, ...] = (Task.DRAW_IN,)) -> Visit:
    recorded = tuple(
        Recorded(Item(Side.LEFT, task, 1, (Path("a.dcm"),), None, Settings()), "c1", (), {}, ())
        for task in tasks
    )
    provenance = {name: "x" for name in ("software", "weights", "weights SHA-256", "site")}
    return Visit(recorded, rows, (), None, (), provenance)


def test_the_most_asked_for_numbers_come_first_and_six_at_most() -> None:
    rows = [*of_wall("right"), *of_wall("left"), base(-5.0), base(3.0, "pelvic_floor_lift")]
    found = key_numbers(rows)
    assert [item.title for item in found] == [
        "Draw-in, left: TrA thickened",
        "Draw-in, right: TrA thickened",
        "Pelvic floor lift: bladder base lifted",
        "Cough: bladder base descended",
        "Draw-in, left: TrA rest",
        "Draw-in, right: TrA rest",
    ]
    descent = found[3]
    assert (descent.value, descent.unit, descent.interval) == ("5.0", "mm", "4.0 to 6.0")
    assert descent.repeats == "mean of 3"


def test_a_number_within_its_error_claims_no_direction() -> None:
    (number,) = key_numbers([base(-0.5)])
    assert number.title == "Cough: bladder base, no movement beyond error"
    assert (number.value, number.interval) == ("\N{MINUS SIGN}0.5", "\N{MINUS SIGN}1.5 to 0.5")


def test_a_slide_whose_direction_is_unknown_is_told_by_the_picture_alone() -> None:
    known = row("slide", value=8.0, half=1.0, unit="mm", side="right")
    unknown = replace(
        row("slide", value=-16.3, half=1.0, unit="mm", side="left"), reason=LATERAL_UNKNOWN
    )
    first, second = key_numbers([unknown, known])
    assert first.title == "Draw-in, left: TrA slid to the left of the picture"
    assert (first.value, first.interval) == ("16.3", "15.3 to 17.3")
    assert second.title == "Draw-in, right: TrA slid laterally"
    own, other = lines_to_confirm([unknown, known])
    assert (own.values[2], other.values[2]) == ("16.3 to the left", "8.0")
    opposite = replace(unknown, value=5.0, low=4.0, high=6.0)
    (line,) = lines_to_confirm([opposite])
    assert line.values[2] == "5.0 to the right"
    assert key_numbers([opposite])[0].title.endswith("slid to the right of the picture")
    for rows, heading in (
        ((unknown,), "slide (past EO, + is to the right)"),
        ((known,), "slide (past EO, + is lateral)"),
        ((unknown, known), "slide (past EO, + is lateral; left: + is to the right)"),
    ):
        page = build_visit_page(visit_of(rows), {})
        assert page.count(heading) == 1 and page.count("slide (past EO") == 1
        assert "medially" not in page


def test_only_what_was_measured_on_the_picture_is_confirmed() -> None:
    rows = [*of_wall("left"), base(-5.0)]
    wall, bladder = lines_to_confirm(rows)
    assert (wall.where, wall.structure, wall.values) == (
        "Left, draw-in", "TrA", ("4.0", "6.0", "8.0", None),
    )  # fmt: skip
    assert (bladder.where, bladder.values[3]) == ("Cough", "\N{MINUS SIGN}5.0")
    page = build_visit_page(visit_of(tuple(rows)), {})
    assert page.count('class="box"') == 4
    assert page.index('class="box"') < page.index("<h2>Appendix</h2>") < page.rindex("<table>")


def test_a_mean_without_a_value_is_not_to_be_confirmed() -> None:
    assert lines_to_confirm([replace(base(-5.0), value=None, low=None, high=None)]) == ()


@pytest.mark.parametrize(
    ("tasks", "words"),
    [
        ((Task.REST, Task.REST), "Only rest was recorded"),
        ((Task.REST, Task.COUGH), "No change could be measured in any recording"),
        ((), "No recording could be measured"),
    ],
)
def test_why_nothing_was_seen_is_said(tasks: tuple[Task, ...], words: str) -> None:
    visit = visit_of((), tasks)
    assert nothing_seen_words(visit).startswith(words)
    assert words in build_visit_page(visit, {})


def test_the_head_is_blank_or_says_what_the_file_says() -> None:
    visit = visit_of(tuple(of_wall("left")))
    blank = build_visit_page(visit, {})
    head = blank[blank.index('<dl class="fill">') : blank.index("</dl>")]
    assert head.count('class="blank"') == 5
    named = build_visit_page(visit, {}, {"Patient": "Example <b>", "Date": "2026-01-02"})
    head = named[named.index('<dl class="fill">') : named.index("</dl>")]
    assert "Example &lt;b&gt;" in head and "2026-01-02" in head
    assert re.search(r"<dt>Sides</dt><dd>left</dd>", head)


def test_advice_is_given_once_with_the_recordings_that_ask_for_it() -> None:
    visit = visit_of(tuple(of_wall("left")), (Task.DRAW_IN, Task.REST))
    assert "At the next recording" not in build_visit_page(visit, {})
    advised = tuple(replace(one, advice=("Hold the probe still.",)) for one in visit.recorded)
    page = build_visit_page(replace(visit, recorded=advised), {})
    assert page.count("Hold the probe still.") == 1
    assert "left-draw_in-1; left-rest-1" in page


def test_tasks_stand_in_the_order_in_which_they_were_recorded() -> None:
    tasks = (Task.STRAIN, Task.COUGH, Task.PELVIC_FLOOR_LIFT)
    rows = tuple(base(-5.0, task) for task in tasks)
    assert [line.where for line in lines_to_confirm(rows)] == [
        "Strain",
        "Cough",
        "Pelvic floor lift",
    ]
    pictures = {f"left-{task}-1": b"x" for task in tasks}
    page = build_visit_page(visit_of(rows, tasks), pictures)
    appendix = page[page.index("<h2>Appendix</h2>") :]
    for heading in ("Bladder base", "What was outlined"):
        part = appendix[appendix.index(f"<h2>{heading}</h2>") :]
        part = part[: part.index("</section>")]
        places = [part.lower().index(words) for words in ("strain", "cough", "pelvic floor lift")]
        assert places == sorted(places)
    wall = tuple(
        replace(row("thickness_change"), task=task) for task in (Task.STRAIN, Task.DRAW_IN)
    )
    page = build_visit_page(visit_of(wall), {})
    assert page.index("<h2>Strain</h2>") < page.index("<h2>Draw-in</h2>")
