"""The course over visits on the page in another language: nothing of it stays English."""

import ast
import itertools
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any, cast

import httpx2
import pytest
from held import WHO, begin_visit, signed_value

from layermotion.errors import InputError
from layermotion.live.live import UNFORESEEN
from layermotion.live.memory import TOO_SHORT
from layermotion.live.practice import Target
from layermotion.live.recorder import NO_CONSENT, NO_PLACE
from layermotion.measures.measure import Status
from layermotion.record.chart import (
    FIRST,
    NOT_MEASURED,
    NOT_SIGNED,
    change_words,
    read_visits,
    unlike,
)
from layermotion.record.entries import Visit
from layermotion.record.store import Record
from layermotion.review.place import REFUSED, Place
from layermotion.review.server import routes_of
from layermotion.review.visit import Review
from layermotion.serving.run import serving
from layermotion.serving.sentences import say_in, sentences_of
from layermotion.session.against import LARGER, UNKNOWN, UNSURE, WITHIN, Change
from layermotion.session.detectable import DetectableChange, DetectableChanges
from layermotion.session.direction import LEVELS, WAYS
from layermotion.session.plan import Side
from layermotion.session.published import PUBLISHED
from layermotion.session.sentences import change_sentences

SOURCE = Path(__file__).parent.parent / "src" / "layermotion"
# What a paper's citation and the clinic's own study hold, and what both languages write alike.
SAME = {"Costa", "Maher", "Latimer", "Hodges", "Shirley", "Spine", "study", "lateral"}
UNITS = {"thickness_change": "%", "onset_time": "s", "contraction_ratio": "ratio"}
VALUES = ((2.0, 5.0), (5.0, 2.0), (-2.0, -5.0), (-5.0, -2.0), (2.0, -5.0), (-2.0, 5.0))


def change(measure: str, now: float, earlier: float, **what: Any) -> Change:
    structure = "bladder" if "lift" in measure or "base" in measure else "tra"
    given = {
        "side": "left", "task": "draw_in", "structure": structure, "measure": measure,
        "unit": UNITS.get(measure, "mm"), "earlier": earlier, "now": now, "change": now - earlier,
        "low": 0.0, "high": 0.0, "are_beyond": (True, True), "detectable": 1.2,
        "verdict": LARGER, "source": "",
    } | what  # fmt: skip
    return Change(**given)


def all_changes() -> Iterator[Change]:
    """Give changes of every measure, each way round, then each side with each task."""
    known = itertools.product((True, False), repeat=2)
    for measure, (now, earlier), each in itertools.product((*WAYS, *LEVELS), VALUES, known):
        yield change(measure, now, earlier, are_beyond=each)
    tasks = ("rest", "draw_in", "pelvic_floor_lift", "cough", "cough_prelift", "curl_up",
             "curl_up_prelift", "strain", "unstated")  # fmt: skip
    for side, task in itertools.product(Side, tasks):
        yield change("thickness_rest", 4.1, 5.5, side=str(side), task=task)
    yield change("thickness_rest", 4.1, 10.6)
    for verdict in (WITHIN, UNSURE, UNKNOWN):
        yield change("thickness_rest", 4.1, 5.5, verdict=verdict)


def test_every_sentence_on_a_change_has_a_translation() -> None:
    german = sentences_of("de")
    assert german is not None
    changes = list(all_changes())
    english = [change_words(one) for one in changes]
    english += change_sentences(changes)
    english += [FIRST, NOT_MEASURED, NOT_SIGNED]
    english += [f"{one.source}; {one.conditions}" for one in PUBLISHED]
    assert [text for text in english if german.say(text) == german.other] == []
    words = " ".join(german.say(text) for text in english)
    assert not re.search(r"\b(than|the|was|visit|by|of|at|and|with|thicker|longer)\b", words)


def test_a_change_reads_as_a_german_sentence() -> None:
    german = sentences_of("de")
    assert german is not None
    descent = change("base_displacement", -3.9, -11.7, side="midline", task="cough")
    (english,) = change_sentences([descent])
    assert german.say(english) == (
        "Husten: Der Blasenboden senkte sich weniger weit als beim früheren Termin, um 7,8 mm "
        "(damals \N{MINUS SIGN}11,7 mm, jetzt \N{MINUS SIGN}3,9 mm), mehr als die kleinste "
        "erkennbare Änderung (1,2 mm)."
    )
    grown = change("thickness_change", 62.0, 20.0, detectable=41.0)
    assert german.say(change_words(grown)) == (
        "TrA verdickte sich stärker als beim ersten Termin, um 42 Prozentpunkte, mehr als die "
        "kleinste erkennbare Änderung (41 Prozentpunkte)."
    )
    began = change("base_displacement", 0.0, -8.8, are_beyond=(False, True))
    assert german.say(change_words(began)).startswith(
        "Der Blasenboden bewegte sich nicht über den Fehler hinaus; beim ersten Termin senkte er "
        "sich um 8,8 mm; Unterschied: 8,8 mm, mehr als "
    )
    turned = change("thickness_change", 62.0, -20.0)
    assert german.say(change_words(turned)).startswith(
        "TrA nahm um 62 % an Dicke zu; beim ersten Termin nahm er um 20 % an Dicke ab; "
        "Unterschied: 82 Prozentpunkte, mehr als "
    )


