"""Time the review page in a browser: its first screen, a dragged edge, and scrubbing.

python scripts/review_speed.py          prints each figure beside its goal
"""

import argparse
import statistics
import tempfile
import threading
import time
from datetime import date
from pathlib import Path

import browser
from benchmark import make_clip
from playwright.sync_api import Page, sync_playwright

from layermotion.clip.source import SourceOptions, parse_mm_per_pixel
from layermotion.labels import Task
from layermotion.network.segmenter import load_segmenter
from layermotion.record.store import Record
from layermotion.review.server import routes_of
from layermotion.review.sources import find_sources, with_scale
from layermotion.review.visit import Review
from layermotion.serving.run import serving

DRAGS = 10
# Longest that anything but measuring may take, s.
PATIENCE_S = 30.0
# Pixels of the screen by which a handle is dragged, down and up in turn.
FAR_PX = 9
GOALS = {"first screen": "1 s", "dragged edge": "100 ms", "scrubbing": "30 frames/s"}
# Notes when the mouse button was let go, and when the numbers were made anew and painted.
WATCH = """() => {
  window.taken = [];
  let from = 0;
  addEventListener("pointerup", () => { from = performance.now(); }, { capture: true });
  new MutationObserver(() => requestAnimationFrame(() => {
    if (from) window.taken.push(performance.now() - from);
    from = 0;
  })).observe(document.getElementById("measured"), { childList: true });
}"""
SCRUB = """async (frames) => {
  const slider = document.getElementById("scrub");
  const canvas = document.querySelector("#pane-effort canvas");
  const until = async (frame) => {
    while (canvas.dataset.frame !== String(frame)) await new Promise(requestAnimationFrame);
  };
  const begun = performance.now();
  for (let frame = 0; frame < frames; frame += 1) {
    slider.value = String(frame);
    slider.dispatchEvent(new Event("input"));
    await until(frame);
  }
  return frames / ((performance.now() - begun) / 1000);
}"""


def wait(page: Page, expression: str) -> None:
    """Wait until something is true on the page, whose policy lets no text be run in it."""
    end_s = time.monotonic() + PATIENCE_S
    while not page.evaluate(expression):
        if time.monotonic() > end_s:
            raise SystemExit(f"Never true: {expression}; {page.text_content('#trouble')}")
        time.sleep(0.01)


def time_page(review: Review, frames: int) -> None:
    """Open the page while its clip is being measured, then work on it, and print what it took."""
    with serving(routes_of(review)) as running, sync_playwright() as playwright:
        program = playwright.chromium.launch(executable_path=browser.find(), args=["--no-sandbox"])
        page = program.new_page(viewport={"width": 1366, "height": 768})
        measuring = threading.Thread(target=review.measure_all)
        measuring.start()
        begun_s = time.perf_counter()
        page.goto(running.link())
        wait(page, "!document.querySelector('#day').hidden")
        tell("first screen", f"{time.perf_counter() - begun_s:.2f} s, while a clip is measured")
        measuring.join()
        wait(page, "!document.querySelector('#begin button').disabled")
        page.fill("#patient", "P-1")
        page.fill("#who", "A. B.")
        page.click("#begin button")
        wait(page, "document.querySelector('#clips button:not(:disabled)') !== null")
        page.click("#clips button")
        wait(page, "document.querySelector('#pane-effort canvas').dataset.frame >= 0")
        tell("dragged edge", time_drags(page))
        page.click("#both")
        tell("scrubbing", f"{page.evaluate(SCRUB, frames):.0f} frames/s, {frames} frames")
        program.close()


def time_drags(page: Page) -> str:
    """Drag the handle at the site up and down, and say how long all numbers took to be new."""
    page.keyboard.press("f")
    page.keyboard.press("e")
    wait(page, "document.querySelector('[data-hand]') !== null")
    page.evaluate(WATCH)
    began_s = time.process_time()
    for number in range(DRAGS):
        box = page.locator("[data-hand]").nth(2).bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x, y + (FAR_PX if number % 2 == 0 else -FAR_PX), steps=3)
        page.mouse.up()
        wait(page, f"window.taken.length > {number}")
        time.sleep(0.3)
    own_ms = 1000 * (time.process_time() - began_s) / DRAGS
    taken_ms = page.evaluate("window.taken")
    return (
        f"median {statistics.median(taken_ms):.0f} ms, longest {max(taken_ms):.0f} ms; "
        f"{own_ms:.0f} ms of the program's processor time each"
    )


def tell(name: str, found: str) -> None:
    """Print a figure beside its goal."""
    print(f"{name}: {found} (goal {GOALS[name]})", flush=True)


def main() -> None:
    """Make a clip, open the page, print."""
    parser = argparse.ArgumentParser(description="Time the review page.")
    parser.add_argument("--frames", type=int, default=900)
    frames = parser.parse_args().frames
    with tempfile.TemporaryDirectory() as folder:
        clip = Path(folder) / "left_draw_in_1.mp4"
        spacing = parse_mm_per_pixel(make_clip(clip, frames))
        (listed,) = find_sources([clip], Task.DRAW_IN, "most-even")
        stated = with_scale(listed, SourceOptions(mm_per_pixel=spacing))
        with Record.open(Path(folder) / "record.sqlite") as record:
            review = Review([stated], load_segmenter(), record, date.today(), lambda _: clip)
            time_page(review, frames)


if __name__ == "__main__":
    main()
