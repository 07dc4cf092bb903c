"""Owns a real browser for tests of served pages, and what every page must keep to."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

SCRIPTS = Path(__file__).parent.parent / "scripts"


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser that check.py installs."""
    sys.path.insert(0, str(SCRIPTS))
    try:
        import browser
    finally:
        sys.path.remove(str(SCRIPTS))
    found = browser.find()
    assert found is not None, browser.MISSING
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield started
        started.close()


def open_page(context: BrowserContext, address: str) -> tuple[Page, list[str]]:
    """Open a page; the list grows with each error of its scripts and each break of its policy."""
    page, errors = context.new_page(), []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda said: said.type == "error" and errors.append(said.text))
    page.goto(address)
    return page, errors


def assert_accessible(page: Page) -> None:
    """Fail with what axe found."""
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def assert_fits(page: Page, *ids: str) -> None:
    """Fail where the page scrolls, or where one of its parts is not wholly on the screen."""
    width, height = page.viewport_size["width"], page.viewport_size["height"]  # type: ignore[index]
    scrolled = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
    )
    assert scrolled[0] <= width and scrolled[1] <= height, scrolled
    for name in ids:
        box = page.locator(f"#{name}").bounding_box()
        assert box is not None, name
        assert box["x"] >= 0 and box["x"] + box["width"] <= width + 1, (name, box)
        assert box["y"] >= 0 and box["y"] + box["height"] <= height + 1, (name, box)
