"""Which way differences of a visit count, and what is said of visits that do not compare."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from layermotion.labels import Task
from layermotion.measures.measure import Measure, Status
from layermotion.session.against import Earlier, compare_visits
from layermotion.session.page import build_visit_page
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.recorded import Recorded
from layermotion.session.results import BETWEEN_SIDES, PRELIFT_EFFECT, Row, tabulate
from layermotion.session.visit import assemble

FACTS = {"software": "layermotion", "weights": "standin-001", "weights SHA-256": "0", "site": "x"}


def recorded(
    side: Side, task: Task, value: float, half: float, name: str = "thickness_change"
) -> Recorded:
    """Make a recording with one measure."""
    structure = "bladder" if name == "base_displacement" else "tra"
    measure = Measure(
        name, structure, task, "1", value, "mm", value - half, value + half, Status.DRAFT, "",
        "0-9", "Mean.",
    )  # fmt: skip
    item = Item(side, task, 1, (Path("clip.dcm"),), None, Settings())
    return Recorded(item, f"{side}-{task}", (measure,), FACTS, ())


def only(rows: Sequence[Row], **wanted: str) -> Row:
    """Find the one row with some entries."""
    (row,) = [r for r in rows if all(getattr(r, name) == want for name, want in wanted.items())]
    return row


def test_sides_are_left_minus_right_with_the_errors_of_both() -> None:
    left = recorded(Side.LEFT, Task.DRAW_IN, 3.0, 0.3)
    right = recorded(Side.RIGHT, Task.DRAW_IN, 1.0, 0.4)
    row = only(tabulate([right, left]), side=BETWEEN_SIDES)
    assert row.value == pytest.approx(2.0)
    assert (row.low, row.high) == pytest.approx((2 - math.hypot(0.3, 0.4), 2 + 0.5))


def test_effect_is_lifted_minus_plain_so_that_less_descent_is_positive() -> None:
    base = "base_displacement"
    plain = recorded(Side.MIDLINE, Task.COUGH, -8.0, 0.5, base)
    lifted = recorded(Side.MIDLINE, Task.COUGH_PRELIFT, -5.0, 0.5, base)
    row = only(tabulate([plain, lifted]), measure=PRELIFT_EFFECT)
    assert row.value == pytest.approx(3.0)


def test_change_is_now_minus_earlier() -> None:
    now, earlier = (
        tabulate([recorded(Side.LEFT, Task.DRAW_IN, value, 0.3)]) for value in (2.0, 3.5)
    )
    (change,) = compare_visits(now, earlier, None)
    assert (change.earlier, change.now, change.change) == pytest.approx((3.5, 2.0, -1.5))
    half = math.hypot(0.3, 0.3)
    assert (change.low, change.high) == pytest.approx((-1.5 - half, -1.5 + half))


def test_the_table_tells_a_change_from_the_detectable_one_that_it_exceeds() -> None:
    now, earlier = (
        recorded(Side.LEFT, Task.DRAW_IN, value, 0.01, "thickness_rest") for value in (4.0, 5.13)
    )
    visit = assemble((now,), (), Earlier(tabulate([earlier]), FACTS, frozenset()), None)
    page = build_visit_page(visit, {})
    assert "<b>\N{MINUS SIGN}1.13</b>" in page and ">1.10</td>" in page


@pytest.mark.parametrize("fact", ["weights", "site"])
def test_visits_measured_in_another_way_are_said_to_be(fact: str) -> None:
    own = recorded(Side.LEFT, Task.DRAW_IN, 2.0, 0.3)
    words = f"The earlier visit was measured with other {fact} (before, now {FACTS[fact]})"
    for facts, is_said in (({**FACTS, fact: "before"}, True), (FACTS, False)):
        visit = assemble((own,), (), Earlier(tabulate([replace(own)]), facts, frozenset()), None)
        assert any(caution.startswith(words) for caution in visit.cautions) == is_said
