"""Film scenarios in which efforts, breaths and tasks are not alike, and judge what is found.

python scripts/efforts.py --clips 40                     prints what was found, kind by kind
python scripts/efforts.py --clips 40 --signals FILE.npz  also stores all signals with the truth
python scripts/efforts.py --clips 40 --aside             of these, the kinds kept aside
python scripts/efforts.py --clips 40 --marked            of clips with a clock in their picture
python scripts/efforts.py --stored FILE.npz              judges signals that were stored
python scripts/efforts.py --drawn 200 --kind rest        judges signals drawn without filming

A clip takes about a minute of one core.
"""

import argparse
import itertools
import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from effort_filmed import Stored, read_stored, write_stored
from effort_signals import draw_signals
from numpy.typing import NDArray

from layermotion.analysis.analysis import analyse
from layermotion.analysis.bladder import signals_of_bladder
from layermotion.analysis.result import Analysis
from layermotion.analysis.wall import signals_of_wall
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.efforts.channels import Signals
from layermotion.efforts.count import LEAST_MEASURED
from layermotion.efforts.efforts import Efforts, efforts_in
from layermotion.errors import LayermotionError
from layermotion.labels import Task, View
from layermotion.network.segmenter import load_segmenter
from layermotion.normal import Z95
from layermotion_synthetic.clips import draw_clip, render_clip
from layermotion_synthetic.course import Repeat
from layermotion_synthetic.factors import USUAL
from layermotion_synthetic.scenarios import (
    ASIDE,
    BLADDER_ONLY,
    WITH_DIPS,
    Kind,
    Scenario,
    draw_scenario,
)
from layermotion_synthetic.variants import frames_shown
from layermotion_synthetic.write import write_video

# No other use of the generator starts its seeds with this word.
STREAM = 20_261_128
RATES_HZ, DIP_RATES_HZ = (14.0, 24.0), (25.0, 40.0)
LOST_FRAMES = 0.02
# So much of an effort must lie in the clip to be counted, s (our choice).
LEAST_SHOWN_S = 0.2
# Where a clock stands, shares of the sides of a screen, how high its digits are, share of its
# height, and their grey.
MARKED_AT, MARK_HEIGHT, MARK_GREY = (0.25, 0.6), (0.025, 0.05), 230
# Between these probabilities numbers are put together to see how often they are right.
LEVELS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 1.01)
# Of a time, s, and whether its interval holds the truth.
Error = tuple[float, bool]


@dataclass(frozen=True, eq=False)
class Filmed:
    """What was true of a clip, and what was found in it.

    Parameters
    ----------
    repeats
        Efforts of which the clip shows something.
    found
        Number of efforts found; None where the clip was refused.
    likely, is_sure
        Probability that was given to that number, and whether it is given as sure.
    onset, hold
        Error of each effort, where their number was right, and whether its interval holds the
        truth.
    signals
        What was measured, where it was filmed; None for drawn signals and refused clips.
    """

    kind: Kind
    stated: Task | None
    repeats: tuple[Repeat, ...]
    found: int | None
    likely: float
    is_sure: bool
    onset: tuple[Error, ...]
    hold: tuple[Error, ...]
    signals: Signals | None = None

    @property
    def is_right(self) -> bool:
        """Whether all efforts were found and no other."""
        return self.found == len(self.repeats)

    @property
    def is_measured(self) -> bool:
        """Whether as much is measured as a sure number needs; False where nothing was filmed."""
        return bool(self.signals and self.signals.is_measured.mean() >= LEAST_MEASURED)


