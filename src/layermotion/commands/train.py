"""Owns what ``layermotion train`` does with its words: one run with its bar, or a sweep of runs."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

from layermotion.training.composing import load_settings, starting_from
from layermotion.training.loop import Result, Start, train
from layermotion.training.settings import TrainSettings


def run_training(
    config: str,
    overrides: Sequence[str],
    out: Path,
    start_from: str | None = None,
    teacher: str | None = None,
) -> Result:
    """Read the settings and train, with a bar where someone looks on."""
    settings = load_settings(config, starting_from(overrides, start_from))
    with shown(settings) as (report, advance):
        start = Start(start_from, teacher=teacher)
        return train(settings, out, report=report, start=start, advance=advance)


@contextmanager
def shown(
    settings: TrainSettings, console: Console | None = None
) -> Iterator[tuple[Callable[[str], None], Callable[[int], None]]]:
    """Give what shows lines, and what moves the bar below them; a file gets lines alone."""
    console = console or Console(soft_wrap=True, highlight=False)
    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=settings.steps)

        def report(line: str) -> None:
            console.print(line, markup=False)

        yield report, lambda step: bar.update(task, completed=step)
