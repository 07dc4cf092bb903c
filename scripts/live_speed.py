"""Print how late live pictures and values are on the screen, how many there are, and the memory.

python scripts/live_speed.py                 one minute alone, one beside a busy process
python scripts/live_speed.py --minutes 60    longer alone, to see whether memory grows
python scripts/live_speed.py --rate 10       of a source of so many pictures a second

A clip is played without end, as a probe would go on, through the whole of `layermotion live` into a
real Chromium. How late a picture is: from when its frame was taken to when it was drawn on the
page's canvas, both by the clock of this computer.
"""

import argparse
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from array import array
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from benchmark import make_clip, time_network
from browser import MISSING, find
from playwright.sync_api import Page, sync_playwright

from layermotion.clip import Clip, Frame
from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.edges.site import parse_site
from layermotion.errors import MeasurementError
from layermotion.live.live import Live
from layermotion.live.server import live_routes
from layermotion.live.taking import Taken, cut_to_image
from layermotion.models.registry import load_in_use
from layermotion.serving.run import serving

# What is asked for: frames a second, and lateness in ms, median and 99th percentile.
GOAL_HZ, GOAL_MEDIAN_MS, GOAL_LATE_MS = 30.0, 80.0, 150.0
# Share of the pictures that may be lost where the goal counts as met (our choice: one in a
# hundred is the last of a second that another program took).
LEAST_SHARE = 0.99
CLIP_FRAMES = 90
# How long it is watched beside a busy process, s.
BUSY_S = 60.0
# Time that is not counted: the page opens, the first memory is taken, s.
WARM_UP_S = 10.0
# What is kept of the last seconds fills in this time, s; memory is compared from then on.
FILLED_S = 30.0
# Fewest looks at the memory through which a line is laid.
FEWEST_FOR_A_LINE = 60


class Endless:
    """Gives the frames of a clip again and again from memory, at a steady rate."""

    is_scale_known = True

    def __init__(self, clip: Clip, rate_hz: float) -> None:
        self.clip, self._rate_hz = cut_to_image(clip), rate_hz
        self._pixels = [np.ascontiguousarray(f.pixels[clip.area.slices]) for f in clip.frames()]
        self.count = 0

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Yield frames until it is stopped."""
        start_s = time.monotonic()
        while not stop.wait(max(0.0, start_s + self.count / self._rate_hz - time.monotonic())):
            pixels = self._pixels[self.count % len(self._pixels)]
            yield Taken(Frame(self.count, self.count / self._rate_hz, pixels), time.time())
            self.count += 1


class Growth:
    """Memory of this process over time, and the straight line through it."""

    def __init__(self) -> None:
        self._at_s, self._mb = array("d"), array("d")

    def note(self, at_s: float) -> None:
        """Note the memory of now."""
        self._at_s.append(at_s)
        self._mb.append(memory_mb())

    def line(self) -> str:
        """Words for what was found, without the time in which it was filled."""
        at_s, mb = np.array(self._at_s), np.array(self._mb)
        kept = at_s >= min(FILLED_S, at_s[-1] / 2)
        at_h, mb = at_s[kept] / 3600, mb[kept]
        found = f"  memory: {mb[0]:.0f} MB after it was filled, {mb[-1]:.0f} MB at the end"
        if at_h.size < FEWEST_FOR_A_LINE:
            return found
        (slope, _), spread = np.polyfit(at_h, mb, 1, cov=True)
        error = float(np.sqrt(spread[0, 0]))
        return f"{found}; straight line: {slope:+.1f} MB an hour, standard error {error:.1f}"


def memory_mb() -> float:
    """Memory of this process, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def spin() -> None:
    """Keep a core busy."""
    while True:
        pass


@contextmanager
def busy(is_wanted: bool) -> Iterator[None]:
    """Keep a core busy meanwhile."""
    process = multiprocessing.Process(target=spin, daemon=True)
    if is_wanted:
        process.start()
    try:
        yield
    finally:
        if is_wanted:
            process.terminate()
            process.join()


