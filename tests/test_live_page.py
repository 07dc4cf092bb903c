"""The live pages in a real browser: rest, efforts, freeze and measure, the patient's view."""

import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pages import assert_accessible, assert_fits, chromium, open_page
from playwright.sync_api import Browser, Page, expect
from standin import SPACING, draw_texture, make_clip, truth_segmenter, wall_with_end

from layermotion.clip import Clip
from layermotion.commands.live import Measuring
from layermotion.commands.measure import MeasureOptions
from layermotion.edges.site import parse_site
from layermotion.labels import View
from layermotion.live.arrivals import Arrival, Arrivals
from layermotion.live.live import Live
from layermotion.live.outcome import CHIEF, Outcome
from layermotion.live.server import arrival_routes, live_routes
from layermotion.live.taking import Player
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.measures.repeats import overall
from layermotion.serving.run import serving

# Two efforts, each from its begin to its end, s, in a clip of 4 frames/s.
EFFORTS, END_S, RATE_HZ = ((6.0, 8.5), (10.0, 12.5)), 13.5, 4.0
SCREENS = ({"width": 1366, "height": 768}, {"width": 1024, "height": 768})
BY_DEPTH = (
    "The scale rests on the given depth of view, the height of the image area as found on the "
    "screen, and square pixels; check it against the ruler on the screen."
)
CONTROLS = (
    "cautions",
    "picture",
    "columns",
    "value",
    "rest",
    "go",
    "freeze",
    "use",
    "record",
    "patient",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


def live_of(out: Path, measured: list[Outcome] | None = None) -> Live:
    """Make a live view of a drawn clip in which the TrA thickens by 22 of 45 rows, twice.

    What is measured of it goes into ``measured``.
    """
    time_s = np.arange(0, END_S, 1 / RATE_HZ)
    held = np.zeros(time_s.size)
    for begin_s, end_s in EFFORTS:
        held[(time_s >= begin_s) & (time_s < end_s)] = 1
    segmenter = truth_segmenter(wall_with_end, 45 + 22 * held, View.ABDOMINAL_WALL)
    clip = make_clip([draw_texture()] * time_s.size, rate_hz=RATE_HZ)
    clip = replace(clip, cautions=(BY_DEPTH,))
    measuring = Measuring(segmenter, None, MeasureOptions(site="muscle-centre"))  # type: ignore[arg-type]

    def measure(frozen: Clip) -> Outcome:
        found = measuring.clip(frozen)
        if measured is not None:
            measured.append(found)
        return found

    site = parse_site("muscle-centre")
    return Live(Player(clip), segmenter, site, measure, out)  # type: ignore[arg-type]


def shown(outcome: Outcome) -> str:
    """Write the main number of an outcome as the page does."""
    assert outcome.chief is not None and outcome.chief.value is not None
    return f"{outcome.chief.value:+.0f}\N{NO-BREAK SPACE}%".replace("-", "\N{MINUS SIGN}")


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
    measured: list[Outcome] = []
    live = live_of(tmp_path, measured)
    with serving(live_routes(live)) as running:
        context = browser.new_context(viewport=SCREENS[0])
        page, errors = open_page(context, running.link())
        patient, patient_errors = open_page(context, f"{running.address.origin}/patient")
        # Every text that the patient's page shows, however short.
        patient.evaluate(
            """() => {
                window.said = [document.body.innerText];
                new MutationObserver(() => window.said.push(document.body.innerText))
                    .observe(document.body, {subtree: true, childList: true, characterData: true});
            }"""
        )
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
            expect(page.locator("#phase")).to_have_text("Go, and hold")
            expect(page.locator("#value")).to_have_text(
                re.compile(r"^\+(48|49|50)$"), timeout=9_000
            )
            expect(page.locator("#meaning")).to_have_text("thicker than at rest")
            expect(page.locator("#absolute")).to_have_text(
                f"now {67 * SPACING.row_mm:.1f} mm, at rest {45 * SPACING.row_mm:.1f} mm"
            )
            expect(patient.locator("#body")).to_have_class("body reached")
            expect(page.locator("#count")).to_have_text("1 of 2 repeats", timeout=5_000)
            expect(patient.locator("#beads .done")).to_have_count(1)
            expect(page.locator("#phase")).to_have_text("Finished", timeout=9_000)
            expect(page.locator("#count")).to_have_text("2 of 2 repeats")
            expect(page.locator("#said")).to_have_text("The clip has ended.", timeout=5_000)
            page.evaluate("() => { const now = Date.now; Date.now = () => now() - 86400000; }")
            for size in SCREENS:
                page.set_viewport_size(size)
                assert_fits(page, *CONTROLS)
            assert_accessible(page)
            # A number that is no longer true goes, also when the clock was set back.
            expect(page.locator("#value")).to_have_text("\N{EN DASH}", timeout=10_000)
            page.keyboard.press("f")
            expect(page.locator("#go-on")).to_be_enabled(timeout=60_000)
            expect(page.locator("#outcome")).to_contain_text("change of thickness, TrA")
            expect(page.locator(".chief-number")).to_contain_text(shown(measured[0]))
            expect(page.locator(".chief-number .draft")).to_be_visible()
            assert_accessible(page)
            page.keyboard.press("g")
            expect(page.locator("#doing")).to_be_visible()
        assert_accessible(patient)
        assert not errors and not patient_errors
        said = patient.evaluate("() => window.said")
        for words in (*said, patient.content()):
            text = re.sub(r"<[^>]*>", " ", words)
            assert not re.search(r"\d", text), text
        assert "Hold it there" in " ".join(said)
        context.close()


def test_a_recording_needs_the_tick_and_what_is_refused_is_said(
    browser: Browser, tmp_path: Path
) -> None:
    live = live_of(tmp_path)
    with serving(live_routes(live)) as running, ExitStack() as meanwhile:
        context = browser.new_context(viewport=SCREENS[1], locale="de-DE")
        page, errors = open_page(context, running.link())
        page.locator("#freeze").click()  # before there is a picture
        expect(page.locator("#wrong")).to_contain_text("Es gibt noch kaum Bilder")
        expect(page.locator("#outcome")).to_have_text("Sie konnten nicht gemessen werden.")
        page.locator("#go-on").click()
        assert [error for error in errors if "422" not in error] == []
        errors.clear()
        meanwhile.enter_context(live.running())
        expect(page.locator("#record")).to_have_text("Aufnehmen")
        expect(page.locator("#record")).to_be_disabled()
        page.locator("#consent").check()
        page.locator("#record").click()
        expect(page.locator("#record")).to_have_text("Aufnahme beenden")
        expect(page.locator("#low")).to_have_value("20", timeout=10_000)
        expect(page.locator("#rate")).to_contain_text("Bilder und", timeout=10_000)
        expect(page.locator("#cautions")).to_contain_text("prüfen Sie ihn am Lineal")
        for size in SCREENS:
            page.set_viewport_size(size)
            assert_fits(page, *CONTROLS, "target")
        page.locator("#record").click()
        expect(page.locator("#recorded")).to_contain_text("Gespeichert als recording-")
        expect(page.locator("#consent")).not_to_be_checked()
        page.locator("#low").fill("50")
        page.locator("#use").click()
        expect(page.locator("#wrong")).to_contain_text("eine kleinere und eine größere Zahl")
        assert not errors
        context.close()
    (saved,) = tmp_path.iterdir()
    assert saved.stat().st_mode & 0o777 == 0o600


def test_no_repeat_stands_for_those_that_have_no_mean() -> None:
    first = Measure(
        "thickness_change", "tra", "draw_in", "1", 48.9, "%", 45.1, 52.7, Status.DRAFT, "", "", ""
    )
    second = replace(first, repeat="2", value=5.0, low=1.0, high=9.0)
    mean = replace(first, repeat=MEAN, value=None, low=None, high=None, reason="They differ.")
    kind = CHIEF[View.ABDOMINAL_WALL]
    assert overall((first, second, mean), *kind) == mean
    assert overall((first, replace(second, value=None)), *kind) == first


def test_what_was_measured_is_told_in_the_language_of_the_page() -> None:
    reason = "The clip begins during this effort; record from rest on."
    missing = Measure(
        "thickness_change", "tra", "draw_in", "1", None, "%", None, None, Status.NEEDS_MANUAL,
        reason, "", "",
    )  # fmt: skip
    outcome = Outcome(
        "c0ffee12", (missing,), missing, (reason, reason), None, is_lateral_known=True
    )
    german = "Der Clip beginnt während dieser Anspannung; nehmen Sie von der Ruhe an auf."
    told = outcome.shown("de")
    assert [told["chief"]["reason"], told["measures"][0]["reason"], *told["cautions"]] == [
        german, german, german,
    ]  # fmt: skip
    assert outcome.shown("en")["measures"][0]["reason"] == reason


def test_clips_that_arrive_appear_with_their_number_or_their_sentence(
    browser: Browser, tmp_path: Path
) -> None:
    change = Measure(
        "thickness_change", "tra", "draw_in", "1", 48.9, "%", 45.1, 52.7, Status.DRAFT, "", "", ""
    )
    reason = "The fat is cut off."
    fat = replace(
        change, name="thickness_rest", structure="fat", value=None, unit="mm", reason=reason
    )
    slide = replace(change, name="slide", value=-4.0, low=-5.0, high=-3.0, unit="mm")
    outcome = Outcome(
        "c0ffee12", (change, fat, slide), change, ("Held badly.",), None, is_lateral_known=False
    )
    arrivals = Arrivals(tmp_path, lambda path: outcome)
    at = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
    bad = "broken.dcm is empty (0 bytes); copy or export it again."
    with serving(arrival_routes(arrivals)) as running:
        context = browser.new_context(viewport=SCREENS[1])
        page, errors = open_page(context, running.link())
        expect(page.locator("#none")).to_be_visible()
        expect(page.locator("header")).to_contain_text("Not a medical device.")
        assert_accessible(page)
        arrivals.newest.put((Arrival("broken.dcm", at, failed=bad),))
        expect(page.locator("#outcome")).to_have_text(bad)
        arrivals.newest.put(
            (Arrival("draw-in.dcm", at, outcome), Arrival("broken.dcm", at, failed=bad))
        )
        expect(page.locator(".chief-number")).to_contain_text(shown(outcome))
        expect(page.locator("#list li")).to_have_count(2)
        expect(page.locator("#outcome")).to_contain_text("slide past the EO, + is to the right")
        ends = "\N{MINUS SIGN}5.0 to \N{MINUS SIGN}3.0"
        expect(page.locator("#outcome")).to_contain_text(ends)
        expect(page.locator("#outcome")).to_contain_text("Without a value")
        expect(page.locator("dd")).to_have_text(reason)
        expect(page.locator("#outcome li")).to_have_text("Held badly.")
        assert_accessible(page)
        assert_fits(page, "chosen", "list")
        page.locator("#list button").nth(1).click()
        expect(page.locator("#outcome")).to_have_text(bad)
        assert not errors
        context.close()


def test_the_main_number_of_the_base_says_which_way_it_counts(
    browser: Browser, tmp_path: Path
) -> None:
    lift = Measure(
        "base_displacement", "bladder", "cough", "1", -4.0, "mm", -5.0, -3.0, Status.DRAFT, "", "",
        "",
    )  # fmt: skip
    outcome = Outcome("c0ffee12", (lift,), lift, (), None, is_lateral_known=True)
    arrivals = Arrivals(tmp_path, lambda path: outcome)
    with serving(arrival_routes(arrivals)) as running:
        context = browser.new_context(viewport=SCREENS[1])
        page, errors = open_page(context, running.link())
        arrivals.newest.put((Arrival("cough.dcm", datetime(2026, 3, 1, tzinfo=UTC), outcome),))
        words = "movement of the bladder base, + is lifted"
        expect(page.locator(".chief-number small")).to_have_text(words)
        expect(page.locator(".chief-number .draft")).to_have_count(1)
        none = replace(lift, value=None, low=None, high=None, reason="The base was hidden.")
        withheld = replace(outcome, measures=(none,), chief=none)
        arrivals.newest.put((Arrival("cough.dcm", datetime(2026, 3, 2, tzinfo=UTC), withheld),))
        expect(page.locator(".chief-number")).to_contain_text("needs a person")
        expect(page.locator(".chief-number .draft")).to_have_count(0)
        expect(page.locator(".chief-number small")).to_have_text("movement of the bladder base")
        assert not errors
        context.close()
