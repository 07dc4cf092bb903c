"""The demonstration: what it leaves behind, and what it says to type next."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from layermotion.commands import demo
from layermotion.commands.demo import command_here
from layermotion.labels import Task, View
from layermotion.review.sources import find_sources
from layermotion.session.plan import Side

PROGRAM = "layermotion.exe" if os.name == "nt" else "layermotion"


@pytest.fixture
def environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder of programs of an environment below the present folder, which is not on the PATH."""
    folder = tmp_path / ".venv" / "bin"
    folder.mkdir(parents=True)
    (folder / PROGRAM).write_text("#!/bin/sh\n")
    (folder / PROGRAM).chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(folder / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return folder


def test_the_command_can_be_typed_where_no_environment_is_active(environment: Path) -> None:
    assert Path(command_here()) == Path(".venv", "bin", PROGRAM)
    assert subprocess.run([Path.cwd() / command_here()]).returncode == 0


def test_it_is_named_whole_from_elsewhere(
    environment: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (environment / "deeper").mkdir()
    monkeypatch.chdir(environment / "deeper")
    assert Path(command_here()) == environment / PROGRAM


def test_it_is_short_in_an_active_environment(
    environment: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(environment))
    assert command_here() == "layermotion"


def test_it_leaves_what_the_next_command_opens(
    environment: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lift = [part for part in demo.PARTS if part.view is View.BLADDER]
    monkeypatch.setattr(demo, "PARTS", lift)
    demo.run_demo(Path("out"))
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Not a medical device.")
    assert lines[-1].endswith(f": {Path('.venv', 'bin', PROGRAM)} review out")
    assert Path(lines[-2]).is_file() and Path(lines[-2]).name == "report.html"
    (clip,) = find_sources([Path("out")], None, "most-even")
    assert clip.path.is_file() and not clip.problem
    assert (clip.side, clip.task) == (Side.MIDLINE, Task.PELVIC_FLOOR_LIFT)
    assert clip.options.mm_per_pixel
