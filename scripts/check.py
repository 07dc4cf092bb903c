"""Runs the whole check, from a bare clone to the tests; standard library only.

Usage: python scripts/check.py
"""

from __future__ import annotations

import os
import subprocess
import sys
import time

import browser
from environment import ROOT, SetupFailed, prepare

EXTRAS = ("train", "test")


def stages() -> dict[str, list[str]]:
    """Return the stages in order, each the arguments after ``python -m``."""
    workers = ["-n", "2"] if (os.cpu_count() or 1) >= 2 else []
    return {
        "lint": ["ruff", "check"],
        "format": ["ruff", "format", "--check"],
        "types": ["mypy", *workers],
        "tests": ["pytest", *workers],
    }


def main() -> int:
    """Run every stage up to the first that fails; return its exit code."""
    seconds: dict[str, float] = {}
    failed = ""
    code = 0
    start = time.perf_counter()
    try:
        python = prepare(EXTRAS)
    except SetupFailed as error:
        print(error, file=sys.stderr)
        return 2
    if not browser.prepare():
        print(browser.MISSING, file=sys.stderr)
        return 2
    seconds["install"] = time.perf_counter() - start
    for stage, arguments in stages().items():
        print(f"\n== {stage}: {' '.join(arguments)}", flush=True)
        start = time.perf_counter()
        code = subprocess.run([str(python), "-m", *arguments], cwd=ROOT).returncode
        seconds[stage] = time.perf_counter() - start
        if code != 0:
            failed = stage
            break
    print(f"\n{'stage':<10}{'seconds':>9}")
    for stage, spent in seconds.items():
        print(f"{stage:<10}{spent:>9.1f}{'  failed' if stage == failed else ''}")
    print(f"The check failed at {failed}." if failed else "The check passed.")
    return code


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
