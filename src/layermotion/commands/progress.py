"""Owns what is said while several recordings are worked on: a bar, or one line for each."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
)

from layermotion.errors import plain


class Telling:
    """Says what is being done and what is finished; on stdout only what ``result`` is given.

    Parameters
    ----------
    total
        How many pieces of work there are.
    bar
        Bar on a terminal; None elsewhere.
    doing
        What is being done before anything is finished.
    quiet
        Whether nothing is said of what is finished.
    """

    def __init__(
        self, total: int, bar: Progress | None, doing: str = "", *, quiet: bool = False
    ) -> None:
        self._total, self._bar, self._quiet = total, bar, quiet
        self._done = 0
        self._task = bar.add_task(doing, total=total) if bar else None

    def begin(self, name: str) -> None:
        """Say what is being done; ``name`` carries no identity."""
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, description=name)

    def finish(self, name: str, seconds: float, what: str = "finished") -> None:
        """Say that a piece is finished, and how long it took."""
        self._done += 1
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=self._done, description=name)
        elif not self._quiet:
            words = f"{self._done} of {self._total}: {name} {what}, {seconds:.1f} s"
            print(words, file=sys.stderr, flush=True)

    def result(self, words: object) -> None:
        """Print what a program may read, on stdout."""
        with self._aside():
            print(words, flush=True)

    def warn(self, words: str) -> None:
        """Print a sentence on stderr."""
        with self._aside():
            print(f"layermotion: {plain(words)}", file=sys.stderr, flush=True)

    @contextmanager
    def _aside(self) -> Iterator[None]:
        """Take the bar away while something else is printed."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()


@contextmanager
def telling(total: int, doing: str = "") -> Iterator[Telling]:
    """Give what tells of the progress of so many pieces of work; of one alone nothing is said."""
    is_several = total > 1
    bar = None
    if is_several and sys.stderr.isatty():
        bar = Progress(
            SpinnerColumn(),
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
            redirect_stdout=False,
            redirect_stderr=False,
        )
    with bar or nullcontext():
        yield Telling(total, bar, doing, quiet=not is_several)
