"""Owns the edges of a clip in memory, in blocks of frames, and what was once found in a block."""

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from functools import cached_property
from itertools import islice
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries

Array = NDArray[np.float32]
Found = TypeVar("Found")

# Frames that are looked at together (our choice: a correction changes the frames of a window, some
# tens, so that most blocks stay as they are).
BLOCK = 64
# Most findings that a block keeps; the oldest go (our choice: four layers at a few sites).
MOST_KEPT = 48


class Block:
    """Edges of successive frames with the same columns, which nothing changes any more.

    Parameters
    ----------
    frames
        At least one.
    """

    def __init__(self, frames: tuple[Boundaries, ...]) -> None:
        self.frames = frames
        self._found: dict[Hashable, Any] = {}

    @property
    def column_px(self) -> Array:
        """Shape (C,), as in ``Boundaries``."""
        return self.frames[0].column_px

    @cached_property
    def superficial_px(self) -> Array:
        """Shape (frames, 5, C)."""
        return np.array([each.superficial_px for each in self.frames])

    @cached_property
    def deep_px(self) -> Array:
        """Shape (frames, 5, C)."""
        return np.array([each.deep_px for each in self.frames])

    @cached_property
    def confidence(self) -> Array:
        """Shape (frames, 5, C)."""
        return np.array([each.confidence for each in self.frames])

    def once(self, key: Hashable, find: Callable[[], Found]) -> Found:
        """Give what a pure function finds in the block; it is called once for each key.

        Parameters
        ----------
        key
            Names the function and all that it is given beside the block.
        """
        if key not in self._found:
            while len(self._found) >= MOST_KEPT:
                self._found.pop(next(iter(self._found)))
            self._found[key] = find()
        found: Found = self._found[key]
        return found


class HeldEdges:
    """Edges of every frame of a clip in memory; those with some frames anew share the others."""

    def __init__(self, blocks: tuple[Block, ...]) -> None:
        self.blocks = blocks
        self._count = sum(len(block.frames) for block in blocks)

    @classmethod
    def of(cls, frames: Iterable[Boundaries]) -> "HeldEdges":
        """Hold the edges of all frames."""
        return frames if isinstance(frames, HeldEdges) else cls(tuple(blocks_of(frames)))

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, index: int) -> Boundaries:
        if not 0 <= index < self._count:
            raise IndexError(index)
        return self.blocks[index // BLOCK].frames[index % BLOCK]

    def __iter__(self) -> Iterator[Boundaries]:
        return (frame for block in self.blocks for frame in block.frames)

    def replaced(self, anew: Mapping[int, Boundaries]) -> Self:
        """Give the same with some frames anew, by their positions."""
        blocks = list(self.blocks)
        for number in {index // BLOCK for index in anew}:
            frames = enumerate(blocks[number].frames, number * BLOCK)
            blocks[number] = Block(tuple(anew.get(index, frame) for index, frame in frames))
        return type(self)(tuple(blocks))


def blocks_of(frames: Iterable[Boundaries]) -> Iterator[Block]:
    """Give frames in blocks; of edges that are held they are the same ones each time."""
    if isinstance(frames, HeldEdges):
        yield from frames.blocks
        return
    every = iter(frames)
    while block := tuple(islice(every, BLOCK)):
        yield Block(block)
