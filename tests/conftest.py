"""Fixtures that several reader tests share."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.clip import Clip


@pytest.fixture
def noise() -> Callable[..., NDArray[np.uint8]]:
    """Frames of fixed random grey, shape (count, rows, columns)."""

    def make(count: int = 4, rows: int = 64, columns: int = 96) -> NDArray[np.uint8]:
        return np.random.default_rng(7).integers(0, 256, (count, rows, columns), np.uint8)

    return make


@pytest.fixture
def assert_reopens() -> Callable[[Callable[[], Clip]], None]:
    """Check that a source opens alike twice, and that each clip can be read twice."""

    def check(open_it: Callable[[], Clip]) -> None:
        first, second = open_it(), open_it()
        assert first.clip_id == second.clip_id
        runs = [list(clip.frames()) for clip in (first, first, second)]
        assert len(runs[0]) == first.frame_count
        assert [frame.index for frame in runs[0]] == list(range(len(runs[0])))
        assert runs[0][0].time_s == 0.0
        assert (np.diff([frame.time_s for frame in runs[0]]) > 0).all()
        for run in runs[1:]:
            for one, other in zip(runs[0], run, strict=True):
                assert one.time_s == other.time_s
                assert one.pixels.dtype == np.uint8
                assert one.pixels.shape == first.frame_shape
                np.testing.assert_array_equal(one.pixels, other.pixels)

    return check


@pytest.fixture
def write_bytes(tmp_path: Path) -> Callable[[str, bytes], Path]:
    """Write a file of given content."""

    def write(name: str, content: bytes) -> Path:
        path = tmp_path / name
        path.write_bytes(content)
        return path

    return write
