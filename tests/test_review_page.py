"""A whole visit in a real browser: looked at, corrected, confirmed, signed, followed."""

import json
import math
import re
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route
from reviewed import PATIENCE_S, Alike, make_review, opened, until
from standin import draw_frames, effort, truth_segmenter, wall_labels, write_video
from test_review_server import confirm_all
from visits import DrawnVisit

from layermotion.errors import InputError
from layermotion.geometry import Spacing
from layermotion.labels import View
from layermotion.record.store import Record
from layermotion.review.corrections import Calibrate
from layermotion.review.desk import Desk
from layermotion.review.sources import find_sources
from layermotion.review.visit import Review

SCRIPTS = Path(__file__).parent.parent / "scripts"
# Most that a person does for a clip that is right, and for one of which an edge is wrong.
MOST_ACTIONS, MOST_ACTIONS_WRONG = 4, 10
COUNT, RISE = 64, 22
TRA_ROWS = 45 + RISE * effort(COUNT, 24, 50)
TRA = "thickness_contracted/tra/1/mm"


@pytest.fixture
def chromium(monkeypatch: pytest.MonkeyPatch) -> str:
    """Path of the browser, which check.py installs; the test fails where there is none."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    import browser

    found = browser.find()
    assert found is not None, browser.MISSING
    return found


class Person:
    """Somebody at the page, whose actions are counted."""

    def __init__(self, page: Page) -> None:
        self.page, self.actions = page, 0

    def press(self, key: str) -> None:
        """Press a key."""
        self.actions += 1
        self.page.keyboard.press(key)

    def click(self, selector: str) -> None:
        """Click on something."""
        self.actions += 1
        self.page.click(selector)

    def open_next(self, title: str) -> None:
        """Go on to the next clip, and check that it is the one which is expected."""
        self.press("n")
        until(self.page, f"document.querySelector('#clip-title').textContent === '{title}'")
        until(self.page, "document.querySelector('#pane-effort canvas').dataset.frame >= 0")

    def see(self, key: str) -> None:
        """Look at the windows that were not on the screen yet."""
        self.press(key)
        until(self.page, "!document.querySelector('#confirm-all').disabled")

    def confirm_all(self) -> None:
        """Confirm all values of the clip."""
        self.press("a")
        until(self.page, "document.querySelector('#confirm-all').disabled")

    def drag(self, selector: str, down: float) -> None:
        """Drag something down by some pixels of the screen."""
        self.actions += 1
        box = self.page.locator(selector).bounding_box()
        while box is None:  # what can be moved is made anew with each picture
            self.page.wait_for_timeout(20)
            box = self.page.locator(selector).bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.mouse.move(x, y + down, steps=4)
        self.page.mouse.up()


def spoken(page: Page, key: str) -> str:
    """Say a value as a screen reader does."""
    return page.locator(f'[data-key="{key}"]').get_attribute("aria-label") or ""


def check_access(page: Page) -> None:
    """Refuse any violation that axe finds on what is shown."""
    found = Axe().run(page).response["violations"]
    assert [(each["id"], each["nodes"][0]["html"]) for each in found] == []


def check_fits(page: Page) -> None:
    """Nothing of the page as a whole lies beyond the window."""
    for width, height in ((1366, 768), (1024, 768)):
        page.set_viewport_size({"width": width, "height": height})
        beyond: Any = page.evaluate(
            "[document.documentElement.scrollWidth - innerWidth,"
            " document.documentElement.scrollHeight - innerHeight,"
            " ...[...document.querySelectorAll('.screen:not([hidden]) button')]"
            "   .filter((b) => b.offsetParent && !b.closest('.scroll'))"
            "   .map((b) => b.getBoundingClientRect().right - innerWidth)]"
        )
        assert max(beyond) <= 0, (width, beyond)
        # What says whose visit it is, how final, and how much is left, is never cut off.
        cut: Any = page.evaluate(
            "['seal', 'of', 'clip-title', 'clip-count'].filter((id) => {"
            "  const e = document.getElementById(id); return e.scrollWidth > e.clientWidth; })"
        )
        assert cut == [], (width, cut)
        # Chosen words of a list are narrower than its box.
        narrow: Any = page.evaluate(
            "[...document.querySelectorAll('.tools select')].filter((s) => s.offsetParent)"
            ".flatMap((s) => { const pen = new OffscreenCanvas(1, 1).getContext('2d');"
            "  pen.font = getComputedStyle(s).font; return [...s.options]"
            "    .filter((o) => pen.measureText(o.text).width + 30 > s.clientWidth)"
            "    .map((o) => o.text); })"
        )
        assert narrow == [], (width, narrow)
    page.set_viewport_size({"width": 1366, "height": 768})


def check_waits_for_its_picture(page: Page) -> None:
    """While a chart is on its way, that of another measure is not on show."""
    under_way: list[Route] = []
    page.route("**/course/charts/1", lambda route: under_way.append(route))
    seen = "getComputedStyle(document.querySelector('#chart')).visibility === 'visible'"
    until(page, seen)
    page.select_option("#course-measure", "1")
    until(page, f"!({seen})")
    while not under_way:
        page.wait_for_timeout(20)
    under_way[0].continue_()
    until(page, seen)


def begin(person: Person, code: str) -> None:
    person.page.fill("#patient", code)
    person.page.fill("#who", "A. Clinician")
    person.click("#begin button")
    until(person.page, "document.querySelector('#begin').hidden")


def sign(person: Person) -> None:
    person.press("g")
    until(person.page, "!document.querySelector('#sign-now').disabled")
    person.click("#sign-now")
    until(person.page, "document.querySelector('#finished').textContent.includes('visit.html')")


def test_no_way_is_said_of_a_movement_within_its_error(tmp_path: Path, chromium: str) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.bladder("midline_cough_1.dcm", -30)
    review = make_review(drawn, tmp_path / "record.sqlite", date(2026, 3, 2), Alike())
    found = review.places[0].opened.analysis
    (base,) = [m for m in found.measures if m.name == "base_displacement"]
    still = replace(base, value=-0.1, low=-0.3, high=0.1)
    review.places[0].opened._now = replace(found, measures=(still,))
    with review.record, opened(review, chromium) as (page, _):
        listed = str(page.text_content("#clips"))
    assert "bladder base: no movement beyond error" in listed and "descended" not in listed


def test_the_page_says_when_results_that_found_no_room_are_written(
    tmp_path: Path, chromium: str
) -> None:
    drawn = DrawnVisit(tmp_path / "visit")
    drawn.wall("left_draw_in_1.dcm", 20)
    review = make_review(drawn, tmp_path / "record.sqlite", date(2026, 3, 2), Alike())

    def full(review: Review) -> Path:
        raise InputError("visit.html cannot be written (No space left on device); free some space.")

    review._finish = full
    with review.record, opened(review, chromium) as (page, _):
        review.begin("P-017", "KL", review.day)
        confirm_all(review)
        review.sign("KL")
        page.reload()
        page.wait_for_selector("#day:not([hidden])")
        first = page.text_content("#day-words")
        page.click("#to-sign")
        until(page, "document.querySelector('#finished').textContent.includes('No space left')")
        said = str(page.text_content("#finished"))
    assert said.endswith(
        "free some space. The visit is signed all the same; its results are written when its clips "
        "are opened again."
    )
    assert first == said, "the first screen says it as well"


def test_a_visit_is_reviewed_signed_and_followed(
    tmp_path: Path, chromium: str, plain_reports: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = tmp_path / "record.sqlite"
    drawn = DrawnVisit(tmp_path / "first")
    for side in ("left", "right"):
        for repeat in (1, 2):
            drawn.wall(f"{side}_draw_in_{repeat}.dcm", 20)
    drawn.bladder("midline_pelvic_floor_lift_1.dcm", 30)
    drawn.bladder("midline_cough_1.dcm", -30)
    review = make_review(drawn, record, date(2026, 3, 2), Alike())
    with opened(review, chromium) as (page, _):
        person = Person(page)
        check_access(page)
        begin(person, "P-017")
        check_access(page)
        check_fits(page)

        # A way from rest is said by its direction.
        listed = str(page.text_content("#clips"))
        assert re.search(r"bladder base lifted by \d", listed)
        assert re.search(r"bladder base descended by \d", listed)
        # A caution needs a person as a missing value does.
        assert "1\N{NO-BREAK SPACE}caution" in listed

        # The clips that need a person come first, and all of them take few actions.
        titles = [f"{side}, draw-in, {repeat}" for side in ("Left", "Right") for repeat in (1, 2)]
        for title in titles[:2]:
            person.actions = 0
            person.open_next(title)
            person.see("r")
            person.confirm_all()
            assert person.actions <= MOST_ACTIONS
        check_access(page)
        check_fits(page)

        # An edge that is wrong is dragged, and every number that rests on it is new.
        person.actions = 0
        person.open_next(titles[2])
        before = spoken(page, TRA)
        person.click(f'[data-key="{TRA}"]')
        person.press("e")
        check_access(page)
        person.drag('[data-hand="edge-2"]', 12)
        until(page, f"""document.querySelector('[data-key="{TRA}"]').ariaLabel !== '{before}'""")
        person.see("r")
        person.confirm_all()
        assert person.actions <= MOST_ACTIONS_WRONG
        assert spoken(page, TRA).endswith("corrected and confirmed")
        assert spoken(page, "thickness_rest/tra/1/mm").endswith(" confirmed")

        # The only repeat is left out with a reason; nothing of the clip waits to be confirmed.
        person.open_next(titles[3])
        person.see("r")
        person.press("o")
        until(page, "document.querySelector('#ask').open")
        check_access(page)
        page.select_option("#ask [name=reason]", "probe moved")
        person.click("#ask .chief")
        until(page, "document.querySelector('#cautions').textContent.includes('probe moved')")
        assert page.locator(f'[data-key="{TRA}"]').count() == 0
        person.confirm_all()

        person.open_next("Midline, pelvic floor lift, 1")
        person.see("r")
        person.confirm_all()

        # A clip is played, and then confirmed.
        person.actions = 0
        person.open_next("Midline, cough, 1")
        page.select_option("#speed", "2")
        person.see("Space")
        person.confirm_all()
        assert person.actions <= MOST_ACTIONS
        person.click('[data-key="base_displacement/bladder/1/mm"]')
        assert re.search(r"mm \(.+\), confirmed\.\+ is lifted", str(page.text_content("#detail")))
        columns = page.locator("#derived thead th").all_text_contents()
        assert "mean" not in columns[:-1], "a mean stands behind its repeats"
        assert "+ is lifted" in str(page.locator("#plot").get_attribute("aria-label"))
        person.press("?")
        until(page, "document.querySelector('#help').open")
        check_access(page)
        person.press("Escape")
        assert "Draft" in page.text_content("#seal")  # type: ignore[operator]
        no_mean = "Cough: no mean. The repeats are not alike."
        monkeypatch.setattr("layermotion.review.visit.no_means", lambda places: [no_mean])
        sign(person)
        assert page.locator("#no-means li").all_text_contents() == [no_mean]
        assert page.text_content("#seal").startswith("Final")  # type: ignore[union-attr]
        check_access(page)
        check_fits(page)

        person.press("v")
        until(page, "document.querySelectorAll('#course-measure option').length > 2")
        titles = page.locator("#course-measure option").all_text_contents()
        assert all(title[0].isupper() for title in titles)
        person.press("g")
        until(page, "!document.querySelector('#sign').hidden")

        # What is changed for an amendment looks like a draft until it is added, or dropped. None
        # begins before the final report is written.
        until(page, "document.querySelector('#finished').textContent.startsWith('Final report:')")
        person.click("#amend-begin")
        until(page, "document.querySelector('#seal').textContent.startsWith('Draft amendment')")
        assert not page.locator("#amend-begin").is_visible()
        check_access(page)
        check_fits(page)
        person.click("#amend-drop")
        until(page, "document.querySelector('#seal').textContent.startsWith('Final')")

    # What was written is final, and holds what was corrected.
    visit = next((tmp_path / "out").iterdir())
    text = (visit / "visit.html").read_text()
    assert "FINAL." in text and "DRAFT" not in text
    assert review.visit is not None
    events = review.record.events(review.visit.visit_id)
    (mark,) = (event.hash[:16] for event in events if event.kind == "signed")
    assert mark in text, "what was signed can be found again in the record"
    document = json.loads((visit / "right-draw_in-1" / "measures.json").read_text())
    assert document["status"] == "final"
    status = {f"{m['name']}/{m['structure']}": m["status"] for m in document["measures"]}
    assert status["thickness_contracted/tra"] == "corrected"
    assert status["thickness_rest/tra"] == "confirmed"
    assert status["thickness_change/tra"] == "corrected"

    # Opened again it is read-only; a second visit stands beside it on one chart.
    drawn = DrawnVisit(tmp_path / "second")
    drawn.wall("left_draw_in_1.dcm", 40, SeriesNumber=2)
    review.record.close()
    later = make_review(drawn, record, date(2026, 5, 4), Alike())
    with opened(later, chromium, "de-DE") as (page, _):
        person = Person(page)
        begin(person, "P-017")
        person.open_next("Links, Bauch einziehen, 1")
        check_fits(page)
        person.see("r")
        person.confirm_all()
        sign(person)
        person.press("v")
        until(page, "document.querySelectorAll('#course-table tbody tr').length === 2")
        until(page, "document.querySelector('#chart').naturalWidth > 0")
        assert "04.05.2026" in page.text_content("#course-words b")  # type: ignore[operator]
        check_waits_for_its_picture(page)
        titles = page.locator("#course-measure option").all_text_contents()
        assert "Links, Bauch einziehen: Dickenänderung TrA, %" in titles
        assert "Beckenboden anheben: Weg des Blasenbodens, mm, + heißt angehoben" in titles
        said = str(page.locator("#chart").get_attribute("alt"))
        assert "02.03.2026: " in said and "04.05.2026: " in said and "(Intervall " in said
        check_access(page)
        check_fits(page)

        # It was another patient's: it is withdrawn, and its clip waits for the right code.
        person.press("g")
        person.click("#mistake summary")
        until(page, "document.querySelector('#mistake').open")
        check_access(page)
        check_fits(page)
        page.fill("#withdraw-form [name=text]", "Termin einer anderen Person")
        person.click("#withdraw-form button")
        until(page, "!document.querySelector('#begin').hidden")
        assert page.input_value("#patient") == ""
        assert page.input_value("#day-of") == "2026-05-04"
        assert str(page.text_content("#seal")).startswith("Entwurf")
        begin(person, "P-018")
        person.open_next("Links, Bauch einziehen, 1")
        until(page, "document.querySelector('#undo').disabled")
        person.press("g")
        assert not page.locator("#mistake").get_attribute("open")
    with Record.open(record) as kept:
        kept.verify()


def test_a_code_of_somebody_else_is_asked_about(
    tmp_path: Path, chromium: str, plain_reports: None
) -> None:
    drawn, alike, record = DrawnVisit(tmp_path / "first"), Alike(), tmp_path / "record.sqlite"
    drawn.wall("left_draw_in_1.dcm", 40)
    other = DrawnVisit(tmp_path / "second")
    other.wall("left_draw_in_1.dcm", 40, SeriesNumber=2)
    nobody = dict.fromkeys(("issuer", "name", "birth"), "")
    reviews = [make_review(one, record, date(2026, 3, 2), alike) for one in (drawn, other)]
    for number, one in zip(("a", "b"), reviews, strict=True):
        one._identity = {"secret": "s", "number": number, **nobody, "days": []}
    first, second = reviews
    first.begin("P-017", "A. Clinician", date(2026, 3, 2))
    with opened(second, chromium) as (page, _):
        assert not page.locator("#other-person").is_visible()
        page.fill("#patient", "P-017")
        page.fill("#who", "A. Clinician")
        page.click("#begin button")
        until(page, "document.querySelector('#trouble').textContent.includes('another person')")
        until(page, "!document.querySelector('#other-person').hidden")
        check_access(page)
        check_fits(page)
        page.click("#begin button")
        until(page, "document.querySelector('#trouble').textContent.includes('another person')")
        assert second.visit is None
        page.check("#other-person input")
        page.click("#begin button")
        until(page, "document.querySelector('#begin').hidden")
        assert page.locator("#trouble").is_hidden()
    for one in reviews:
        one.record.close()


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Review:
    """Make a review of one video without a scale, with a network that knows its truth."""
    path = tmp_path / "left_draw_in_1.mp4"
    write_video(path, draw_frames(COUNT))
    segmenter = truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, None)
    measure_again = Desk._measure_again

    def with_its_scale(desk: Desk, step: Calibrate) -> None:
        spacing = Spacing(step.row_mm, step.column_mm, step.how)
        desk._segmenter = truth_segmenter(wall_labels, TRA_ROWS, View.ABDOMINAL_WALL, spacing)
        measure_again(desk, step)

    monkeypatch.setattr(Desk, "_measure_again", with_its_scale)
    record = Record.open(tmp_path / "record.sqlite")
    listed = find_sources([path], None, "image-centre")
    review = Review(listed, segmenter, record, date(2026, 3, 2), lambda _: path)
    review.measure_all()
    return review


def points_of(page: Page) -> list[list[float]]:
    """Row and column of both points of the calliper, as a screen reader says them."""
    said = [page.locator(f'[data-hand="calliper-{k}"]').get_attribute("aria-label") for k in (0, 1)]
    return [[float(number) for number in re.findall(r"\d+", str(words))[1:]] for words in said]


def once(page: Page, is_true: Callable[[], bool]) -> None:
    """Wait until something is true of the program behind the page."""
    end_s = time.monotonic() + PATIENCE_S
    while not is_true():
        assert time.monotonic() < end_s
        page.wait_for_timeout(20)


def give_scale(person: Person, scale_of: Callable[[], Any], way: str, mm: str) -> None:
    before = scale_of()
    person.click("#scale")
    until(person.page, "document.querySelector('#ask').open")
    person.page.select_option("#ask [name=way]", way)
    person.page.fill("#ask [name=mm]", mm)
    person.click("#ask .chief")
    once(person.page, lambda: scale_of() != before)
    until(person.page, "document.querySelector('#wait').hidden")


def test_a_clip_is_given_its_scale_and_measured_by_calliper(bare: Review, chromium: str) -> None:
    with opened(bare, chromium) as (page, _):
        person = Person(page)
        begin(person, "P-017")
        person.open_next("Left, draw-in, 1")
        assert "no value" in spoken(page, TRA)
        shown = bare.places[0].opened.shown

        def scale() -> Any:
            return shown()["mm_per_pixel"]

        # Two points of a ruler, 20 mm apart.
        person.press("m")
        until(page, """document.querySelector('[data-hand="calliper-1"]') !== null""")
        assert page.text_content("#calliper-says") in ("", "no scale")
        assert page.locator("#calliper-take").is_disabled()
        person.drag('[data-hand="calliper-1"]', 60)
        (first, second) = points_of(page)
        give_scale(person, scale, "points", "20")
        row_mm, column_mm = scale()
        far = math.dist(first, second)
        assert row_mm == column_mm == pytest.approx(20 / far, rel=0.02)
        until(
            page,
            f"""!document.querySelector('[data-key="{TRA}"]').ariaLabel.includes('no value')""",
        )
        (tra,) = (m["value"] for m in shown()["measures"] if m["key"] == TRA)
        assert tra == pytest.approx((45 + RISE) * row_mm, abs=2 * row_mm)

        # The depth of view over the whole picture instead, which is taken back again.
        give_scale(person, scale, "depth", "60")
        assert scale()[0] == pytest.approx(60 / shown()["height_px"])
        person.press("Escape")
        person.press("u")
        once(page, lambda: scale() == [row_mm, column_mm])
        label = f"""document.querySelector('[data-key="{TRA}"]').ariaLabel"""
        until(page, f"{label}.includes('{tra:.1f}')")

        # A thickness by calliper: what it says is what the value becomes.
        person.click(f'[data-key="{TRA}"]')
        person.press("m")
        until(page, """document.querySelector('[data-hand="calliper-1"]') !== null""")
        person.drag('[data-hand="calliper-1"]', 25)
        page.select_option("#calliper-for", TRA)
        said = str(page.text_content("#calliper-says"))
        assert said.endswith("mm")
        check_access(page)
        person.click("#calliper-take")
        until(page, "document.querySelector('#bar').hidden")
        until(
            page,
            f"""document.querySelector('[data-key="{TRA}"]').textContent.includes({said.split()[0]!r})""",
        )
        (taken,) = (m["value"] for m in shown()["measures"] if m["key"] == TRA)
        assert taken > tra and f"{taken:.1f}" == said.split()[0]
    bare.record.close()
