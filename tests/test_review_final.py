"""What was signed is the same in the record, in the files and over the course."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any, cast

import pytest
from held import WHO
from standin import (
    draw_frames,
    effort,
    no_whole_picture,
    truth_segmenter,
    wall_labels,
    write_video,
)
from test_review_course import Course
from test_review_server import confirm_all, written
from visits import DrawnVisit

from layermotion.commands.review import Final
from layermotion.exchange.request import Export
from layermotion.geometry import Spacing
from layermotion.labels import Structure, View
from layermotion.measures.measure import MEAN, Status
from layermotion.record.chart import Comparison, VisitRows, compare, read_visits, unlike
from layermotion.record.store import Record
from layermotion.report.tables import DECIMALS
from layermotion.review.corrections import Calibrate, Calliper, Confirm, MoveSite
from layermotion.review.course import compared
from layermotion.review.place import Place, Stage, signed_values
from layermotion.review.sources import find_sources
from layermotion.review.visit import Review

COUNT, DAY = 64, date(2026, 3, 2)
# Pixels are square, so that the clip lies on the network's input alike with and without a scale.
SPACING = Spacing(0.08, 0.08, "test")
ROWS = 45 + 22 * effort(COUNT, 24, 50)
Opened = Callable[..., Any]


@pytest.fixture
def opened(tmp_path: Path, plain_reports: None) -> Opened:
    """Write a clip without a scale, and review it."""
    (tmp_path / "visit").mkdir()
    write_video(tmp_path / "visit" / "left_draw_in_1.mp4", draw_frames(COUNT))

    @contextmanager
    def review(*exports: Export) -> Iterator[Review]:
        segmenter: Any = truth_segmenter(wall_labels, ROWS, View.ABDOMINAL_WALL, SPACING)
        final = Final(tmp_path / "out", exports, segmenter)
        listed = find_sources([tmp_path / "visit"], None, "image-centre")
        with Record.open(tmp_path / "record.sqlite") as record:
            made = Review(listed, segmenter, record, DAY, final.write)
            made.measure_all()
            assert [place.stage for place in made.places] == [Stage.READY]
            yield made
            written(made)

    return review


def begun(review: Review) -> None:
    review.begin("P-017", WHO, DAY)


def signed(review: Review) -> Path:
    """Confirm and sign all; give the folder of the final results of the first clip."""
    confirm_all(review)
    review.sign(WHO)
    page = written(review)
    assert review.not_written == ""
    return page.parent / "left-draw_in-1"


def signed_with_a_scale(review: Review) -> Place:
    """Give the only clip its scale, and sign it."""
    begun(review)
    (place,) = review.places
    review.correct(place, Calibrate(SPACING.row_mm, SPACING.column_mm, "ruler"), "")
    signed(review)
    return place


def test_without_a_scale_changes_are_confirmed_themselves(opened: Opened) -> None:
    with opened() as review:
        begun(review)
        (place,) = review.places
        known = {m.name for m in place.measured if m.value is not None}
        assert known == {"thickness_change"}
        folder = signed(review)
        measures = place.opened.analysis.measures
        held = {m.name: m.status for m in measures if m.value is not None}
        assert {"thickness_change", "contraction_ratio", "onset_time"} <= set(held)
        assert set(held.values()) == {Status.CONFIRMED}
        values = review.record.values(review.visit.visit_id)
        assert {value.name for value in values} == set(held)
        stated = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["measures"]
        assert {m["status"] for m in stated if m["value"] is not None} == {"confirmed"}


def test_with_a_scale_only_what_is_read_off_is_confirmed(opened: Opened) -> None:
    with opened() as review:
        begun(review)
        (place,) = review.places
        review.correct(place, Calibrate(SPACING.row_mm, SPACING.column_mm, "ruler"), "")
        names = {m.name for m in place.measured}
        assert {"thickness_rest", "thickness_contracted"} <= names
        assert "thickness_change" not in names and "onset_time" not in names


def test_the_record_knows_what_became_of_a_clip_before_it_was_signed(opened: Opened) -> None:
    with opened() as review:
        begun(review)
        (place,) = review.places
        review.correct(place, Calibrate(SPACING.row_mm, SPACING.column_mm, "ruler"), "")
        review.correct(place, MoveSite(130.0), "")
        folder = signed(review)
        (clip,) = review.record.clips(review.visit.visit_id)
        found = place.opened.analysis
        assert found.series.get("slide", Structure.TRA) is not None
        assert clip.facts["lateral"] == ("known" if found.is_lateral_known else "unknown")
        assert (clip.facts["site"], clip.facts["place"]) == (
            "image-centre",
            "by-hand:130",
        )
        stated = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
        assert stated["site"] == "by-hand:130"
        # A later visit where it was not moved is not measured alike.
        visits = read_visits(review.record, review.visit.patient_id)
        assert unlike(visits) == ()
        facts = {**clip.facts, "place": "image-centre"}
        other = visits[0].clips[0].__class__("c-other", facts)
        again = visits[0].__class__(visits[0].visit, visits[0].rows, (other,))
        (said,) = unlike([*visits, again])
        assert "at different sites (by-hand:130, image-centre)" in said
    # Opened again, it is measured where it was listed, and moved as it was.
    with opened() as again:
        (place,) = again.places
        assert (place.listed.site, place.site) == ("image-centre", "by-hand:130")
        assert place.problem == ""


def test_the_record_holds_an_amendment_as_the_files_do(opened: Opened) -> None:
    with opened() as review:
        place = signed_with_a_scale(review)
        review.begin_amendment(WHO)
        calliper = Calliper(30, Structure.TRA, "contracted", 1, (100.0, 120.0), (180.0, 120.0))
        review.correct(place, calliper, "")
        review.correct(place, Confirm(tuple(m_key(place))), "")
        review.amend("The deep edge was hidden.", WHO)
        written(review)
        held = {value.key: value for value in review.record.values(review.visit.visit_id)}
        now = {value.key: value for value in signed_values(review.places)}
        assert held == now
        assert {v.status for v in held.values()} == {Status.CONFIRMED, Status.CORRECTED}


def test_an_amendment_that_moves_the_site_moves_it_in_the_record(opened: Opened) -> None:
    with opened() as review:
        place = signed_with_a_scale(review)
        (before,) = review.record.clips(review.visit.visit_id)
        review.amend("The patient had eaten.", WHO)
        written(review)
        assert review.record.clips(review.visit.visit_id) == (before,)
        review.begin_amendment(WHO)
        review.correct(place, MoveSite(130.0), "")
        review.correct(place, Confirm(tuple(m_key(place))), "")
        review.amend("The site lay on the edge.", WHO)
        written(review)
        (after,) = review.record.clips(review.visit.visit_id)
        assert after.facts == {**before.facts, "place": "by-hand:130"}


def m_key(place: Any) -> Iterator[str]:
    """Keys of what waits to be confirmed."""
    for shown in place.opened.shown()["measures"]:
        if shown["is_measured"] and shown["value"] is not None and shown["status"] == "draft":
            yield shown["key"]


def test_means_in_the_files_are_those_of_the_record(tmp_path: Path, plain_reports: None) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    for number, rise in enumerate((20, 23), start=1):
        drawn.wall(f"left_draw_in_{number}.dcm", rise)
    segmenter: Any = drawn.segmenter()
    listed = find_sources([drawn.folder], None, "image-centre")
    with no_whole_picture(), Record.open(tmp_path / "record.sqlite") as record:
        final = Final(tmp_path / "out", (), segmenter)
        review = Review(listed, segmenter, record, DAY, final.write)
        review.measure_all()
        begun(review)
        confirm_all(review)
        review.sign(WHO)
        stated = json.loads(written(review).with_name("visit.json").read_text(encoding="utf-8"))
        (held,) = read_visits(record, review.visit.patient_id)
    rows = [row for row in held.rows if row.repeat == MEAN and row.value is not None]
    found = [row for row in stated["rows"] if row["repeat"] == MEAN and row["value"] is not None]
    assert len(rows) == len(found) > 10
    for row, one in zip(rows, found, strict=True):
        assert (row.structure, row.measure) == (one["structure"], one["measure"])
        # Rounded once, in the end: what is computed from rounded values is farther off.
        for name in ("value", "low", "high"):
            assert one[name] == round(getattr(row, name), DECIMALS), (row.measure, name)


def test_exports_asked_for_later_are_written(opened: Opened) -> None:
    with opened() as review:
        begun(review)
        folder = signed(review)
        assert not (folder / "observations.fhir.json").exists()
    with opened(Export.FHIR) as again:
        written(again)
        assert (folder / "observations.fhir.json").exists()
        time_ns = (folder / "measures.json").stat().st_mtime_ns
    with opened(Export.FHIR) as last:
        written(last)
        assert (folder / "measures.json").stat().st_mtime_ns == time_ns


def test_of_two_visits_of_one_day_the_first_is_the_earlier(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[str, str]] = []

    def noted(one: VisitRows, other: VisitRows, own: None) -> Comparison:
        asked.append((one.visit.visit_id, other.visit.visit_id))
        return compare(one, other, own)

    monkeypatch.setattr("layermotion.review.course.compare", noted)
    with Record.open(tmp_path / "record.sqlite") as record:
        review = cast(Review, Course(record))
        for order in ((0, 1), (1, 0)):
            compared(review, *order, None, "en")
        first, second, _ = record.visits(review.visit.patient_id)
    assert asked == [(first.visit_id, second.visit_id)] * 2
