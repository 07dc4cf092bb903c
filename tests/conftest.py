"""Owns fixtures that several test files share, and how many threads a test may use."""

# ruff: noqa: E402
import fcntl
import os
from collections.abc import Callable, Iterator
from pathlib import Path

# One thread for each process, here and in what a test starts: pytest runs beside itself on every
# core, and small pieces of work take several times longer where threads wait for each other. The
# libraries below read this when they are first imported.
os.environ["OMP_NUM_THREADS"] = "1"

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.clip import Clip

cv2.setNumThreads(1)


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


@pytest.fixture
def plain_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write a line in place of each report, whose plots take longer than what is measured."""
    monkeypatch.setattr("layermotion.report.page.build_page", lambda content: "<p>A report.</p>")


@pytest.fixture(scope="session", autouse=True)
def settings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Folder of this computer's settings, away from those of who runs the tests."""
    folder = tmp_path_factory.mktemp("settings")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("layermotion.places.typer.get_app_dir", lambda name: str(folder / name))
        patch.setenv("XDG_DATA_HOME", str(folder / "data"))
        yield folder


@pytest.fixture(scope="session")
def trained_weights(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Folder with the weights smoke-001, and the run they came from in ``run``.

    A small network, after enough steps to know four drawn scenes by heart. It is made once for all
    processes of pytest.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "trained"
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # until the file is closed
        if not folder.exists():
            from trained import make_weights

            made = tmp_path_factory.mktemp("weights") / "made"
            make_weights(made)
            made.rename(folder)
    return folder
