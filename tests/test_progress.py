"""What is said while several recordings are worked on, on a terminal and elsewhere."""

import io
import os
import pty
import re
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from visits import DrawnVisit

from layermotion.cli import main
from layermotion.commands.progress import telling

TIME = re.compile(r", \d+\.\d s$")


class Terminal(io.StringIO):
    """Text stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


@pytest.mark.usefixtures("plain_reports")
def test_each_recording_of_a_visit_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = DrawnVisit(tmp_path / "scans")
    drawn.wall("left_draw_in_1.dcm", 20)
    drawn.wall("right_draw_in_1.dcm", 22)
    (drawn.folder / "right_draw_in_2.dcm").write_bytes(b"not a clip")
    monkeypatch.setattr("layermotion.commands.session.load_in_use", lambda: drawn.segmenter())
    out = tmp_path / "out"
    assert run("session", drawn.folder, "--out", out, "--no-overlay") == 1
    said = capsys.readouterr()
    assert said.out == f"{out / 'visit.html'}\n"
    lines = said.err.splitlines()
    assert all(TIME.search(line) for line in lines if not line.startswith("layermotion: "))
    assert [TIME.sub("", line) for line in lines if TIME.search(line)] == [
        "1 of 3: left-draw_in-1 finished",
        "2 of 3: right-draw_in-1 finished",
        "3 of 3: right-draw_in-2 failed",
    ]


@pytest.mark.usefixtures("plain_reports")
def test_several_sources_are_named_without_identity(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = DrawnVisit(tmp_path / "scans")
    sources = [drawn.wall(f"invented-{number}.dcm", 20 + number) for number in (1, 2)]
    monkeypatch.setattr("layermotion.commands.measure.load_in_use", lambda: drawn.segmenter())
    assert run("measure", *sources, "--out", tmp_path / "out", "--no-overlay") == 0
    said = capsys.readouterr()
    folders = [Path(line).parent.name for line in said.out.splitlines()]
    assert [TIME.sub("", line) for line in said.err.splitlines()] == [
        f"{number} of 2: {folder} finished" for number, folder in enumerate(folders, start=1)
    ]
    assert "invented" not in said.err


def test_each_still_that_is_drawn_is_one_line(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    made = ("--view", "bladder", "--clips", "0", "--stills", "2", "--seed", "4")
    assert run("synthesize", *made, "--out", tmp_path) == 0
    said = capfd.readouterr()
    assert said.out == ""
    assert [TIME.sub("", line) for line in said.err.splitlines()] == [
        "1 of 2: bladder-still-000 finished",
        "2 of 2: bladder-still-001 finished",
    ]


def test_of_one_alone_nothing_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    with telling(1) as tell:
        tell.begin("clip-c0ffee123")
        tell.finish("clip-c0ffee123", 1.0)
    assert capsys.readouterr() == ("", "")


def test_a_terminal_shows_a_bar_and_stdout_only_the_results(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("TERM", "xterm")
    with telling(2) as tell:
        tell.begin("left-draw_in-1")
        tell.result("out/clip-c0ffee123/report.html")
        tell.finish("left-draw_in-1", 1.0)
        tell.warn("right_draw_in_1.dcm is empty (0 bytes); copy or export it again.")
        tell.finish("right-draw_in-1", 1.0, "failed")
    assert capsys.readouterr().out == "out/clip-c0ffee123/report.html\n"
    words = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.getvalue())
    assert "left-draw_in-1" in words and "0/2" in words and "2/2" in words
    # The sentence stands on a line of its own, and the bar makes no line for each recording.
    assert (
        "layermotion: right_draw_in_1.dcm is empty (0 bytes); copy or export it again.\n" in words
    )
    assert " of 2: " not in words


def read_all(terminal: int) -> bytes:
    """Everything a terminal was sent: one read gives only a part of it now and then."""
    parts = []
    # The end is told by an error on Linux and by nothing elsewhere.
    with suppress(OSError):
        while part := os.read(terminal, 65536):
            parts.append(part)
    return b"".join(parts)


def test_a_real_terminal_is_left_clean(tmp_path: Path) -> None:
    script = (
        "from layermotion.commands.progress import telling\n"
        "with telling(2) as tell:\n"
        "    tell.begin('left-draw_in-1')\n"
        "    tell.finish('left-draw_in-1', 1.0)\n"
        "    tell.result('report.html')\n"
    )
    ours, theirs = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-c", script],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm"},
        check=True,
    )
    os.close(theirs)
    shown = read_all(ours).decode()
    os.close(ours)
    assert done.stdout == b"report.html\n"
    assert "left-draw_in-1" in shown
    # The cursor is shown again, and the line of the bar is erased.
    assert shown.rindex("\x1b[?25h") > shown.rindex("\x1b[?25l")
    assert shown.rstrip("\r\n").endswith("\x1b[2K")
