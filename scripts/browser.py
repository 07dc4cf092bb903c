"""Owns where the browser of the tests is, and its installation; standard library only."""

from __future__ import annotations

import os
import shutil
import subprocess

# Names that distributions give the browser that prints pages in tests.
PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
COMMANDS = (
    ("apt-get", "update"),
    ("apt-get", "install", "--yes", "--no-install-recommends", "chromium"),
)
MISSING = (
    "The tests print pages with Chromium, which is not installed; install it (Debian: apt-get "
    "install chromium) and run again."
)


def find() -> str | None:
    """Path of the browser; None where there is none."""
    return next((path for path in map(shutil.which, PROGRAMS) if path), None)


def prepare() -> bool:
    """Install the browser where Debian's packages can; return whether there is one."""
    if find() is None and shutil.which("apt-get") and os.geteuid() == 0:
        print("Installing Chromium for the tests ...", flush=True)
        for command in COMMANDS:
            subprocess.run(command, stdout=subprocess.DEVNULL)
    return find() is not None
