"""Owns a folder that the scanner writes into: each new clip is measured when it is whole."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from layermotion.clip.kinds import is_recording
from layermotion.errors import InputError, LayermotionError
from layermotion.live.newest import Newest
from layermotion.live.outcome import Outcome

# A file counts as whole when its size and its time have not changed for so many looks, each so long
# after the one before, s (our choice: scanners write on over a network with short breaks).
LOOKS, LOOK_S = 3, 0.5
# Clips that stay on the page, the newest first (our choice: a visit).
KEPT = 60

# By which is told whether something changed: bytes, and when it was written last, s.
Size = tuple[int, float]


@dataclass(frozen=True)
class Arrival:
    """A clip that arrived.

    Parameters
    ----------
    name
        Of its file, for the screen of who measures.
    at
        When it was whole.
    outcome
        What was measured, None while that is under way or where it failed.
    failed
        One sentence, where it could not be measured.
    """

    name: str
    at: datetime
    outcome: Outcome | None = None
    failed: str = ""


class Arrivals:
    """Watches a folder; what lies there at the beginning is left alone until it changes.

    What changes after it was measured, because it is another clip or was not whole yet, is
    measured again.

    Parameters
    ----------
    measure
        Measures a file.
    """

    def __init__(self, folder: Path, measure: Callable[[Path], Outcome]) -> None:
        self._folder, self._measure = folder, measure
        self.newest: Newest[tuple[Arrival, ...]] = Newest()
        self.error = ""
        self._done = {path: _size_of(path) for path in self._entries()}
        self._looks: dict[Path, tuple[Size, int]] = {}
        self._found: tuple[Arrival, ...] = ()
        self.newest.put(())

    def watch(self, stop: threading.Event) -> None:
        """Look at the folder until ``stop`` is set."""
        while not stop.is_set():
            try:
                entries = self._entries()
                self.error = ""
            except InputError as error:
                entries, self.error = [], str(error)
            for path in entries:
                if self._is_due(path) and not stop.is_set() and is_recording(path):
                    self._take(path)
            stop.wait(LOOK_S)

    def _entries(self) -> list[Path]:
        """Files and folders of images in the folder, by name; hidden ones are not finished."""
        try:
            return sorted(p for p in self._folder.iterdir() if not p.name.startswith("."))
        except OSError as error:
            raise InputError(
                f"{self._folder} cannot be read ({error.strerror}); check the folder."
            ) from error

    def _is_due(self, path: Path) -> bool:
        """Tell, once, that it is another than it was and nothing was written to it for a while."""
        size = _size_of(path)
        if size is None or size == self._done.get(path):
            return False
        before, looks = self._looks.get(path, (None, 0))
        looks = looks + 1 if before == size else 0
        self._looks[path] = (size, looks)
        if looks < LOOKS:
            return False
        del self._looks[path]
        self._done[path] = size
        return True

    def _take(self, path: Path) -> None:
        """Measure one clip, and say so before and after."""
        arrival = Arrival(path.name, datetime.now().astimezone())
        self._show(arrival)
        try:
            arrival = replace(arrival, outcome=self._measure(path))
        except LayermotionError as error:
            arrival = replace(arrival, failed=str(error))
        self._show(arrival)

    def _show(self, arrival: Arrival) -> None:
        """Show an arrival first, in place of what was shown under its name."""
        others = (one for one in self._found if one.name != arrival.name)
        self._found = (arrival, *others)[:KEPT]
        self.newest.put(self._found)


def _size_of(path: Path) -> Size | None:
    """Size and time of a file, or of all that lies in a folder; None where it cannot be read."""
    try:
        parts = [part.stat() for part in (path.iterdir() if path.is_dir() else [path])]
    except OSError:
        return None
    return sum(part.st_size for part in parts), max((part.st_mtime for part in parts), default=0.0)
