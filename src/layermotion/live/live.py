"""Owns the threads of a live view: taking, looking, and what the clinician asks for in between."""

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from layermotion.clip import Clip
from layermotion.edges.site import Site
from layermotion.errors import LayermotionError, MeasurementError
from layermotion.labels import View
from layermotion.live.memory import Memory
from layermotion.live.newest import Newest
from layermotion.live.outcome import Outcome
from layermotion.live.practice import Phase, Practice, Target
from layermotion.live.quantity import NOTHING, Value
from layermotion.live.recorder import Recorder
from layermotion.live.taking import Source, Taken
from layermotion.live.watching import Seen, Watch
from layermotion.network.segmenter import Segmenter

# How long a thread waits for a picture before it looks whether it is to end, s (our choice).
WAIT_S = 0.2
# The number that is read is the median of so long, s: single values shake (our choice).
NUMBER_S = 0.4
# Values a second are counted over so long, s (our choice).
RATE_S = 2.0
# Pictures farther apart are not one course, s (our choice: no clip worth playing is so slow, and
# most holds that are asked for are longer).
GAP_S = 1.5
# What is asked for until the clinician says otherwise: per cent of thickness, mm of lift (our
# choice, a beginning to be changed).
FIRST_TARGETS = {View.ABDOMINAL_WALL: Target(20.0, 40.0), View.BLADDER: Target(3.0, 8.0)}

# Why there is no value, as a key of the page's texts, and in a sentence.
NO_SCALE = "no_scale"
OTHER_HEIGHT = (
    "The ultrasound image is not as high as when live was started, so that its scale is not known; "
    "put the probe in place, and if that does not help, start again."
)
UNFORESEEN = "A picture could not be looked at ({kind}); if this goes on, start again."


@dataclass(frozen=True, eq=False)
class State:
    """All that the page shows at one moment, but for the picture.

    Parameters
    ----------
    seen, at_s
        What was seen, and when its frame was taken, seconds of the system's clock.
    number
        Change against rest to be read, median of ``NUMBER_S``; NaN where unknown.
    rest_now
        Today's rest; None where there is none.
    practice
        Phase, seconds left, seconds held, repeats done.
    target
        What is asked for.
    values_hz
        Values a second.
    """

    seen: Seen
    at_s: float
    number: float
    rest_now: float | None
    phase: Phase
    left_s: float
    held_s: float
    done: int
    tried: int
    target: Target
    values_hz: float


