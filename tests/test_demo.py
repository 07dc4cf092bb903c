"""What the demonstration says to type next."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from layermotion.commands.demo import command_here

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
