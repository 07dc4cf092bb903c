"""A clip of which a person left out the only effort: what the final record says of it."""

import json
import re
import time
from datetime import date
from pathlib import Path

import pytest
from reviewed import PATIENCE_S
from visits import DrawnVisit

from layermotion.commands.review import Final
from layermotion.exchange.request import Export
from layermotion.record.store import Record
from layermotion.review.confirming import key_of
from layermotion.review.corrections import Confirm, LeaveOut
from layermotion.review.sources import find_sources
from layermotion.review.visit import Review

DAY = date(2026, 3, 2)
WORDS = (
    "Every effort of this clip was left out by a person (probe moved), so nothing of it is counted."
)
MEASURES = {"measures.sr.dcm", "observations.fhir.json"}
# Of these two the only effort is left out.
OUT = ("left-draw_in-3", "midline-cough-2")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sign a visit of three draw-ins and two coughs without the last of each."""
    base = tmp_path_factory.mktemp("left-out")
    drawn = DrawnVisit(base / "visit")
    for number in (1, 2, 3):
        drawn.wall(f"left_draw_in_{number}.dcm", 20)
    for number in (1, 2):
        drawn.bladder(f"midline_cough_{number}.dcm", -30)
    final = Final(base / "out", tuple(Export), drawn.segmenter())
    listed = find_sources([drawn.folder], None, "image-centre")
    record = Record.open(base / "record.sqlite")
    review = Review(listed, final.segmenter, record, DAY, final.write)
    review.measure_all()
    review.begin("P-017", "A. B.", DAY)
    for place in review.places:
        name = f"{place.listed.side}-{place.listed.task}-{place.listed.repeat}"
        if name in OUT:
            review.correct(place, LeaveOut(1, "probe moved"), "")
            assert place.summary()["missing"] == [] and place.summary()["to_confirm"] == 0
        review.see(place)
        if place.unconfirmed:
            review.correct(place, Confirm(tuple(map(key_of, place.unconfirmed))), "")
    review.sign("A. B.")
    end_s = time.monotonic() + PATIENCE_S
    while review.is_writing and time.monotonic() < end_s:
        time.sleep(0.02)
    assert review.not_written == ""
    record.close()
    return Path(review.finished).parent


def words_of(page: Path) -> str:
    return re.sub(r"\s+", " ", re.sub("<[^>]+>", " ", page.read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", OUT)
def test_its_report_says_that_it_was_left_out_and_nothing_else(folder: Path, name: str) -> None:
    words = words_of(folder / name / "report.html")
    assert words.count(WORDS) == 2, "at the head, and where reasons stand"
    for other in ("No effort was", "could not be found", "was hidden", "Every measure of this"):
        assert other not in words
    assert json.loads((folder / name / "measures.json").read_text())["measures"] == []


def test_the_visit_counts_it_nowhere(folder: Path) -> None:
    words = words_of(folder / "visit.html")
    assert "mean of 2" in words and "mean of 3" not in words
    assert "of 3 repeats" not in words and "of 2 repeats)" not in words
    assert "could not be found" not in words and "was hidden" not in words
    assert "Settled by a person: repeat 1 left out (probe moved)." in words


@pytest.mark.parametrize("name", OUT)
def test_no_file_of_measures_is_exported_of_it(folder: Path, name: str) -> None:
    measured = {path.name for path in (folder / "left-draw_in-1").iterdir()}
    assert measured - {path.name for path in (folder / name).iterdir()} == MEASURES
