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
    """Watches a folder; what lies there at the beginning is left alone.

    Parameters
    ----------
    measure
        Measures a file.
    """

    def __init__(self, folder: Path, measure: Callable[[Path], Outcome]) -> None:
        self._folder, self._measure = folder, measure
        self.newest: Newest[tuple[Arrival, ...]] = Newest()
        self.error = ""
        self._done = set(self._entries())
        self._sizes: dict[Path, tuple[tuple[int, float], int]] = {}
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
                if path not in self._done and self._is_whole(path) and not stop.is_set():
                    self._done.add(path)
                    if is_recording(path):
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

    def _is_whole(self, path: Path) -> bool:
        """Tell whether nothing was written to it for some looks."""
        try:
            parts = sorted(path.iterdir()) if path.is_dir() else [path]
            sizes = [part.stat() for part in parts]
        except OSError:
            return False
        size = (sum(s.st_size for s in sizes), max((s.st_mtime for s in sizes), default=0.0))
        before, looks = self._sizes.get(path, (None, 0))
        looks = looks + 1 if before == size else 0
        self._sizes[path] = (size, looks)
        if looks >= LOOKS:
            del self._sizes[path]
            return True
        return False

    def _take(self, path: Path) -> None:
        """Measure one clip, and say so before and after."""
        arrival = Arrival(path.name, datetime.now().astimezone())
        self._show(arrival)
        try:
            arrival = replace(arrival, outcome=self._measure(path))
        except LayermotionError as error:
            arrival = replace(arrival, failed=str(error))
        self._found = self._found[1:]
        self._show(arrival)

    def _show(self, arrival: Arrival) -> None:
        self._found = (arrival, *self._found)[:KEPT]
        self.newest.put(self._found)