class Live:
    """A live view; its methods may be called from any thread.

    Parameters
    ----------
    source
        Where frames come from.
    measure
        Measures a clip that was frozen.
    recordings
        Folder for recordings; None where there is none.
    """

    def __init__(
        self,
        source: Source,
        segmenter: Segmenter,
        site: Site,
        measure: Callable[[Clip], Outcome],
        recordings: Path | None,
    ) -> None:
        self.clip = source.clip
        self.pictures: Newest[Taken] = Newest()
        self.states: Newest[State] = Newest()
        self.recorder = Recorder(recordings, self.pictures, source.clip)
        self.is_frozen = self.has_ended = False
        self.error = self.unseen = ""
        self._source, self._measure = source, measure
        self._memory, self._watch = Memory(), Watch(source.clip, segmenter, site)
        self._lock = threading.Lock()
        self._stop, self._again = threading.Event(), threading.Event()
        self._targets = dict(FIRST_TARGETS)
        self._practice = Practice(FIRST_TARGETS[source.clip.view or View.ABDOMINAL_WALL])
        self._view: View | None = source.clip.view
        self._time_s = 0.0
        self._recent: deque[tuple[float, float]] = deque()
        self._looked: deque[float] = deque()

    @contextmanager
    def running(self) -> Iterator[None]:
        """Take and look while the block runs; a recording is ended with it."""
        threads = [
            threading.Thread(target=self._take, name="taking"),
            threading.Thread(target=self._look, name="looking"),
        ]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            self._stop.set()
            self._again.set()
            for thread in threads:
                thread.join()
            self.recorder.end()

    def take_rest(self) -> None:
        """Take today's rest from now on."""
        with self._lock:
            self._watch.take_rest()
            self._recent.clear()

    def ask_for(self, target: Target) -> None:
        """Set what is asked for; an exercise that is under way ends."""
        with self._lock:
            self._targets[self._view or View.ABDOMINAL_WALL] = target
            self._practice = Practice(target)

    def start(self) -> None:
        """Start the exercise."""
        with self._lock:
            self._practice.start(self._time_s)

    def stop(self) -> None:
        """Stop the exercise."""
        with self._lock:
            self._practice.stop()

    def freeze(self) -> Outcome:
        """Hold the picture and measure the last seconds.

        Raises
        ------
        LayermotionError
            If they cannot be measured.
        """
        self.is_frozen = True
        self._check_scale()
        return self._measure(self._memory.clip(self.clip))

    def go_on(self) -> None:
        """Let the picture go on, from its beginning where a clip had ended."""
        self.is_frozen = False
        if self.has_ended:
            self._again.set()

    def record(self, *, consented: bool) -> None:
        """Begin a recording, which is cut to the image as it was at the start.

        Raises
        ------
        LayermotionError
            Without consent, without a folder, or if the image has another height now.
        """
        self._check_scale()
        self.recorder.begin(consented=consented)

    def _check_scale(self) -> None:
        if not self._source.is_scale_known:
            raise MeasurementError(OTHER_HEIGHT)

    def _take(self) -> None:
        """Take frames for as long as they come."""
        last_s = math.inf  # so that the first is no interruption
        while not self._stop.is_set():
            self.has_ended = False
            try:
                for taken in self._source.taken(self._stop):
                    self.error = ""
                    if self.is_frozen:
                        last_s = -math.inf
                        continue
                    if taken.frame.time_s - last_s > GAP_S:
                        self._interrupt()
                    last_s = taken.frame.time_s
                    self._memory.add(taken)
                    self.pictures.put(taken)
            except LayermotionError as error:
                self.error = str(error)
            last_s = -math.inf
            self.has_ended = True
            self._again.wait()
            self._again.clear()

    def _interrupt(self) -> None:
        """Let nothing go on over the pictures that are missing before the next one."""
        with self._lock:
            self._memory.clear()
            self._watch.interrupt()
            self._practice.interrupt()

    def _look(self) -> None:
        """Look at the newest frame, again and again."""
        number = 0
        while not self._stop.is_set():
            found = self.pictures.after(number, WAIT_S)
            if found is None or self.is_frozen:
                number = found[0] if found else number
                continue
            number, taken = found
            try:
                with self._lock:
                    seen = self._watch.see(taken.frame)
                    if not self._source.is_scale_known:
                        nothing = Value(NOTHING.now, NOTHING.change, NO_SCALE)
                        seen = replace(seen, value=nothing)
                    self.states.put(self._state(seen, taken))
                self.unseen = ""
            except Exception as error:  # one picture; the next may be seen
                self.unseen = UNFORESEEN.format(kind=type(error).__name__)

    def _state(self, seen: Seen, taken: Taken) -> State:
        """Take the exercise on by one value."""
        if seen.view is not None and seen.view is not self._view:
            self._view = seen.view
            self._practice = Practice(self._targets[seen.view])
        time_s = self._time_s = taken.frame.time_s
        practice, change = self._practice, seen.value.change
        practice.update(time_s, change)
        self._recent.append((time_s, change))
        while time_s - self._recent[0][0] > NUMBER_S:
            self._recent.popleft()
        known = [value for _, value in self._recent if not np.isnan(value)]
        now_s = time.monotonic()
        self._looked.append(now_s)
        while now_s - self._looked[0] > RATE_S:
            self._looked.popleft()
        return State(
            seen=seen,
            at_s=taken.at_s,
            number=float(np.median(known)) if known else float("nan"),
            rest_now=self._watch.rest_now,
            phase=practice.phase,
            left_s=practice.left_s(time_s),
            held_s=practice.held_s,
            done=practice.done,
            tried=practice.tried,
            target=practice.target,
            values_hz=len(self._looked) / RATE_S,
        )
