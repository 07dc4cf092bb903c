"""A written file is whole or absent, whatever happens to the writer."""

import subprocess
import sys
from pathlib import Path

import pytest

from layermotion.errors import InputError
from layermotion.files import atomic_path, write_text


def test_text_is_written_as_given_into_a_new_folder(tmp_path: Path) -> None:
    target = tmp_path / "visit" / "clip" / "series.csv"
    write_text(target, "a,b\n1,µ\n")
    assert target.read_bytes() == "a,b\n1,µ\n".encode()
    assert list(target.parent.iterdir()) == [target]


def test_old_content_stands_until_the_block_ends(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.write_text("old")
    with atomic_path(target) as temporary:
        assert temporary.suffix == ".html"
        assert temporary.parent == target.parent
        temporary.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_writer_that_raises_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error), atomic_path(tmp_path / "measures.json") as temporary:
        temporary.write_text("half")
        raise error
    assert list(tmp_path.iterdir()) == []


def test_writer_that_raises_keeps_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "measures.json"
    target.write_text("old")
    with pytest.raises(RuntimeError), atomic_path(target) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


KILLED_WRITER = """
import os, sys
from pathlib import Path
from layermotion.files import atomic_path
with atomic_path(Path(sys.argv[1])) as temporary:
    temporary.write_text("half")
    os._exit(9)  # ends the process as a kill does: nothing is cleaned up
"""


@pytest.mark.parametrize("old", [None, "old"])
def test_killed_writer_leaves_no_half_written_target(tmp_path: Path, old: str | None) -> None:
    target = tmp_path / "series.csv"
    if old is not None:
        target.write_text(old)
    ended = subprocess.run([sys.executable, "-c", KILLED_WRITER, str(target)])
    assert ended.returncode == 9
    assert (target.read_text() if target.exists() else None) == old


def test_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    # A path below a regular file fails for the administrator too, whom permissions do not stop.
    file = tmp_path / "file"
    file.write_text("")
    with pytest.raises(InputError, match="cannot be written .* choose a folder"):
        write_text(file / "below" / "series.csv", "a")
    assert file.read_text() == ""
