"""Owns frames between two looks: where little changes, the network need not see each of them."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Frame
from layermotion.network.grid import ModelGrid
from layermotion.network.look import Look, lowest_shown, ordered_map

# Looks are at most this far apart, s, where the clip has frames enough (our choice: every second
# frame at 25 to 37 a second).
APART_S = 0.08
# A frame between is looked at itself where a structure moves by more than this from one look to the
# other, rows of the model on average (our choice: below it edges lie within 0.3 px of the frame's
# own in half of the frames, above it in a cough the base is up to 32 px off).
MOST_MOVED_PX = 0.5
# The same where it is less like the looks than they are like each other, by this many grey levels
# on average (our choice: a flash or a black frame differs by tens).
UNLIKE_GREY = 4.0


@dataclass(frozen=True, eq=False)
class Between:
    """A frame that was not looked at, and the looks before and after it."""

    frame: Frame
    before: Look
    after: Look


def looks_apart(
    pool: ThreadPoolExecutor, look: Callable[[Frame], Look], last: Look, frames: Iterable[Frame]
) -> Iterator[Look | Between]:
    """Look at some frames of a clip on all threads; every frame comes in order.

    Parameters
    ----------
    last
        The look at the frame before the first of ``frames``.
    """
    for passed, after in ordered_map(
        pool, lambda group: (group[:-1], look(group[-1])), _groups(last.frame.time_s, frames)
    ):
        for frame in passed:
            yield Between(frame, last, after)
        yield after
        last = after


def seen_in(
    item: Look | Between, look: Callable[[Frame], Look], grid: ModelGrid, structures: int
) -> Look:
    """Give a look as it is; for a frame between two, what lies between them in time.

    It is looked at after all where much moves there, or where it is like neither.

    Parameters
    ----------
    structures
        How many the view shows.
    """
    if isinstance(item, Look):
        return item
    frame, before, after = item.frame, item.before, item.after
    image = grid.to_model(frame.pixels)
    if (
        rows_changed(before.probabilities, after.probabilities) > structures * MOST_MOVED_PX
        or _difference(image, before.image) > _difference(after.image, before.image) + UNLIKE_GREY
    ):
        return look(frame)
    start_s, end_s = before.frame.time_s, after.frame.time_s
    share = np.float32((frame.time_s - start_s) / (end_s - start_s))
    return Look(
        frame,
        image,
        before.probabilities + share * (after.probabilities - before.probabilities),
        before.view + share * (after.view - before.view),
        lowest_shown(image),
    )


def rows_changed(before: NDArray[np.float32], after: NDArray[np.float32]) -> float:
    """How many rows of a column change class on average.

    Parameters
    ----------
    before, after
        Class probabilities, shape (classes, R, C).
    """
    # What leaves one class enters another.
    return float(np.abs(after - before).sum(axis=(0, 1)).mean() / 2)


def _difference(image: NDArray[np.uint8], other: NDArray[np.uint8]) -> float:
    return float(np.abs(image.astype(np.int16) - other).mean())


def _groups(start_s: float, frames: Iterable[Frame]) -> Iterator[list[Frame]]:
    """Put frames together so that only the last of each group has to be looked at."""
    group: list[Frame] = []
    for frame in frames:
        if group and frame.time_s - start_s > APART_S:
            yield group
            start_s, group = group[-1].time_s, []
        group.append(frame)
    if group:
        yield group
