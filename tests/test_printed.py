"""What a browser prints: the record of a full visit takes two pages before the appendix."""

import re
import subprocess
import unicodedata
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from test_agreement_paper import run, study
from test_record import base, of_wall, visit_of
from test_stored import MEASURE

from layermotion.labels import Task
from layermotion.session.against import compare_visits
from layermotion.session.page import build_visit_page
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.recorded import Recorded
from layermotion.session.visit import Visit

SCRIPTS = Path(__file__).parent.parent / "scripts"
# The two tasks of the wall on both sides, and three of the bladder: seven recordings.
WALL_TASKS = (Task.DRAW_IN, Task.CURL_UP)
BASE_TASKS = {Task.PELVIC_FLOOR_LIFT: 6.0, Task.COUGH: -9.0, Task.COUGH_PRELIFT: -2.0}
PICTURE = cv2.imencode(".jpg", np.full((480, 1280), 90, np.uint8))[1].tobytes()


@pytest.fixture
def chromium(monkeypatch: pytest.MonkeyPatch) -> str:
    """Path of the browser, which check.py installs; the test fails where there is none."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    import browser

    found = browser.find()
    assert found is not None, browser.MISSING
    return found


def full_visit() -> Visit:
    """Make a visit with all that the record can hold, compared with an earlier one."""
    rows = [
        replace(row, task=task)
        for task in WALL_TASKS
        for side in (Side.LEFT, Side.RIGHT)
        for structure in ("tra", "io", "eo")
        for row in (replace(one, structure=structure) for one in of_wall(side))
    ]
    rows += [base(value, task) for task, value in BASE_TASKS.items()]
    earlier = []
    for row in rows:
        if row.value is not None:
            # As much as is said of a layer at rest and not doubted.
            less = 1.5 if row.measure == "thickness_rest" else 30
            earlier.append(
                replace(row, value=row.value - less, low=row.low - less, high=row.high - less)
            )
    items = [Item(side, task, 1, (), None, Settings())
             for task in WALL_TASKS for side in (Side.LEFT, Side.RIGHT)]  # fmt: skip
    items += [Item(Side.MIDLINE, task, 1, (), None, Settings()) for task in BASE_TASKS]
    recorded = tuple(
        Recorded(item, f"c{number}", (MEASURE,), {"picture_width_mm": "80"}, ())
        for number, item in enumerate(items)
    )
    changes = compare_visits(rows, earlier, None)
    return replace(visit_of(tuple(rows)), recorded=recorded, changes=changes)


def print_pages(page: str, chromium: str, folder: Path) -> list[str]:
    """Print a page as the browser does and return the words of each sheet."""
    (folder / "visit.html").write_text(page, encoding="utf-8")
    flags = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
             "--disable-component-update", "--disable-sync", "--no-first-run")  # fmt: skip
    places = (f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={folder / 'visit.pdf'}")
    page_address = (folder / "visit.html").as_uri()
    command = [chromium, *flags, *places, "--no-pdf-header-footer", page_address]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    sheets = pypdf.PdfReader(folder / "visit.pdf").pages
    # A font may join letters, as in "fi".
    return [unicodedata.normalize("NFKC", sheet.extract_text()) for sheet in sheets]


def appendix_on(sheets: list[str]) -> int:
    """Tell on which sheet the appendix begins, which it does at its top."""
    (number,) = [number for number, words in enumerate(sheets) if "\nAppendix\n" in words]
    assert re.search(r"must confirm it\s*Appendix\n", sheets[number])
    return number


def test_the_record_of_a_full_visit_takes_two_printed_pages(chromium: str, tmp_path: Path) -> None:
    visit = full_visit()
    pictures = {one.item.name: PICTURE for one in visit.recorded}
    sheets = print_pages(build_visit_page(visit, pictures), chromium, tmp_path)
    assert appendix_on(sheets) == 2
    record = "\n".join(sheets[:2])
    for heading in ("DRAFT", "Key numbers", "What was seen", "Rest and contraction",
                    "Since the earlier visit", "To confirm", "Signature"):  # fmt: skip
        assert heading in record


def test_a_short_record_takes_one_page_and_the_appendix_begins_another(
    chromium: str, tmp_path: Path
) -> None:
    page = build_visit_page(visit_of(tuple(of_wall("left"))), {})
    assert appendix_on(print_pages(page, chromium, tmp_path)) == 1


def test_the_overview_of_a_comparison_is_printed_whole(chromium: str, tmp_path: Path) -> None:
    manual, auto = study(tmp_path)
    # Minus signs make the columns as wide as they come.
    heading, *rows = auto.read_text().splitlines()
    less = [re.sub(r"[\d.]+,mm$", lambda found: f"{float(found[0][:-3]) - 0.7:.4f},mm", row)
            for row in rows]  # fmt: skip
    auto.write_text("\n".join([heading, *less]) + "\n")
    out = tmp_path / "out"
    assert run("compare", manual, auto, "--out", out) == 0
    words = "".join(print_pages((out / "report.html").read_text("utf-8"), chromium, tmp_path))
    # In the last column of the table, and in the note below it.
    assert words.count("Tool : rater") == 2
