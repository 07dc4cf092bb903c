"""Owns looking at frames: what the network sees in each, and which view that is."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip, Frame
from layermotion.labels import View
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import VIEW_CLASSES, Segmenter

# A frame counts as showing the view from this probability on, and from a lower one when a person
# stated it (our choice: of synthetic pictures of neither view the first lets 1 in 75 pass, and it
# turns 1 wall in 170 away).
LEAST_RECOGNISED, LEAST_STATED = 0.8, 0.1

# Grey below which a pixel shows nothing (our choice).
DARKEST = 12

NOT_RECOGNISED = (
    "The pictures are not recognised as an abdominal wall or a bladder view, so nothing is "
    "measured; check the clip, and state --view if you are sure of it."
)

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(frozen=True, eq=False)
class Look:
    """One frame as the network sees it.

    Parameters
    ----------
    frame
        The frame.
    probabilities
        float32, shape (6, R, C).
    view
        float32, shape (3,), in the order of ``VIEW_CLASSES``.
    lowest
        Shape (C,), last row of each column that shows something.
    """

    frame: Frame
    probabilities: NDArray[np.float32]
    view: NDArray[np.float32]
    lowest: NDArray[np.int64]

    def shows(self, view: View, least: float) -> bool:
        """Whether the frame shows a view with this probability at least."""
        return bool(self.view[VIEW_CLASSES.index(view)] >= least)


def least_shown(clip: Clip) -> float:
    """Least probability from which a frame counts as showing the view of its clip."""
    return LEAST_STATED if clip.view else LEAST_RECOGNISED


def look_at(frame: Frame, segmenter: Segmenter, grid: ModelGrid) -> Look:
    """Run the network on one frame."""
    image = grid.to_model(frame.pixels)
    probabilities, view = segmenter.run(image[None])
    return Look(frame, probabilities[0], view[0], lowest_shown(image))


def decide_view(clip: Clip, views: NDArray[np.float32]) -> tuple[View | None, str]:
    """Take the stated view, else recognise it from some frames.

    Parameters
    ----------
    views
        Shape (frames, 3), view probabilities.

    Returns
    -------
    view, words
        The view, or None where at most a quarter of the frames shows one; and who says so.
    """
    if clip.view:
        return clip.view, "stated by the user"
    shown = np.delete(views, VIEW_CLASSES.index(None), axis=1)
    showing = views[shown.max(axis=1) >= LEAST_RECOGNISED]
    if len(showing) <= len(views) / 4:
        return None, "not recognised"
    mean = showing.mean(axis=0)
    best = max(View, key=lambda view: float(mean[VIEW_CLASSES.index(view)]))
    probability = mean[VIEW_CLASSES.index(best)]
    return best, f"recognised in the picture, probability {probability:.2f}"


def ordered_map(
    pool: ThreadPoolExecutor, function: Callable[[Item], Result], items: Iterable[Item]
) -> Iterator[Result]:
    """Apply a function on all threads, results in order, only a few items ahead of the reader."""
    ahead = 2 * (os.cpu_count() or 1)
    waiting: deque[Future[Result]] = deque()
    for item in items:
        waiting.append(pool.submit(function, item))
        if len(waiting) > ahead:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


def lowest_shown(image: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Last row of each column that is not black: where a sector or the picture ends.

    Parameters
    ----------
    image
        uint8, shape (R, C), the model input.

    Returns
    -------
    ndarray
        Shape (C,); -1 where a column is black.

    Examples
    --------
    >>> lowest_shown(np.array([[90, 90, 0], [90, 0, 0]], np.uint8)).tolist()
    [1, 0, -1]
    """
    shown = image >= DARKEST
    return np.where(shown.any(axis=0), image.shape[0] - 1 - shown[::-1].argmax(axis=0), -1)