# Where a person may be refused something by what is done on the page, and what only a page that is
# not ours can ask for.
REFUSING = ("review/visit.py", "review/applying.py", "review/course.py", "review/place.py",
            "record/codes.py", "record/chart.py", "live/recorder.py")  # fmt: skip
FOREIGN = re.compile("no picture came|This clip shows no|Frame 5 is not|The handles of an edge")


def refusals_in(path: Path) -> Iterator[str]:
    """Give every sentence that a module raises, with examples in its places."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        given = (
            node.exc.args if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) else []
        )
        for text in given:
            parts = text.values if isinstance(text, ast.JoinedStr) else [text]
            said = "".join(str(p.value) if isinstance(p, ast.Constant) else "5" for p in parts)
            if said.endswith(".") and not FOREIGN.match(said):
                yield said


# Thickness, movement of the bladder base and hold time at each visit.
DAYS = {
    "2026-01-12": (4.1, 9.0, 2.0),
    "2026-02-02": (4.3, -3.0, 2.4),
    "2026-03-02": (6.9, 4.0, 3.1),
}


class Course:
    """The part of a review of which its course is made."""

    def __init__(self, record: Record) -> None:
        self.record, self.places = record, tuple[Place, ...]()
        patient = record.add_patient("P-1")
        for day, (thickness, base, hold) in DAYS.items():
            self.visit = begin_visit(record, patient, date.fromisoformat(day), ("c-1", "c-2"))
            held = [
                signed_value(thickness, half=0.1),
                signed_value(hold, name="hold_time", unit="s", half=0.1),
                signed_value(4 * hold, name="slide", half=0.1),
                signed_value(base, "c-2", 0.1, "base_displacement", side="midline", task="cough",
                             structure="bladder"),
            ]  # fmt: skip
            # At the second visit one value is missing.
            if day == "2026-02-02":
                del held[0]
            assert {value.status for value in held} == {Status.CONFIRMED}
            record.sign(self.visit.visit_id, held, WHO)


def test_the_course_says_where_visits_were_not_measured_alike(tmp_path: Path) -> None:
    with Record.open(tmp_path / "record.sqlite") as record:
        review = Course(record)
        *_, first, last = record.visits(review.visit.patient_id)
        alike = {"weights": "layers-007", "site": "most-even"}
        told = []
        for visit, facts in (
            (first, alike),
            (last, alike),
            (last, {**alike, "site": "junction:20"}),
        ):
            # Of a clip without a signed value nothing matters.
            record_clip(record, visit, "c-1", facts)
            record_clip(record, visit, "c-9", {"weights": "layers-001"})
            told.append(unlike(read_visits(record, review.visit.patient_id)))
        assert told[:2] == [(), ()]
        (said,) = told[2]
        assert "at different sites (junction:20, most-even)" in said
        # The bladder has no place of thickness, and is not compared with the wall.
        record_clip(record, last, "c-2", {"weights": "layers-007", "site": "x", "task": "cough"})
        assert unlike(read_visits(record, review.visit.patient_id)) == (said,)
        record_clip(record, first, "c-1", {**alike, "weights": "layers-008"})
        both = unlike(read_visits(record, review.visit.patient_id))
        assert both[1:] == (said,)
        assert "with different weights (layers-007, layers-008)" in both[0]
        german = [say_in("de", one) for one in both]
        assert [one.partition(" (")[0] for one in german] == [
            "Clips dieser Termine wurden mit verschiedenen Gewichten gemessen",
            "Clips dieser Termine wurden an verschiedenen Messorten gemessen",
        ]


def record_clip(record: Record, visit: Visit, clip_id: str, facts: dict[str, str]) -> None:
    """Write facts of a clip as if they had been added before the visit was signed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("layermotion.record.store.refuse_signed", lambda visit: None)
        record.add_clip(visit.visit_id, clip_id, facts, WHO)


