"""Print how late live pictures and values are on the screen, how many there are, and the memory.

python scripts/live_speed.py                 one minute alone, one beside a busy process
python scripts/live_speed.py --minutes 5     longer alone, to see whether memory grows

A clip is played without end through the whole of `layermotion live` into a real Chromium. How late
a picture is: from when its frame was taken to when it was drawn on the page's canvas, both by the
clock of this computer.
"""

import argparse
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from benchmark import RATE_HZ, make_clip, time_network
from browser import MISSING, find
from playwright.sync_api import Page, sync_playwright

from layermotion.clip.source import SourceOptions, open_clip, parse_mm_per_pixel
from layermotion.edges.site import parse_site
from layermotion.errors import MeasurementError
from layermotion.live.live import Live
from layermotion.live.server import live_routes
from layermotion.live.taking import Player, Taken
from layermotion.models.registry import load_in_use
from layermotion.serving.run import serving

# What is asked for: frames a second, and lateness in ms, median and 99th percentile.
GOAL_HZ, GOAL_MEDIAN_MS, GOAL_LATE_MS = 30.0, 80.0, 150.0
CLIP_FRAMES = 90
# How long it is watched beside a busy process, s.
BUSY_S = 60.0
# Time that is not counted: the page opens, the first memory is taken, s.
WARM_UP_S = 10.0
# What is kept of the last seconds fills in this time, s; memory is compared from then on.
FILLED_S = 30.0


class Endless(Player):
    """Plays a clip again and again, as a probe would go on."""

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Yield frames until it is stopped."""
        while not stop.is_set():
            yield from super().taken(stop)


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


def line(name: str, late_ms: list[float], seconds: float) -> str:
    """Words for one kind of message."""
    if not late_ms:
        return f"  {name}: none"
    median, late = np.percentile(late_ms, [50, 99])
    rate_hz = len(late_ms) / seconds
    return (
        f"  {name}: {rate_hz:.1f} a second; {median:.0f} ms late (median), "
        f"{late:.0f} ms (99th percentile)"
    )


def verdict(late_ms: list[float], seconds: float) -> str:
    """Hold pictures against the goals."""
    median, late = np.percentile(late_ms, [50, 99])
    found = (
        (f"{GOAL_HZ:.0f} a second", len(late_ms) / seconds >= 0.97 * GOAL_HZ),
        (f"median under {GOAL_MEDIAN_MS:.0f} ms", median < GOAL_MEDIAN_MS),
        (f"99th percentile under {GOAL_LATE_MS:.0f} ms", late < GOAL_LATE_MS),
    )
    return "  " + "; ".join(f"{goal}: {'met' if is_met else 'missed'}" for goal, is_met in found)


def measure(page: Page, seconds: float, *, is_busy: bool) -> None:
    """Watch the page for some time and print what was found."""
    print(f"{'beside a busy process' if is_busy else 'alone'}, {seconds:.0f} s:")
    with busy(is_busy):
        page.wait_for_timeout(1000 * WARM_UP_S)
        for kind in ("pictures", "values"):
            lateness(page, kind)
        started_s, memories = time.monotonic(), [(0.0, memory_mb())]
        found: dict[str, list[float]] = {"pictures": [], "values": []}
        while (passed_s := time.monotonic() - started_s) < seconds:
            page.wait_for_timeout(1000 * min(5.0, seconds - passed_s))
            for kind, values in found.items():
                values += lateness(page, kind)
            memories.append((time.monotonic() - started_s, memory_mb()))
        load = os.getloadavg()[0]
    for kind, values in found.items():
        print(line(kind, values, passed_s))
    print(verdict(found["pictures"], passed_s))
    print(f"  load of the computer at the end: {load:.1f} on {os.cpu_count()} cores")
    filled = [mb for at_s, mb in memories if at_s >= min(FILLED_S, seconds / 2)]
    print(f"  memory: {filled[0]:.0f} MB after it was filled, {filled[-1]:.0f} MB at the end")


def refuse(clip: object) -> object:
    """Nothing is frozen here."""
    raise MeasurementError("Nothing is measured while speed is.")


def main() -> None:
    """Serve, open, watch, print."""
    parser = argparse.ArgumentParser(description="Time the live view.")
    parser.add_argument("--minutes", type=float, default=1.0, help="of the run alone")
    options = parser.parse_args()
    found = find()
    if found is None:
        sys.exit(MISSING)
    print(f"the network alone: {time_network(20):.0f} ms a picture on one core")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        spacing = parse_mm_per_pixel(make_clip(path, CLIP_FRAMES))
        source = Endless(open_clip(path, SourceOptions(mm_per_pixel=spacing)))
        live = Live(source, load_in_use(), parse_site("most-even"), refuse, None)  # type: ignore[arg-type]
        print(f"clip: {source.clip.frame_shape} pixels at {RATE_HZ:.0f} frames/s")
        with live.running(), serving(live_routes(live)) as running, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1366, "height": 768})
            page.goto(running.link())
            page.locator("#rest").click()
            measure(page, 60 * options.minutes, is_busy=False)
            measure(page, BUSY_S, is_busy=True)
            browser.close()


if __name__ == "__main__":
    main()
