"""Owns the review command: opens the page of a visit and keeps what is done there."""

import threading
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from layermotion.clip.acquired import acquired_at
from layermotion.clip.source import SourceOptions
from layermotion.labels import Task
from layermotion.models.registry import load_in_use
from layermotion.places import default_record
from layermotion.record.store import Record
from layermotion.review.server import routes_of
from layermotion.review.sources import Listed, find_sources, with_scale
from layermotion.review.visit import Review
from layermotion.serving.run import serve


def run_review(
    paths: Sequence[Path], record: Path | None, task: Task | None, site: str, stated: SourceOptions
) -> None:
    """Serve the page of the clips until it is ended.

    Raises
    ------
    LayermotionError
        If there is no clip, or the record cannot be used.
    """
    listed = [with_scale(one, stated) for one in find_sources(paths, task, site)]
    with Record.open(record or default_record()) as opened:
        review = Review(listed, load_in_use(), opened, day_of(listed), lambda review: None)
        threading.Thread(target=review.measure_all, name="measuring", daemon=True).start()
        serve(routes_of(review))


def day_of(listed: Sequence[Listed]) -> date:
    """Day of the recordings where the first file states it, else today."""
    stated = acquired_at(listed[0].path) or ""
    try:
        return min(date.fromisoformat(stated[:8]), date.today())
    except ValueError:
        return date.today()
