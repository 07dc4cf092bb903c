"""The live pages in a real browser: rest, efforts, freeze and measure, the patient's view."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pages import assert_accessible, assert_fits, chromium, open_page
from playwright.sync_api import Browser, Page, expect
from standin import SPACING, draw_texture, make_clip, truth_segmenter, wall_with_end

from layermotion.commands.live import Measuring
from layermotion.commands.measure import MeasureOptions
from layermotion.edges.site import parse_site
from layermotion.labels import View
from layermotion.live.arrivals import Arrival, Arrivals
from layermotion.live.live import Live
from layermotion.live.server import arrival_routes, live_routes
from layermotion.live.taking import Player
from layermotion.serving.run import serving

# Two efforts, each from its begin to its end, s, in a clip of 5 frames/s.
EFFORTS, END_S, RATE_HZ = ((6.0, 9.0), (10.5, 13.5)), 15.0, 5.0
SCREENS = ({"width": 1366, "height": 768}, {"width": 1024, "height": 768})
CONTROLS = ("picture", "columns", "value", "rest", "go", "freeze", "use", "record", "patient")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


def live_of(out: Path) -> Live:
    """Make a live view of a drawn clip in which the TrA thickens by 22 of 45 rows, twice."""
    time_s = np.arange(0, END_S, 1 / RATE_HZ)
    held = np.zeros(time_s.size)
    for begin_s, end_s in EFFORTS:
        held[(time_s >= begin_s) & (time_s < end_s)] = 1
    segmenter = truth_segmenter(wall_with_end, 45 + 22 * held, View.ABDOMINAL_WALL)
    clip = make_clip([draw_texture()] * time_s.size, rate_hz=RATE_HZ)
    measure = Measuring(segmenter, None, MeasureOptions(site="muscle-centre"))  # type: ignore[arg-type]
    return Live(
        Player(clip),
        segmenter,
        parse_site("muscle-centre"),
        measure.clip,
        out,  # type: ignore[arg-type]
    )


def set_target(page: Page) -> None:
    for name, value in (
        ("low", "30"),
        ("high", "60"),
        ("hold-s", "1"),
        ("repeats", "2"),
        ("count-s", "0"),
        ("pause-s", "0"),
    ):
        page.locator(f"#{name}").fill(value)
    page.locator("#use").click()


def test_live_from_rest_to_two_held_efforts_and_a_frozen_measure(
    browser: Browser, tmp_path: Path
) -> None:
    live = live_of(tmp_path)
    with serving(live_routes(live)) as running:
        context = browser.new_context(viewport=SCREENS[0])
        page, errors = open_page(context, running.link())
        patient, patient_errors = open_page(context, f"{running.address.origin}/patient")
        said: list[str] = []
        with live.running():
            expect(page.locator("#go")).to_be_disabled()
            expect(page.locator("#low")).to_have_value("20", timeout=10_000)
            set_target(page)
            page.keyboard.press("Tab")  # out of the number fields, whose keys are their own
            page.locator("#value").click()
            page.keyboard.press("r")
            expect(page.locator("#reason")).to_contain_text("Rest is being taken")
            expect(page.locator("#go")).to_be_enabled(timeout=5_000)
            expect(page.locator("#reason")).to_have_text("")
            page.keyboard.press("s")
            said.append(patient.locator("body").inner_text())
            expect(page.locator("#phase")).to_have_text("Go, and hold")
            expect(page.locator("#value")).to_have_text(
                re.compile(r"^\+(48|49|50)$"), timeout=9_000
            )
            expect(page.locator("#meaning")).to_have_text("thicker than at rest")
            expect(page.locator("#absolute")).to_have_text(
                f"now {67 * SPACING.row_mm:.1f} mm, at rest {45 * SPACING.row_mm:.1f} mm"
            )
            said.append(patient.locator("body").inner_text())
            expect(patient.locator("#body")).to_have_class("body reached")
            expect(page.locator("#count")).to_have_text("1 of 2 repeats", timeout=5_000)
            expect(patient.locator("#beads .done")).to_have_count(1)
            expect(page.locator("#phase")).to_have_text("Finished", timeout=9_000)
            expect(page.locator("#count")).to_have_text("2 of 2 repeats")
            said.append(patient.locator("body").inner_text())
            expect(page.locator("#said")).to_have_text("The clip has ended.", timeout=5_000)
            for size in SCREENS:
                page.set_viewport_size(size)
                assert_fits(page, *CONTROLS)
            assert_accessible(page)
            page.keyboard.press("f")
            expect(page.locator("#go-on")).to_be_enabled(timeout=60_000)
            expect(page.locator("#outcome")).to_contain_text("change of thickness, TrA")
            expect(page.locator(".chief-number")).to_contain_text(re.compile(r"\+(48|49|50)\s%"))
            expect(page.locator(".chief-number .draft")).to_be_visible()
            assert_accessible(page)
            page.keyboard.press("g")
            expect(page.locator("#doing")).to_be_visible()
        assert_accessible(patient)
        assert not errors and not patient_errors
        for words in (*said, patient.content()):
            text = re.sub(r"<[^>]*>", " ", words)
            assert not re.search(r"\d", text), text
        assert "Hold it there" in " ".join(said)
        context.close()


def test_a_recording_needs_the_tick_and_says_its_name(browser: Browser, tmp_path: Path) -> None:
    live = live_of(tmp_path)
    with serving(live_routes(live)) as running, live.running():
        context = browser.new_context(viewport=SCREENS[1], locale="de-DE")
        page, errors = open_page(context, running.link())
        expect(page.locator("#record")).to_have_text("Aufnehmen")
        expect(page.locator("#record")).to_be_disabled()
        page.locator("#consent").check()
        page.locator("#record").click()
        expect(page.locator("#record")).to_have_text("Aufnahme beenden")
        expect(page.locator("#rate")).to_contain_text("Bilder und", timeout=10_000)
        assert_fits(page, *CONTROLS)
        page.locator("#record").click()
        expect(page.locator("#recorded")).to_contain_text("Gespeichert als recording-")
        expect(page.locator("#consent")).not_to_be_checked()
        assert not errors
        context.close()
    (saved,) = tmp_path.iterdir()
    assert saved.stat().st_mode & 0o777 == 0o600


def test_what_the_program_refuses_is_said_on_the_page(browser: Browser, tmp_path: Path) -> None:
    live = live_of(tmp_path)
    with serving(live_routes(live)) as running, live.running():
        context = browser.new_context(viewport=SCREENS[0])
        page, _ = open_page(context, running.link())
        expect(page.locator("#low")).to_have_value("20", timeout=10_000)
        page.locator("#low").fill("50")
        page.locator("#use").click()
        expect(page.locator("#wrong")).to_contain_text("The band needs a lower and a higher number")
        page.locator("#freeze").click()
        expect(page.locator("#wrong")).to_contain_text("hardly any pictures yet")
        expect(page.locator("#outcome")).to_have_text("They could not be measured.")
        context.close()


def test_clips_that_arrive_appear_with_their_number_or_their_sentence(
    browser: Browser, tmp_path: Path
) -> None:
    clip = make_clip([draw_texture()] * 40, rate_hz=RATE_HZ)
    rows = np.where((np.arange(40) >= 15) & (np.arange(40) < 30), 67.0, 45.0)
    segmenter = truth_segmenter(wall_with_end, rows, View.ABDOMINAL_WALL)
    outcome = Measuring(segmenter, None, MeasureOptions(site="muscle-centre")).clip(clip)  # type: ignore[arg-type]
    arrivals = Arrivals(tmp_path, lambda path: outcome)
    at = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
    bad = "broken.dcm is empty (0 bytes); copy or export it again."
    with serving(arrival_routes(arrivals)) as running:
        context = browser.new_context(viewport=SCREENS[1])
        page, errors = open_page(context, running.link())
        expect(page.locator("#none")).to_be_visible()
        assert_accessible(page)
        arrivals.newest.put((Arrival("broken.dcm", at, failed=bad),))
        expect(page.locator("#outcome")).to_have_text(bad)
        arrivals.newest.put(
            (Arrival("draw-in.dcm", at, outcome), Arrival("broken.dcm", at, failed=bad))
        )
        expect(page.locator(".chief-number")).to_contain_text(re.compile(r"\+(48|49|50)\s%"))
        expect(page.locator("#list li")).to_have_count(2)
        assert_accessible(page)
        assert_fits(page, "chosen", "list")
        page.locator("#list button").nth(1).click()
        expect(page.locator("#outcome")).to_have_text(bad)
        assert not errors
        context.close()
