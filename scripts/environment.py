"""Owns the virtual environment the other scripts run in; standard library only."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
OLDEST_PYTHON = (3, 11)
STAMP = "layermotion-install.json"
# What pip says that shows a long install is alive; the rest of its output is dropped.
PROGRESS_WORDS = ("Downloading ", "Installing collected packages")


class SetupFailed(Exception):
    """The environment cannot be made; the message is one sentence for the user."""


def prepare(extras: tuple[str, ...] = (), environment: Path = ENVIRONMENT) -> Path:
    """Make the environment where missing, install the project into it, return its Python.

    The install is skipped where an earlier one, with these extras or more, was made in this
    folder from the same pyproject.toml.

    Parameters
    ----------
    extras
        Optional dependency groups of pyproject.toml to install.
    environment
        Folder of the environment.

    Raises
    ------
    SetupFailed
        If Python is too old, or the environment or the install fails.
    """
    if sys.version_info < OLDEST_PYTHON:
        needed = ".".join(map(str, OLDEST_PYTHON))
        raise SetupFailed(f"Python {sys.version.split()[0]} is too old; use {needed} or newer.")
    python = python_in(environment)
    if _has_pip(python):
        if is_installed(extras, environment):
            return python
    else:
        print(f"Making the virtual environment {environment.name} ...", flush=True)
        made = subprocess.run([sys.executable, "-m", "venv", str(environment)])
        if made.returncode != 0 or not _has_pip(python):
            raise SetupFailed(
                f"{environment} cannot be made into a virtual environment with pip; remove the "
                f"folder, check that this Python has its venv module, and run again."
            )
    _install(python, extras)
    write_stamp(extras, environment)
    return python


def python_in(environment: Path) -> Path:
    """Path of the environment's Python on this platform."""
    return environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def is_installed(extras: tuple[str, ...], environment: Path) -> bool:
    """Whether the stamp tells of this project, as it is now, with at least these extras."""
    try:
        stamp = json.loads((environment / STAMP).read_text(encoding="utf-8"))
        return stamp["project"] == _fingerprint() and set(extras) <= set(stamp["extras"])
    except (OSError, ValueError, KeyError, TypeError):
        return False


def write_stamp(extras: tuple[str, ...], environment: Path) -> None:
    """Note that the project was installed with these extras."""
    stamp = {"project": _fingerprint(), "extras": sorted(extras)}
    (environment / STAMP).write_text(json.dumps(stamp), encoding="utf-8")


def _fingerprint() -> str:
    """Hash of pyproject.toml and of the clone's place, which an editable install points to."""
    digest = hashlib.sha256(str(ROOT).encode())
    digest.update((ROOT / "pyproject.toml").read_bytes())
    return digest.hexdigest()


def _has_pip(python: Path) -> bool:
    try:
        found = subprocess.run([str(python), "-c", "import pip"], capture_output=True)
    except OSError:
        return False
    return found.returncode == 0


def _install(python: Path, extras: tuple[str, ...]) -> None:
    project = f".[{','.join(extras)}]" if extras else "."
    print(f"Installing the project: pip install -e {project}", flush=True)
    command = [str(python), "-m", "pip", "install", "--disable-pip-version-check", "-e", project]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, encoding="utf-8", errors="replace"
    ) as pip:
        assert pip.stdout is not None  # because of PIPE
        for line in map(str.strip, pip.stdout):
            if line.startswith(PROGRESS_WORDS) and ".metadata" not in line:
                print("  " + (line if len(line) <= 96 else line[:93] + "..."), flush=True)
    if pip.returncode != 0:
        raise SetupFailed("pip could not install the project; its own message is above.")