def job_of(number: int) -> tuple[Kind, View]:
    """Kind and view of one clip: every kind in turn, both views where both show it."""
    kinds = tuple(Kind)
    kind = kinds[number % len(kinds)]
    is_bladder = kind in BLADDER_ONLY or (number // len(kinds)) % 2 == 1
    return kind, View.BLADDER if is_bladder else View.ABDOMINAL_WALL


def rate_of(rng: np.random.Generator, kind: Kind) -> float:
    """Draw how many frames a second a clip has; coughs need more."""
    return float(rng.uniform(*(DIP_RATES_HZ if kind in WITH_DIPS else RATES_HZ)))


def mark(rng: np.random.Generator, screens: Sequence[NDArray[np.uint8]], rate_hz: float) -> None:
    """Let a clock run upon the tissue of each picture, in place, as screen recordings show it."""
    height, width = screens[0].shape[:2]
    left, foot = (int(side * rng.uniform(*MARKED_AT)) for side in (width, height))
    size, digits = height * rng.uniform(*MARK_HEIGHT), int(rng.integers(3))
    for index, screen in enumerate(screens):
        words = f"{index / rate_hz:.{digits}f}"
        cv2.putText(screen, words, (left, foot), cv2.FONT_HERSHEY_SIMPLEX, size / 22, MARK_GREY, 1)


def film(number: int, is_marked: bool = False) -> Filmed:
    """Draw, film, measure and compare one clip, with a clock in its picture if wanted."""
    kind, view = job_of(number)
    rng = np.random.Generator(np.random.SFC64([STREAM, number]))
    rate_hz = rate_of(rng, kind)
    scenario = draw_scenario(rng, kind, view, rate_hz)
    plan = draw_clip(
        rng, view, USUAL, task=scenario.task, frame_rate_hz=rate_hz, course=scenario.course,
        probe_factor=scenario.probe_factor,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        rendered = [screen for screen, _ in render_clip(plan)]
        if is_marked:
            mark(rng, rendered, rate_hz)
        shown = frames_shown(rng, len(rendered), LOST_FRAMES)
        write_video(path, [rendered[i] for i in shown], rate_hz)
        spacing = (plan.grid.row_mm, plan.grid.column_mm)
        options = SourceOptions(mm_per_pixel=spacing, task=scenario.stated, view=view)
        try:
            with Recording() as recording:
                clip = open_clip(path, options)
                site = parse_site("muscle-centre")
                analysis = analyse(clip, load_segmenter(threads=1), site, recording)
                return compare(scenario, analysis)
        except LayermotionError:
            shows = shown_in(scenario, float(scenario.course.time_s[-1]))
            return Filmed(kind, scenario.stated, shows, None, 0.0, False, (), ())


def compare(scenario: Scenario, analysis: Analysis) -> Filmed:
    """Put what was found beside what is true."""
    is_wall = analysis.view is View.ABDOMINAL_WALL
    signals = signals_of_wall(analysis) if is_wall else signals_of_bladder(analysis.footage)
    repeats = shown_in(scenario, float(signals.time_s[-1]))
    found = judged(scenario.kind, scenario.stated, repeats, analysis.efforts)
    return replace(found, signals=signals)


def judged(
    kind: Kind,
    stated: Task | None,
    repeats: tuple[Repeat, ...],
    efforts: Efforts,
) -> Filmed:
    """Put the efforts that were found beside those that were made."""
    onset, hold = [], []
    true = measured_of(repeats)
    if len(efforts.courses) == len(true):
        for one, own in zip(true, efforts.courses, strict=True):
            onset.append(_error(own.onset_s - one.onset_s, own.rise_spread_s))
            spread_s = float(np.hypot(own.rise_spread_s, own.return_spread_s))
            held_s = own.release_s - own.full_s
            hold.append(_error(held_s - (one.release_s - one.full_s), spread_s))
    # At rest efforts are counted and have no windows.
    found = efforts.at_rest or efforts.count.number
    return Filmed(
        kind,
        stated,
        repeats,
        found,
        efforts.count.likely,
        efforts.count.is_sure,
        tuple(onset),
        tuple(hold),
    )


def measured_of(repeats: Sequence[Repeat]) -> tuple[Repeat, ...]:
    """Efforts that are timed: all but lifts with dips upon them."""
    dips = [one for one in repeats if one.is_dip]
    return tuple(
        one
        for one in repeats
        if one.is_dip or not any(one.onset_s <= dip.onset_s <= one.end_s for dip in dips)
    )


def told_by(signals: Signals, stated: Task | None) -> Efforts:
    """Efforts that signals show, where no breath moves their rest."""
    return efforts_in(signals, stated, np.full(signals.time_s.shape, np.nan), np.inf)


def drawn(kind: Kind, number: int) -> Filmed:
    """Draw the signals of one scenario and judge what is found in them; nothing is filmed."""
    scenario, signals, repeats = draw_case(STREAM, kind, number)
    return judged(kind, scenario.stated, repeats, told_by(signals, scenario.stated))


def draw_case(stream: int, kind: Kind, number: int) -> tuple[Scenario, Signals, tuple[Repeat, ...]]:
    """Draw one scenario, its signals, and the efforts of which they show enough to be counted.

    Parameters
    ----------
    stream
        First word of the seed, which no other use of the generator has.
    """
    view = list(View)[1 if kind in BLADDER_ONLY else number % 2]
    rng = np.random.Generator(np.random.SFC64([stream, list(Kind).index(kind), number]))
    scenario = draw_scenario(rng, kind, view, rate_of(rng, kind))
    signals = draw_signals(rng, scenario)
    return scenario, signals, shown_in(scenario, float(signals.time_s[-1]))


def stored_in(path: Path) -> list[Filmed]:
    """Judge signals that were stored from filmed clips."""
    return [
        replace(
            judged(clip.kind, clip.stated, clip.repeats, told_by(clip.signals, clip.stated)),
            signals=clip.signals,
        )
        for clip in read_stored(path)
    ]


def shown_in(scenario: Scenario, last_s: float) -> tuple[Repeat, ...]:
    """Efforts of which the clip shows enough to be counted."""
    return tuple(
        one
        for one in scenario.course.repeats
        if one.end_s > LEAST_SHOWN_S and one.onset_s < last_s - LEAST_SHOWN_S
    )


def show(title: str, clips: Sequence[Filmed]) -> None:
    """Print one line of the table."""
    sure = [clip for clip in clips if clip.is_sure]
    middles = []
    for each in ([clip.onset for clip in clips], [clip.hold for clip in clips]):
        known = [error for errors in each for error in errors if not np.isnan(error[0])]
        middle = float(np.median([abs(size) for size, _ in known])) if known else float("nan")
        held = _percent(is_held for _, is_held in known) if known else ""
        middles.append(f"{middle:9.2f}{held:>7}" if known else f"{'':16}")
    right = _percent(clip.is_right for clip in clips)
    right_where_sure = _percent(clip.is_right for clip in sure) if sure else f"{'':4}"
    print(f"{title:18}{len(clips):6}{right:>8}{_percent(c.is_sure for c in clips):>8}"
          f"{right_where_sure:>18}{middles[0]}{middles[1]}")  # fmt: skip


def show_reliability(clips: Sequence[Filmed]) -> None:
    """Print how often a number is right beside how likely it was said to be."""
    print("said to be likely   clips   right")
    for low, high in itertools.pairwise(LEVELS):
        own = [clip for clip in clips if low <= clip.likely < high]
        if own:
            said = 100 * float(np.mean([clip.likely for clip in own]))
            print(f"{said:15.0f} %{len(own):9}{_percent(clip.is_right for clip in own):>8}")


def _right(clips: Sequence[Filmed]) -> str:
    return f"{sum(clip.is_right for clip in clips)} of {len(clips)}"


def _percent(holds: Iterable[bool]) -> str:
    return f"{100 * float(np.mean(list(holds))):.0f} %"


def _error(size_s: float, spread_s: float) -> Error:
    return size_s, abs(size_s) <= Z95 * spread_s


def _alone() -> None:
    """Let a process use one core: there are as many processes as cores."""
    cv2.setNumThreads(1)
    os.cpu_count = lambda: 1


def main() -> None:
    """Film, judge and print."""
    parser = argparse.ArgumentParser(description="Judge efforts found in filmed scenarios.")
    parser.add_argument("--clips", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first clip")
    parser.add_argument(
        "--aside", action="store_true", help="only the kinds that nothing is tuned on"
    )
    parser.add_argument("--marked", action="store_true", help="film a clock upon the tissue")
    parser.add_argument("--signals", type=Path, help="also store signals and truth here")
    parser.add_argument("--drawn", type=int, default=0, help="clips of each kind, without filming")
    parser.add_argument("--kind", type=Kind, help="of these, one kind alone")
    parser.add_argument("--stored", type=Path, nargs="+", help="judge these instead of filming")
    options = parser.parse_args()
    if (options.signals or options.marked) and (options.drawn or options.stored):
        parser.error("--signals and --marked are of what is filmed; leave out --drawn and --stored")
    started_s = time.monotonic()
    last = options.first + options.clips
    numbers = [n for n in range(options.first, last) if (job_of(n)[0] in ASIDE) == options.aside]
    if options.drawn:
        kinds = (
            [options.kind] if options.kind else [k for k in Kind if (k in ASIDE) == options.aside]
        )
        clips = [drawn(kind, number) for kind in kinds for number in range(options.drawn)]
    elif options.stored:
        clips = [clip for path in options.stored for clip in stored_in(path)]
        clips = [clip for clip in clips if (clip.kind in ASIDE) == options.aside]
    else:
        with multiprocessing.get_context("spawn").Pool(os.cpu_count(), _alone) as pool:
            clips = pool.map(partial(film, is_marked=options.marked), numbers, chunksize=1)
    if options.signals:
        kept = [
            Stored(clip.kind, clip.stated, clip.signals, clip.repeats)
            for clip in clips
            if clip.signals
        ]
        write_stored(options.signals, kept)
    print(f"{'':18}{'clips':>6}{'right':>8}{'sure':>8}{'right where sure':>18}"
          f"{'onset, s':>9}{'held':>7}{'hold, s':>9}{'held':>7}")  # fmt: skip
    for kind in Kind:
        own = [clip for clip in clips if clip.kind is kind]
        if own:
            show(kind, own)
    for title, own in (
        ("task stated", [clip for clip in clips if clip.stated]),
        ("no task stated", [clip for clip in clips if not clip.stated]),
        ("mostly measured", [clip for clip in clips if clip.is_measured]),
        ("all", clips),
    ):
        if own:
            show(title, own)
    show_reliability(clips)
    sure = [clip for clip in clips if clip.is_sure]
    print(f"{_right(clips)} right; {_right(sure)} where sure")
    refused = sum(clip.found is None for clip in clips)
    print(f"{refused} refused, {time.monotonic() - started_s:.0f} s")


if __name__ == "__main__":
    main()
