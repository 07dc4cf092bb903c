"""Owns the edges of a whole clip, on disk, so that memory does not grow with its length."""

import tempfile
from collections.abc import Iterator
from types import TracebackType
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.labels import STRUCTURES

# Superficial edge, deep edge and confidence of each structure, and whether layers are miscounted.
_ROWS = 3 * len(STRUCTURES) + 1


class ClipEdges(Protocol):
    """Edges of every frame of a clip, on disk or in memory."""

    def __len__(self) -> int: ...

    def __getitem__(self, index: int, /) -> Boundaries: ...

    def __iter__(self) -> Iterator[Boundaries]: ...


class Recording:
    """Edges frame by frame; append in order, read back any time. Use as a context manager.

    The file is unnamed and vanishes with the process, however that ends; without a context manager
    it is closed with the last use of the object.
    """

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile(prefix="layermotion-")
        self._columns: NDArray[np.float32] | None = None
        self._count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def __del__(self) -> None:
        self._file.close()

    def __len__(self) -> int:
        return self._count

    def append(self, boundaries: Boundaries) -> None:
        """Add the edges of the next frame; all frames have the same columns."""
        if self._columns is None:
            self._columns = boundaries.column_px
        last = np.zeros((1, boundaries.column_px.size), np.float32)
        if boundaries.is_miscounted is not None:
            last[0] = boundaries.is_miscounted
        block = np.concatenate(
            [boundaries.superficial_px, boundaries.deep_px, boundaries.confidence, last]
        )
        self._file.seek(self._count * block.nbytes)
        self._file.write(block.astype(np.float32).tobytes())
        self._count += 1

    def __getitem__(self, index: int) -> Boundaries:
        if self._columns is None or not 0 <= index < self._count:
            raise IndexError(index)
        size = self._columns.size
        bytes_each = _ROWS * size * 4
        self._file.seek(index * bytes_each)
        rows = np.frombuffer(self._file.read(bytes_each), np.float32).reshape(_ROWS, size)
        block = rows[:-1].reshape(3, -1, size)
        return Boundaries(self._columns, block[0], block[1], block[2], rows[-1] > 0)

    def __iter__(self) -> Iterator[Boundaries]:
        return (self[index] for index in range(self._count))
