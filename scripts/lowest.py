"""Runs tests with the lowest versions of what the project needs, as pyproject.toml states them.

    python scripts/lowest.py --environment out/lowest
    python scripts/lowest.py --environment out/lowest-training --training

It makes an environment of its own with the lowest version of every package that the light install
and the extras for studies, exchange and clusters name, and runs the tests that need no more. The
newest versions are what `scripts/check.py` installs. Training has a run of its own: its packages
take 7 GB.
"""

import argparse
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

from environment import ROOT, python_in
from packaging.requirements import Requirement
from packaging.version import Version

EXTRAS, TRAINING_EXTRAS = ("study", "exchange", "scale"), ("train", "exchange", "scale")
# What runs the tests; any version.
RUNNERS = (
    "pytest", "pytest-xdist", "hypothesis", "httpx", "httpx2", "fhir.resources", "pydicom-data",
    "packaging", "pingouin", "pypdf", "playwright",
)  # fmt: skip
TESTS = (
    "clip_dicom", "clip_stills", "clip_video", "lossless", "hostile_dicom", "hostile_stills",
    "hostile_video", "hostile_runs", "hostile_tables", "exchange", "shipped_weights", "overlay",
    "measure_command", "session", "session_signs", "stored", "store", "store_chain",
    "record_command", "serving", "review_server", "live_sources", "agreement_table",
    "agreement_limits", "agreement_regression", "agreement_reliability", "agreement_paper",
    "cluster", "offline", "printed", "light_install",
)  # fmt: skip
TRAINING_TESTS = (
    "training", "training_processes", "training_settings", "training_stop", "training_sweep",
    "lab_builds", "lab_folds", "lab_labels", "lab_tuning",
)  # fmt: skip


def lowest(extras: Sequence[str]) -> list[str]:
    """Give the lowest version of each package, as pip reads constraints.

    Raises
    ------
    ValueError
        If a package states no lowest version.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [*project["dependencies"]]
    for extra in extras:
        lines += project["optional-dependencies"][extra]
    found: dict[str, Version] = {}
    for requirement in map(Requirement, lines):
        versions = [part.version for part in requirement.specifier if part.operator in (">=", "==")]
        if len(versions) != 1:
            raise ValueError(f"{requirement} states no lowest version")
        # An extra may need more than the light install.
        found[requirement.name] = max(
            Version(versions[0]), found.get(requirement.name, Version("0"))
        )
    return [f"{name}=={version}" for name, version in sorted(found.items())]


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the environment, run the tests, and return what pytest returned."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--environment", type=Path, required=True)
    parser.add_argument("--training", action="store_true", help="the packages of training")
    options = parser.parse_args(arguments)
    extras, tests = (TRAINING_EXTRAS, TRAINING_TESTS) if options.training else (EXTRAS, TESTS)
    python = str(python_in(options.environment))
    constraints = options.environment / "lowest.txt"
    if not constraints.exists():
        subprocess.run([sys.executable, "-m", "venv", str(options.environment)], check=True)
        partial = constraints.with_suffix(".part")
        partial.write_text("\n".join(lowest(extras)) + "\n", encoding="utf-8")
        pip = [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run(
            [*pip, "-c", str(partial), "-e", f"{ROOT}[{','.join(extras)}]", *RUNNERS], check=True
        )
        partial.rename(constraints)
    print(constraints.read_text(encoding="utf-8"), end="", flush=True)
    files = [f"tests/test_{name}.py" for name in tests]
    # Old versions warn of what newer ones beside them give up; that is no fault of theirs.
    words = [python, "-m", "pytest", "-W", "default::DeprecationWarning", *files]
    return subprocess.run(words, cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())
