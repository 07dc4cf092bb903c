"""Check the researcher's bench as a whole: speed, and recovery of a known rater error.

python scripts/study.py speed       compare 10,000 rows of calliper values, timed
python scripts/study.py recovery    200 simulated studies: does the interval hold the true SEM?
"""

import argparse
import csv
import math
import tempfile
import time
from pathlib import Path

import numpy as np

from layermotion.agreement.command import run_compare
from layermotion.agreement.icc import measurement_error
from layermotion.agreement.readings import Reading
from layermotion.agreement.reliability import analyse_reliability
from layermotion.agreement.study import StudyOptions

LIMIT_S = 10.0
RUNS = 200
# Spread of the simulated values, mm: of the order of the TrA (our choice).
SUBJECT_SD, SESSION_SD, ERROR_SD = 0.8, 0.2, 0.25
RATER_OFFSETS_MM = (0.0, 0.15, -0.1)


def write_study(folder: Path, subjects: int, rng: np.random.Generator) -> tuple[Path, Path, int]:
    """Write manual and automatic tables: two layers, two raters, one clip a subject.

    Returns
    -------
    tuple
        The two paths and the number of manual rows.
    """
    manual, auto = folder / "manual.csv", folder / "auto.csv"
    rows, tool = [], []
    for subject in range(subjects):
        for structure, mean in (("tra", 3.5), ("io", 8.0)):
            true = rng.normal(mean, SUBJECT_SD)
            key = ("thickness_rest", structure, "rest", 1)
            for rater, offset in zip("AB", RATER_OFFSETS_MM, strict=False):
                value = true + offset + rng.normal(0, ERROR_SD)
                rows.append((f"c{subject}", f"S{subject}", *key, rater, round(value, 3), "mm"))
            value = true + rng.normal(0, ERROR_SD)
            quality = round(rng.uniform(0.5, 1), 3)
            tool.append((f"c{subject}", *key, round(value, 3), "mm", quality))
    heading = (
        "clip",
        "subject",
        "measure",
        "structure",
        "task",
        "repeat",
        "rater",
        "value",
        "unit",
    )
    for path, names, lines in (
        (manual, heading, rows),
        (auto, (*heading[:1], *heading[2:6], *heading[7:], "quality"), tool),
    ):
        with path.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([names, *lines])
    return manual, auto, len(rows)


def check_speed() -> bool:
    """Time a comparison of 10,000 manual rows, plots and files included."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        manual, auto, rows = write_study(folder, 2500, np.random.default_rng(1))
        started_s, worked_s = time.perf_counter(), time.process_time()
        run_compare(manual, [auto], folder / "out", StudyOptions())
        taken_s, work_s = time.perf_counter() - started_s, time.process_time() - worked_s
    verdict = "met" if taken_s < LIMIT_S else "MISSED"
    print(
        f"{rows} rows in {taken_s:.1f} s ({work_s:.1f} s of processor time), limit {LIMIT_S:g} s: "
        f"{verdict}"
    )
    return taken_s < LIMIT_S


def check_recovery() -> bool:
    """Count studies whose interval holds the SEM that was put in."""
    rng = np.random.default_rng(2)
    raters = repeats = 0
    for _ in range(RUNS):
        raters += raters_study(rng)
        repeats += repeats_study(rng)
    # Three standard errors of a share of 200 when it is 95 % in truth.
    least = 0.95 - 3 * math.sqrt(0.95 * 0.05 / RUNS)
    good = True
    for name, hits in (
        ("three raters, two-way analysis of variance", raters),
        ("sessions and repeats, mixed model", repeats),
    ):
        good &= hits / RUNS >= least
        print(f"{name}: the interval holds the true SEM in {hits} of {RUNS} ({hits / RUNS:.1%})")
    return good


def raters_study(rng: np.random.Generator) -> bool:
    """Simulate 30 subjects and three raters; whether the SEM is found."""
    true = rng.normal(3.5, SUBJECT_SD, (30, 1)) + np.array(RATER_OFFSETS_MM)
    found = measurement_error(true + rng.normal(0, ERROR_SD, true.shape)).sem_consistency
    return found.low <= ERROR_SD <= found.high


def repeats_study(rng: np.random.Generator) -> bool:
    """Simulate 25 subjects, two sessions, three repeats; whether the SEM is found."""
    readings = []
    for subject in range(25):
        own = rng.normal(3.5, SUBJECT_SD)
        for session in range(2):
            day = own + rng.normal(0, SESSION_SD)
            readings += [
                Reading(
                    row=0,
                    clip="",
                    subject=str(subject),
                    session=str(session),
                    side="",
                    placement="",
                    measure="thickness_rest",
                    structure="tra",
                    task="rest",
                    repeat=str(repeat),
                    rater="",
                    reading="",
                    value=day + rng.normal(0, ERROR_SD),
                    unit="mm",
                )
                for repeat in range(3)
            ]
    found = analyse_reliability(readings).plan[0].sem
    return found.low <= math.hypot(SESSION_SD, ERROR_SD) <= found.high


def main() -> int:
    """Run one check, or both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("check", choices=("speed", "recovery", "all"), nargs="?", default="all")
    chosen = parser.parse_args().check
    good = True
    if chosen in ("speed", "all"):
        good &= check_speed()
    if chosen in ("recovery", "all"):
        good &= check_recovery()
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
