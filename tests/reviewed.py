"""Owns a drawn visit on the review page, served to tests, and a browser that opens it."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, sync_playwright
from visits import DrawnVisit

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip.pair import open_recording
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


class Alike:
    """Opens clips of which those of one task are drawn alike, and measures one of each."""

    def __init__(self) -> None:
        self._found: dict[str | None, Analysis] = {}

    def open(self, source: Source, segmenter: Segmenter) -> Desk:
        """Take the place of ``Desk.open``."""
        clip = open_recording(source.sources, source.shows, source.options)
        if clip.task not in self._found:
            with Recording() as recording:
                found = analyse(clip, segmenter, parse_site(source.site), recording)
                seen = replace(found.footage, edges=tuple(found.footage.edges))
            self._found[clip.task] = replace(found, footage=seen)
        found = self._found[clip.task]
        return Desk(source, segmenter, replace(found, footage=replace(found.footage, clip=clip)))


def make_review(
    drawn: DrawnVisit, record: Path, day: date, alike: Any, left_out: int = 0
) -> Review:
    """Make a review of drawn clips, measured by the stand-in that knows their truth.

    So many of them are not of its visit.
    """
    segmenter: Any = drawn.segmenter()
    final = Final(record.parent / "out", (), segmenter)
    listed = find_sources([drawn.folder], None, "image-centre")
    review = Review(listed, segmenter, Record.open(record), day, final.write)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Desk, "open", alike.open)
        review.measure_all()
    stages = [place.stage for place in review.places]
    assert stages.count(Stage.FAILED) == left_out
    assert stages.count(Stage.READY) == len(stages) - left_out
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
        assert errors == [], errors
        browser.close()


def until(page: Page, expression: str) -> None:
    """Wait until an expression is true on the page, whose policy lets no text be run in it."""
    end_s = time.monotonic() + PATIENCE_S
    while not page.evaluate(expression):
        assert time.monotonic() < end_s, f"never true: {expression}"
        time.sleep(0.02)
