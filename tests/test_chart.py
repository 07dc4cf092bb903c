"""The course of a measure over visits, and two visits compared, on numbers checked by hand."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from held import WHO, begin_visit, signed_value

from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.errors import RecordError
from layermotion.record.chart import (
    FIRST,
    NOT_MEASURED,
    NOT_SIGNED,
    Chart,
    Key,
    charts,
    compare,
    read_visits,
)
from layermotion.record.drawing import Words, draw_chart
from layermotion.record.entries import Patient, SignedValue
from layermotion.record.store import Record
from layermotion.session.against import LARGER, UNKNOWN, UNSURE, WITHIN
from layermotion.session.detectable import DetectableChange, DetectableChanges

BASE = {"name": "base_displacement", "structure": "bladder", "side": "midline", "task": "cough"}
OWN = DetectableChanges(
    "own study",
    tuple(
        DetectableChange("base_displacement", "bladder", "mm", repeats, 1.0, change, "one", 9, 30)
        for repeats, change in ((1, 3.0), (3, 2.0))
    ),
)


class Course:
    """Writes visits of one patient, whose clips hold one value each."""

    def __init__(self, record: Record, patient: Patient) -> None:
        self.record, self.patient = record, patient

    def visit(self, day: str, *values: SignedValue, is_signed: bool = True) -> None:
        """Add a visit with these values."""
        clips = tuple(dict.fromkeys(value.clip_id for value in values)) or ("c-0",)
        visit = begin_visit(self.record, self.patient, date.fromisoformat(day), clips)
        if is_signed:
            self.record.sign(visit.visit_id, values, WHO)

    def charts(self, own: DetectableChanges | None = None) -> dict[Key, Chart]:
        """Chart every measure."""
        found = charts(read_visits(self.record, self.patient.patient_id), own)
        return {chart.key: chart for chart in found}


@pytest.fixture
def course(tmp_path: Path) -> Iterator[Course]:
    with Record.open(tmp_path / "record.sqlite") as record:
        yield Course(record, record.add_patient("P-1"))


def three(*values: float, half: float = 0.1, **what: str) -> list[SignedValue]:
    return [
        signed_value(value, clip_id=f"c-{number}", half=half, **what)
        for number, value in enumerate(values)
    ]


TRA = Key("left", "draw_in", "tra", "thickness_contracted", "mm")


def test_each_visit_gives_the_mean_of_its_repeats_at_its_day(course: Course) -> None:
    course.visit("2024-02-12", *three(5.4, 5.5, 5.6))
    course.visit("2024-01-08", *three(4.0, 4.1, 4.2))
    chart = course.charts()[TRA]
    assert [point.day.isoformat() for point in chart.points] == ["2024-01-08", "2024-02-12"]
    assert [point.value for point in chart.points] == pytest.approx([4.1, 5.5])
    assert [point.repeats for point in chart.points] == [3, 3]
    assert chart.first == pytest.approx(4.1)
    # Student's t of three repeats with a standard deviation of 0.1, and measuring error of 0.1.
    half = ((4.303 * 0.1 / 3**0.5) ** 2 + 0.1**2) ** 0.5
    assert chart.points[0].low == pytest.approx(4.1 - half)
    # Published: 1.1 mm for the thickness of a muscle.
    assert [point.detectable for point in chart.points] == [1.1, 1.1]
    assert "Costa" in chart.source
    first, second = chart.points
    assert first.change is None and first.words == FIRST and not first.is_beyond
    assert second.change is not None and second.change.verdict == LARGER and second.is_beyond
    assert second.words == (
        "The contracted TrA was thicker than at the first visit, by 1.4 mm, larger than the "
        "smallest detectable change of 1.1 mm."
    )


def test_within_the_smallest_detectable_change_no_direction_is_said(course: Course) -> None:
    course.visit("2024-01-08", *three(4.0, 4.1, 4.2))
    course.visit("2024-01-15", *three(4.9, 5.0, 5.1))
    course.visit("2024-01-22", *three(2.0, 3.0, 3.7, half=2.0))
    _, within, unsure = course.charts()[TRA].points
    assert within.change is not None and within.change.verdict == WITHIN
    assert within.words == "Against the first value: within the smallest detectable change."
    assert unsure.change is not None and unsure.change.verdict == UNSURE
    assert not within.is_beyond and not unsure.is_beyond
    assert not any(word in unsure.words for word in ("thick", "thin"))


def test_the_clinics_own_change_goes_by_the_fewer_repeats_and_the_words_by_direction(
    course: Course,
) -> None:
    course.visit("2024-01-08", *three(-11.8, -11.7, -11.6, **BASE))
    course.visit("2024-01-15", signed_value(-9.2, half=0.1, **BASE))
    course.visit("2024-01-22", *three(-4.0, -3.9, -3.8, **BASE))
    key = Key("midline", "cough", "bladder", "base_displacement", "mm")
    first, single, last = course.charts(OWN)[key].points
    assert [point.detectable for point in (first, single, last)] == [2.0, 3.0, 2.0]
    assert single.change is not None and single.change.verdict == WITHIN
    assert last.words == (
        "The bladder base descended less far than at the first visit, by 7.8 mm, larger than the "
        "smallest detectable change of 2.0 mm."
    )
    unknown = course.charts()[key]
    assert unknown.source == ""
    assert {p.change.verdict for p in unknown.points if p.change} == {UNKNOWN}


def test_a_visit_without_the_value_says_why(course: Course) -> None:
    course.visit("2024-01-08", signed_value(30.0, name="thickness_change", unit="%"))
    course.visit("2024-01-15", *three(4.0, 4.1, 4.2))
    course.visit("2024-01-22", is_signed=False)
    # Repeats that cannot be of one thing have no mean.
    course.visit("2024-01-29", *three(1.0, 4.0, 12.0))
    points = course.charts()[TRA].points
    assert [point.value is None for point in points] == [True, False, True, True]
    assert [point.words for point in points[:3]] == [NOT_MEASURED, FIRST, NOT_SIGNED]
    assert "differ too much to be of one thing" in points[3].words


def test_amended_values_count_and_the_own_means_of_a_clip_do_not(course: Course) -> None:
    repeats = [signed_value(value, repeat=str(n)) for n, value in enumerate((4.0, 4.2), start=1)]
    course.visit("2024-01-08", *repeats, signed_value(9.9, repeat="mean"))
    (point,) = course.charts()[TRA].points
    assert (point.value, point.repeats) == (pytest.approx(4.1), 2)
    course.record.amend(point.visit_id, [signed_value(4.4, repeat="1")], WHO, "slip")
    (point,) = course.charts()[TRA].points
    assert point.value == pytest.approx(4.3)


def test_a_slide_of_unknown_direction_takes_no_part(course: Course) -> None:
    slide = signed_value(6.0, name="slide", clip_id="c-1")
    for day, lateral in (("2024-01-08", "known"), ("2024-01-15", "unknown")):
        visit = course.record.begin_visit(course.patient.patient_id, date.fromisoformat(day))
        course.record.add_clip(visit.visit_id, "c-1", {"lateral": lateral})
        course.record.sign(visit.visit_id, [slide], WHO)
    (chart,) = course.charts().values()
    assert [point.value for point in chart.points] == [6.0, None]
    assert chart.points[1].words == LATERAL_UNKNOWN


def test_two_visits_are_compared_in_whichever_order_they_come(course: Course) -> None:
    both = {"name": "thickness_rest"}
    course.visit("2024-01-08", *three(4.0, 4.1, 4.2, **both))
    course.visit("2024-02-12", *three(5.4, 5.5, 5.6, **both))
    course.visit("2024-02-19", is_signed=False)
    early, late, unsigned = read_visits(course.record, course.patient.patient_id)
    found = compare(late, early, None)
    assert found == compare(early, late, None)
    assert (found.earlier, found.now) == (early.visit, late.visit)
    (change,) = found.changes
    assert (change.earlier, change.now) == (pytest.approx(4.1), pytest.approx(5.5))
    assert found.sentences == (
        "Left, draw-in: TrA at rest was thicker than at the earlier visit, by 1.4 mm (4.1 mm then, "
        "5.5 mm now), larger than the smallest detectable change of 1.1 mm.",
    )
    with pytest.raises(RecordError, match="cannot be compared with itself"):
        compare(late, late, None)
    with pytest.raises(RecordError, match="2024-02-19 is not signed"):
        compare(unsigned, early, None)
    other = course.record.add_patient("P-2")
    Course(course.record, other).visit("2024-03-01", signed_value())
    (foreign,) = read_visits(course.record, other.patient_id)
    with pytest.raises(RecordError, match="of two patients"):
        compare(early, foreign, None)


def test_the_picture_shows_band_values_gaps_and_what_is_beyond(course: Course) -> None:
    course.visit("2024-01-08", *three(4.0, 4.1, 4.2))
    course.visit("2024-01-15", signed_value(3.0, name="hold_time", unit="s"))
    course.visit("2024-01-22", *three(4.2, 4.3, 4.4))
    course.visit("2024-02-12", *three(5.6, 5.7, 5.8))
    chart = course.charts()[TRA]
    words = Words(
        "TrA thickness, mm", "in the band", "no band", "filled", "no value", ",", "%d.%m.%Y"
    )
    svg = draw_chart(chart, words)
    counts = {name: svg.count(f'id="{name}"') for name in ("band", "value", "beyond", "missing")}
    assert counts == {"band": 1, "value": 2, "beyond": 1, "missing": 1}
    shown = ("TrA thickness, mm", "in the band", "filled", "no value", "08.01.2024", "12.02.2024")
    assert all(text in svg for text in shown)
    assert ">4,5<" in svg and ">4.5<" not in svg
    assert "no band" not in svg and "http" not in svg
    assert draw_chart(chart, words) == svg


def test_dates_keep_apart_however_close_the_visits_are(course: Course) -> None:
    for day in range(1, 13):
        course.visit(f"2024-01-{day:02}", signed_value(-4.0 + day / 10, **BASE))
    course.visit("2024-06-30", signed_value(0.5, **BASE))
    (chart,) = course.charts().values()
    svg = draw_chart(
        chart, Words("way, mm", "in the band", "no band", "filled", "none", ".", "%Y-%m-%d")
    )
    assert svg.count("2024-") == 2 and "2024-01-01" in svg and "2024-06-30" in svg
    assert svg.count('id="value"') == 13 and 'id="band"' not in svg
    assert "no band" in svg and "in the band" not in svg