def lateness(page: Page, kind: str) -> list[float]:
    """Take what the page has noted since the last call, ms."""
    return list(page.evaluate(f"window.lateness.{kind}.splice(0)"))


def line(name: str, late_ms: "array[float]", seconds: float) -> str:
    """Words for one kind of message."""
    if not late_ms:
        return f"  {name}: none"
    median, late = np.percentile(late_ms, [50, 99])
    rate_hz = len(late_ms) / seconds
    return (
        f"  {name}: {rate_hz:.1f} a second; {median:.0f} ms late (median), "
        f"{late:.0f} ms (99th percentile)"
    )


def verdict(late_ms: "array[float]", seconds: float, rate_hz: float) -> str:
    """Hold pictures against the goals."""
    median, late = np.percentile(late_ms, [50, 99])
    found = (
        (f"{rate_hz:.0f} a second", len(late_ms) / seconds >= LEAST_SHARE * rate_hz),
        (f"median under {GOAL_MEDIAN_MS:.0f} ms", median < GOAL_MEDIAN_MS),
        (f"99th percentile under {GOAL_LATE_MS:.0f} ms", late < GOAL_LATE_MS),
    )
    return "  " + "; ".join(f"{goal}: {'met' if is_met else 'missed'}" for goal, is_met in found)


def measure(page: Page, source: Endless, rate_hz: float, seconds: float, *, is_busy: bool) -> None:
    """Watch the page for some time and print what was found."""
    print(f"{'beside a busy process' if is_busy else 'alone'}, {seconds:.0f} s:", flush=True)
    with busy(is_busy):
        page.wait_for_timeout(1000 * WARM_UP_S)
        for kind in ("pictures", "values"):
            lateness(page, kind)
        started_s, growth, first = time.monotonic(), Growth(), source.count
        found = {"pictures": array("d"), "values": array("d")}
        while (passed_s := time.monotonic() - started_s) < seconds:
            page.wait_for_timeout(1000 * min(5.0, seconds - passed_s))
            for kind, values in found.items():
                values.extend(lateness(page, kind))
            growth.note(time.monotonic() - started_s)
        taken_hz, load = (source.count - first) / passed_s, os.getloadavg()[0]
    print(f"  taken: {taken_hz:.1f} a second")
    for kind, values in found.items():
        print(line(kind, values, passed_s))
    print(verdict(found["pictures"], passed_s, rate_hz))
    print(f"  load of the computer at the end: {load:.1f} on {os.cpu_count()} cores")
    print(growth.line(), flush=True)


def refuse(clip: object) -> object:
    """Nothing is frozen here."""
    raise MeasurementError("Nothing is measured while speed is.")


def main() -> None:
    """Serve, open, watch, print."""
    parser = argparse.ArgumentParser(description="Time the live view.")
    parser.add_argument("--minutes", type=float, default=1.0, help="of the run alone")
    parser.add_argument(
        "--rate", type=float, default=GOAL_HZ, help="pictures a second, %(default)g"
    )
    options = parser.parse_args()
    found = find()
    if found is None:
        sys.exit(MISSING)
    print(f"the network alone: {time_network(20):.0f} ms a picture on one core")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        spacing = parse_mm_per_pixel(make_clip(path, CLIP_FRAMES))
        source = Endless(open_clip(path, SourceOptions(mm_per_pixel=spacing)), options.rate)
        live = Live(source, load_in_use(), parse_site("most-even"), refuse, None)  # type: ignore[arg-type]
        print(f"clip: {source.clip.frame_shape} pixels at {options.rate:.0f} pictures/s")
        with live.running(), serving(live_routes(live)) as running, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.goto(running.link())
            page.locator("#rest").click()
            measure(page, source, options.rate, 60 * options.minutes, is_busy=False)
            measure(page, source, options.rate, BUSY_S, is_busy=True)
            browser.close()


if __name__ == "__main__":
    main()
