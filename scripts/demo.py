"""Runs the demonstration from a bare clone; standard library only.

Usage: python scripts/demo.py [--out DIR]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time

from environment import SetupFailed, prepare


def main() -> int:
    """Install the light environment where missing, run ``layermotion demo``, return its code."""
    parser = argparse.ArgumentParser(description="Make, measure and report synthetic clips.")
    parser.add_argument("--out", default="demo-output", metavar="DIR", help="where to write")
    out = parser.parse_args().out
    start = time.perf_counter()
    try:
        python = prepare()
    except SetupFailed as error:
        print(error, file=sys.stderr)
        return 2
    installed = time.perf_counter()
    code = subprocess.run([str(python), "-m", "layermotion.cli", "demo", "--out", out]).returncode
    finished = time.perf_counter()
    print(
        f"Demonstration: {finished - installed:.1f} s, "
        f"after {installed - start:.1f} s of download and installation."
    )
    return code


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