def test_the_course_tells_the_signed_values_of_each_visit(tmp_path: Path) -> None:
    with Record.open(tmp_path / "record.sqlite") as record:
        review = Course(record)
        with (
            serving(routes_of(cast(Review, review), None)) as running,
            httpx2.Client(base_url=running.address.origin) as page,
        ):
            page.get(running.link())
            course = page.get("/course").json()
            measures = [chart["measure"] for chart in course["charts"]]
            pictures = [page.get(f"/course/charts/{k}").text for k in range(len(measures))]
            first, last = (page.get(path).json() for path in ("/course/0/1", "/course/2/1"))
    assert [visit["day"] for visit in course["visits"]] == list(DAYS)
    assert {visit["signed_by"] for visit in course["visits"]} == {WHO}
    chart = course["charts"][measures.index("thickness_contracted")]
    told = [(p["visit"], p["day"], p["value"], p["low"], p["high"]) for p in chart["points"]]
    near = pytest.approx
    assert told[0] == (0, "2026-01-12", near(4.1), near(4.0), near(4.2))
    assert told[1] == (1, "2026-02-02", None, None, None)
    assert told[2] == (2, "2026-03-02", near(6.9), near(6.8), near(7.0))
    assert [point["is_beyond"] for point in chart["points"]] == [False, False, True]
    assert chart["way"] == "" and course["charts"][measures.index("slide")]["way"] == "lateral"
    titles = {
        "thickness_contracted": "TrA thickness contracted",
        "hold_time": "hold time",
        "slide": "slide of TrA",
        "base_displacement": "movement of the bladder base",
    }
    assert all(titles[name] in svg for name, svg in zip(measures, pictures, strict=True))
    assert (first["earlier"], first["now"]) == ("2026-01-12", "2026-02-02")
    assert (last["earlier"], last["now"]) == ("2026-02-02", "2026-03-02")


def shown_in(language: str, review: Course, own: DetectableChanges | None) -> list[str]:
    """Give every text that the screen of the course gets from the program."""
    with serving(routes_of(cast(Review, review), own)) as running:
        headers = {"accept-language": language}
        with httpx2.Client(base_url=running.address.origin, headers=headers) as page:
            page.get(running.link())
            course = page.get("/course").json()
            found = [page.get("/course/0/2").json()["sentences"]]
            for number, chart in enumerate(course["charts"]):
                svg = page.get(f"/course/charts/{number}").text
                found.append(re.findall(r">([^<>]*\w[^<>]*)</text>", svg))
                found.append([chart["source"], *(point["words"] for point in chart["points"])])
            refused = page.get("/course/0/0").json()["error"]
            found.append([refused])
    return [text for group in found for text in group]


def test_a_refusal_is_in_the_language_of_the_reader() -> None:
    german = sentences_of("de")
    assert german is not None
    english = [text for path in REFUSING for text in refusals_in(SOURCE / path)]
    english += [text.format(number=2, first="tra 1 mm") for text in REFUSED.values()]
    english += [TOO_SHORT, NO_CONSENT, NO_PLACE, UNFORESEEN.format(kind="OSError")]
    for wrong in ({"low": 9}, {"low": -5}, {"hold_s": 0}, {"repeats": 0}, {"count_s": 99},
                  {"pause_s": -1}):  # fmt: skip
        with pytest.raises(InputError) as refused:
            Target(**{"low": 3, "high": 5, "hold_s": 2, "repeats": 3, "count_s": 3, "pause_s": 3}
                   | wrong)  # fmt: skip
        english.append(str(refused.value))
    assert len(english) > 25
    assert [text for text in english if german.refuse(text) == text] == []
    assert german.refuse("Nobody foresaw this; do that.") == "Nobody foresaw this; do that."


@pytest.mark.parametrize("raters", ["any", "one"])
def test_the_whole_course_is_in_the_language_of_the_reader(tmp_path: Path, raters: str) -> None:
    own = DetectableChanges(
        "study", (DetectableChange("slide", "tra", "mm", 1, 1.0, 3.0, raters, 9, 30),)
    )
    with Record.open(tmp_path / "record.sqlite") as record:
        course = Course(record)
        english, german = (shown_in(language, course, own) for language in ("en", "de"))
    assert min(len(english), len(german)) > 40
    words = [set(re.findall(r"[^\W\d_]{4,}", " ".join(texts))) for texts in (english, german)]
    assert words[0] & words[1] <= SAME
    # An axis says what is drawn, in which unit, and what is positive.
    for axis in (
        "Dicke TrA angespannt, mm", "Haltezeit TrA, s", "Weg des Blasenbodens, mm",
        "+ heißt angehoben", "12.01.2026",
    ):  # fmt: skip
        assert axis in german
    # Decimals are written as the reader writes them, on the axes as well.
    assert any(re.fullmatch(r"\d,\d+", text) for text in german)
    assert not any(re.fullmatch(r"\d\.\d+", text) for text in german)
