"""A written file is whole or absent, whatever happens to the writer."""

import errno
import os
import stat
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


def test_a_file_and_its_new_folders_are_for_their_owner_alone(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        write_text(tmp_path / "visit" / "clip" / "series.csv", "a")
    finally:
        os.umask(old)
    for path, mode in (("visit", 0o700), ("visit/clip", 0o700), ("visit/clip/series.csv", 0o600)):
        assert stat.S_IMODE((tmp_path / path).stat().st_mode) == mode


def test_what_a_killed_writer_left_goes_with_the_next_writing(tmp_path: Path) -> None:
    target = tmp_path / "series.csv"
    ended = subprocess.run([sys.executable, "-c", KILLED_WRITER, str(target)])
    assert ended.returncode == 9 and len(list(tmp_path.iterdir())) == 1
    write_text(target, "new")
    assert list(tmp_path.iterdir()) == [target]


def test_what_another_writer_is_writing_stays(tmp_path: Path) -> None:
    target = tmp_path / "series.csv"
    with atomic_path(target) as first:
        first.write_text("first")
        with atomic_path(target) as second:
            second.write_text("second")
        assert target.read_text() == "second" and first.exists()
    assert target.read_text() == "first"
    assert list(tmp_path.iterdir()) == [target]


def test_a_full_disk_is_one_sentence_and_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "series.csv"
    target.write_text("old")

    def full(*arguments: object, **options: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(InputError, match=r"series\.csv cannot be written .* free some space"):
        write_text(target, "new")
    assert target.read_text() == "old" and list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("name", ["a" * 250 + ".csv", "µ" * 100 + ".csv", "[x]*?.csv", "-x .csv"])
def test_odd_names_are_written(name: str, tmp_path: Path) -> None:
    write_text(tmp_path / name, "a")
    write_text(tmp_path / name, "b")
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "b"
