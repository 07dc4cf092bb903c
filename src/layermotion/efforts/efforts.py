"""Owns when the efforts of a clip were: their number, windows, courses and rest."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.efforts.breathing import take_rest
from layermotion.efforts.channels import CHANNELS, Signals
from layermotion.efforts.count import LITTLE_SEEN, Count, why_unsure
from layermotion.efforts.course import Course, time_efforts
from layermotion.efforts.parts import RATE_HZ
from layermotion.efforts.smoothing import Signal, noise_of
from layermotion.efforts.tell import course_of
from layermotion.efforts.windows import Spells, Window, find_windows, rest_windows
from layermotion.labels import Structure, Task

# A clip shorter than this shows no course, s (our choice).
SHORTEST_S = 1.0
# A signal shows an effort that is seen in more than this share of its height, and in so many frames
# of the rest beside it (our choice).
SEEN_SHARE, FEWEST_AT_REST = 0.5, 3
# An effort that the network takes to be full so much later than its ramp, or to begin so much
# earlier, rises in steps, s, and the standard deviation of the error of that time, s (our choice:
# where the two were full as far apart the network was nearer the truth in 12 of 14 filmed efforts,
# by 0.1 s in the middle of them; with it onsets of 46 that rise in steps are off by 0.03 s in the
# middle, which were by 0.07 s, and by more than 0.2 s in a tenth, which were by more than 2.5 s).
STEP_S, STEP_SPREAD_S = 0.8, 0.2
MAYBE_SWAPPED = (
    "The clip seems to begin in an effort, so rest and effort may be taken for each other; check "
    "in the video when rest was."
)


@dataclass(frozen=True)
class Efforts:
    """When the efforts of a clip were.

    Parameters
    ----------
    structure
        The one that shows them; None where only all layers together do.
    count
        How many there are, and whether that is sure.
    windows
        Of rest and contraction.
    courses
        When each effort began, was full, was let go and was over.
    how_rest
        Sentences on how rest was chosen.
    at_rest
        Number of efforts seen in a recording that was stated to be of rest; they have no windows.
    is_missed
        Whether an effort was asked for and none was seen.
    left_out
        Why a person left out all efforts that there were; empty where any is left.
    """

    structure: Structure | None
    count: Count
    windows: tuple[Window, ...]
    courses: tuple[Course, ...]
    how_rest: tuple[str, ...]
    at_rest: int = 0
    is_missed: bool = False
    left_out: str = ""

    @property
    def cautions(self) -> tuple[str, ...]:
        """Sentences for the report where the number is not sure, or is not what was expected."""
        if self.is_missed:
            return (
                "An effort was asked for and none was seen; check in the video that it was made, "
                "and record it again from rest to rest.",
            )
        if not self.at_rest:
            begins = any((w.state, w.first) == ("contracted", 0) for w in self.windows)
            is_doubtful = begins and not self.count.is_sure
            return (*self.count.caution, *((MAYBE_SWAPPED,) if is_doubtful else ()))
        return (
            f"This was stated to be a recording of rest, but {self.at_rest} "
            f"effort{'s were' if self.at_rest > 1 else ' was'} seen in it; rest was measured "
            f"outside of {'them' if self.at_rest > 1 else 'it'}. Check the video, or record rest "
            f"again.",
        )


def efforts_in(
    signals: Signals,
    task: Task | None,
    breath: Signal,
    smallest_breath: float,
) -> Efforts:
    """Tell when the efforts of a clip were.

    Parameters
    ----------
    signals
        All that the clip shows of them.
    task
        What the patient is known to have been asked for; None where that is not known. Of rest,
        efforts seen all the same are told, and the longest rest outside them is kept.
    breath, smallest_breath
        Signal that shows breaths, shape (frames,), and the least they reach, in its unit.
    """
    time_s = signals.time_s
    seen = np.flatnonzero(~np.isnan(signals.value).all(axis=0))
    is_short = time_s[-1] - time_s[0] < SHORTEST_S
    if not seen.size or is_short:
        whole = tuple(Window("rest", int(seen[0]), int(seen[-1]), 1) for _ in seen[:1])
        return Efforts(None, Count(0, reason="" if is_short else LITTLE_SEEN), whole, (), ())
    decoded = course_of(signals, task)
    spells = Spells.of(decoded, time_s)
    rate_hz = 1 / float(np.median(np.diff(time_s)))
    reason = why_unsure(rate_hz, float(signals.is_measured.mean()))
    count = Count(len(decoded.spans), decoded.likely, reason)
    if task is Task.REST or not count.number:
        windows = tuple(
            replace(
                window, first=max(window.first, int(seen[0])), last=min(window.last, int(seen[-1]))
            )
            for window in rest_windows(spells)
        )
        windows, how_rest = take_rest(breath, spells, windows, smallest_breath)
        is_missed = task not in (None, Task.REST) and not count.number
        at_rest = count.number if task is Task.REST else 0
        return Efforts(
            None, replace(count, number=0), windows, (), how_rest, at_rest,
            is_missed,
        )  # fmt: skip
    structure, signal = clearest(signals, spells)
    windows = find_windows(spells, signal)
    courses = risen_in_steps(time_efforts(signal, time_s, windows), spells)
    windows = rest_beside_efforts(windows, courses, time_s)
    windows, how_rest = take_rest(breath, spells, windows, smallest_breath)
    return Efforts(structure, count, windows, courses, how_rest)


def clearest(signals: Signals, spells: Spells) -> tuple[Structure | None, Signal]:
    """Signal in which the least clear of the efforts stands out most, and whose it is.

    Returns
    -------
    structure, signal
        None where only all layers together, or the probe, show the efforts.
    """
    every = [
        (_stands_out(signal, spells), int(np.count_nonzero(~np.isnan(signal))), name)
        for name, signal in zip(CHANNELS, signals.value, strict=True)
    ]
    # Only where no structure shows them do all layers together count, or the probe.
    own = [one for one in every if CHANNELS[one[2]][0] and one[0] > 0]
    _, _, name = max(own or every)
    return CHANNELS[name][0], signals.value[list(CHANNELS).index(name)]


def _stands_out(signal: Signal, spells: Spells) -> float:
    """How far the least clear effort leaves rest, over what the signal does at rest."""
    known = ~np.isnan(signal)
    at_rest = signal[known & spells.is_rest]
    spread = float(np.hypot(noise_of(signal[known]), at_rest.std() if at_rest.size else 0.0))
    heights = []
    for span in spells.repeats:
        held, base = spells.frames(span.held_first, span.held_last), spells.base_of(span)
        is_seen = known[held].mean() > SEEN_SHARE and known[base].sum() >= FEWEST_AT_REST
        height = np.nanmedian(signal[held]) - np.nanmedian(signal[base]) if is_seen else 0.0
        heights.append(abs(float(height)))
    return min(heights) / max(spread, 1e-9)


def risen_in_steps(courses: Sequence[Course], spells: Spells) -> tuple[Course, ...]:
    """Let an effort that rises in steps begin and be full when the network says so.

    One smooth ramp is fitted to a rise, and holds the first of its steps alone, or the last.
    """
    result = []
    for course, span in zip(courses, spells.repeats, strict=True):
        onset_s, full_s = (
            float(spells.time_s[0]) + frame / RATE_HZ for frame in (span.first, span.held_first)
        )
        spread_s = float(np.hypot(course.rise_spread_s, STEP_SPREAD_S))
        if course.onset_s - onset_s > STEP_S:
            course = replace(course, onset_s=onset_s, rise_spread_s=spread_s)
        if full_s - course.full_s > STEP_S:
            course = replace(course, full_s=full_s, rise_spread_s=spread_s)
        result.append(course)
    return tuple(result)


def rest_beside_efforts(
    windows: Sequence[Window], courses: Sequence[Course], time_s: Signal
) -> tuple[Window, ...]:
    """Cut each rest window where an effort has begun, or is not over.

    The network tells to a frame; the times of an effort are told from its whole ramps.

    Parameters
    ----------
    courses
        Of the efforts; an end that is not known cuts nothing.
    time_s
        Shape (frames,), s.

    Returns
    -------
    tuple of Window
        The same, where a rest window ends a frame before the onset of the effort that follows, and
        begins a frame after the end of the one before; those of which nothing would be left stay.
    """
    efforts = {window.repeat: window for window in windows if window.state == "contracted"}
    step_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    kept = []
    for window in windows:
        first, last = window.first, window.last
        for course in courses if window.state == "rest" else ():
            effort = efforts[course.repeat]
            if window.last < effort.first and not np.isnan(course.onset_s):
                at_rest = np.flatnonzero(time_s <= course.onset_s - step_s)
                last = min(last, int(at_rest[-1]) if at_rest.size else -1)
            elif window.first > effort.last and not np.isnan(course.end_s):
                at_rest = np.flatnonzero(time_s >= course.end_s + step_s)
                first = max(first, int(at_rest[0]) if at_rest.size else time_s.size)
        # A ramp fitted over the whole of a rest says nothing against it.
        is_left = first <= last
        kept.append(replace(window, first=first, last=last) if is_left else window)
    return tuple(kept)
