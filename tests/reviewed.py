"""Owns a drawn visit on the review page, served to tests, and a browser that opens it."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from playwright.sync_api import Page, sync_playwright
from visits import DrawnVisit

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip.source import open_clip
from layermotion.commands.review import Final
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.network.segmenter import Segmenter
from layermotion.record.store import Record
from layermotion.review.desk import Desk, Source
from layermotion.review.place import Stage
from layermotion.review.server import routes_of
from layermotion.review.sources import find_sources
from layermotion.review.visit import Review
from layermotion.serving.run import Running, serving

# Longest that anything on the page may take on a busy machine, s.
PATIENCE_S = 30.0


def make_review(
    clips: Path, drawn: DrawnVisit, record: Path, day: date, out: Path, patch: pytest.MonkeyPatch
) -> Review:
    """Make a review of drawn clips, measured by the stand-in that knows their truth.

    Clips of one task are drawn alike, and so only the first of them is measured.
    """
    segmenter = drawn.segmenter()
    measured: dict[str | None, Analysis] = {}

    def open_desk(source: Source, segmenter: Segmenter) -> Desk:
        clip = open_clip(source.path, source.options)
        if clip.task not in measured:
            with Recording() as recording:
                found = analyse(clip, segmenter, parse_site(source.site), recording)
                edges = tuple(found.footage.edges)
            measured[clip.task] = replace(found, footage=replace(found.footage, edges=edges))
        alike = measured[clip.task]
        return Desk(source, segmenter, replace(alike, footage=replace(alike.footage, clip=clip)))

    patch.setattr(Desk, "open", open_desk)
    final = Final(out, (), segmenter)  # type: ignore[arg-type]
    listed = find_sources([clips], None, "image-centre")
    review = Review(listed, segmenter, Record.open(record), day, final.write)  # type: ignore[arg-type]
    review.measure_all()
    assert [place.stage for place in review.places] == [Stage.READY] * len(review.places)
    return review


@contextmanager
def opened(
    review: Review, chromium: str, language: str = "en-GB"
) -> Iterator[tuple[Page, Running]]:
    """Serve a review and open its page in a browser."""
    with serving(routes_of(review)) as running, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1366, "height": 768}, locale=language)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(running.link())
        page.wait_for_selector("#day:not([hidden])")
        yield page, running
        assert errors == []
        browser.close()


def until(page: Page, expression: str) -> None:
    """Wait until an expression is true on the page, whose policy lets no text be run in it."""
    end_s = time.monotonic() + PATIENCE_S
    while not page.evaluate(expression):
        assert time.monotonic() < end_s, f"never true: {expression}"
        time.sleep(0.02)

