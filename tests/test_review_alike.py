"""Recordings of one task that are not alike: said on the page before a visit is signed."""

from types import SimpleNamespace
from typing import Any

import pytest

from layermotion.labels import Task
from layermotion.measures.measure import Measure, Status
from layermotion.review.place import no_means
from layermotion.review.sentences import day_in_language
from layermotion.session.plan import Side


def measure(name: str, structure: str, value: float, half: float, unit: str) -> Measure:
    """Make a confirmed value of one repeat."""
    return Measure(
        name, structure, "draw_in", "1", value, unit, value - half, value + half,
        Status.CONFIRMED, "", "3", "",
    )  # fmt: skip


def recording(number: int, eo_mm: float, tra_percent: float = 40.0, *, known: bool = True) -> Any:
    """Make a measured recording of which the EO at rest is so thick, and the TrA thickens so."""
    measures = (
        measure("thickness_rest", "eo", eo_mm, 0.2, "mm"),
        measure("thickness_change", "eo", 2.0, 1.0, "%"),
        measure("thickness_change", "tra", tra_percent, 5.0, "%"),
    )
    return SimpleNamespace(
        desk=SimpleNamespace(
            analysis=SimpleNamespace(measures=measures, is_lateral_known=True),
        ),
        listed=SimpleNamespace(
            side=Side.LEFT, task=Task.DRAW_IN, repeat=number, is_side_known=known
        ),
        clip_id=f"c{number}",
    )


@pytest.mark.parametrize(("second_mm", "count"), [(4.6, 0), (9.9, 1)])
def test_recordings_of_two_places_are_said_before_signing(second_mm: float, count: int) -> None:
    waiting = SimpleNamespace(desk=None)
    found = no_means([recording(1, 4.3), recording(2, second_mm), waiting])  # type: ignore[list-item]
    assert len(found) == count
    state = {"clips": [], "no_means": found, "not_written": ""}
    for english, german in zip(found, day_in_language(state, "de")["no_means"], strict=True):
        assert english.startswith("Left, draw-in: no mean. The recordings are not of one place")
        assert german.startswith("Links, Bauch einziehen: kein Mittelwert. Die Aufnahmen zeigen")


def test_a_muscle_without_a_mean_is_said_beside_those_that_have_one() -> None:
    (english,) = no_means([recording(1, 4.3, 10.0), recording(2, 4.3, 290.0)])
    assert english.startswith("Left, draw-in: TrA has no mean. The repeats (10 and 290 %) differ")
    state = {"clips": [], "no_means": [english], "not_written": ""}
    (german,) = day_in_language(state, "de")["no_means"]
    assert german.startswith("Links, Bauch einziehen: TrA hat keinen Mittelwert. Die Wiederholun")


def test_sides_that_are_not_stated_are_not_taken_for_one() -> None:
    assert no_means([recording(k, mm, known=False) for k, mm in ((1, 4.3), (2, 9.9))]) == []
