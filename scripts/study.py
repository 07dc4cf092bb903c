"""Check the researcher's bench as a whole: speed, and whether intervals hold the truth.

python scripts/study.py speed       compare 10,000 rows of calliper values, timed
python scripts/study.py large       the same of 100,000 rows, with the memory
python scripts/study.py repeats     10 subjects with 2,000 repeats, timed
python scripts/study.py coverage    how often do the 95 % intervals hold what was put in?
"""

import argparse
import csv
import json
import math
import resource
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

import numpy as np
from study_coverage import (
    LEAST,
    MOST,
    SUBJECTS,
    Count,
    Design,
    count_design,
    designs_of,
    make_reading,
)

from layermotion.agreement.command import run_compare
from layermotion.agreement.readings import readings_of
from layermotion.agreement.reliability import analyse_reliability
from layermotion.agreement.study import StudyOptions
from layermotion.files import write_text

LIMIT_S = 10.0
LARGE_LIMIT_S, LARGE_LIMIT_MB, REPEATS_LIMIT_S = 30.0, 700.0, 60.0
# An interval that fewer studies give is not judged: what is given is a choice of them (our choice).
FEWEST_SHARE = 0.1
PARTS = ("agreement", "reliability", "shapes")
# Spread of the simulated values, mm: of the order of the TrA (our choice).
SUBJECT_SD, ERROR_SD = 0.8, 0.25
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
            # Not thinner than a layer is.
            true = max(1.5, rng.normal(mean, SUBJECT_SD))
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


def check_large() -> bool:
    """Time a comparison of 100,000 manual rows, and the memory that it takes at most."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        manual, auto, rows = write_study(folder, 25_000, np.random.default_rng(1))
        started_s, worked_s = time.perf_counter(), time.process_time()
        run_compare(manual, [auto], folder / "out", StudyOptions())
        taken_s, work_s = time.perf_counter() - started_s, time.process_time() - worked_s
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    is_met = taken_s < LARGE_LIMIT_S and peak_mb < LARGE_LIMIT_MB
    print(
        f"{rows} rows in {taken_s:.1f} s ({work_s:.1f} s of processor time) and {peak_mb:.0f} MB, "
        f"limits {LARGE_LIMIT_S:g} s and {LARGE_LIMIT_MB:g} MB: {'met' if is_met else 'MISSED'}"
    )
    return is_met


def check_repeats() -> bool:
    """Time a reliability study of 10 subjects with 2,000 repeats each."""
    rng = np.random.default_rng(3)
    readings = readings_of(
        make_reading(person, 0, repeat, 0, own + rng.normal(0, ERROR_SD))
        for person, own in enumerate(rng.normal(3.5, SUBJECT_SD, 10))
        for repeat in range(2000)
    )
    started_s = time.perf_counter()
    analyse_reliability(readings)
    taken_s = time.perf_counter() - started_s
    verdict = "met" if taken_s < REPEATS_LIMIT_S else "MISSED"
    print(f"10 subjects, 2,000 repeats in {taken_s:.1f} s, limit {REPEATS_LIMIT_S:g} s: {verdict}")
    return taken_s < REPEATS_LIMIT_S


def check_coverage(
    designs: Sequence[Design], studies: int, stored: Path | None, processes: int
) -> bool:
    """Print the share of studies whose interval holds the truth; those out of bounds are marked.

    What ``stored`` holds of these designs is not counted again, so that a run that was ended goes
    on; delete the file when the statistics change.
    """
    known = _read_counts(stored) if stored and stored.exists() else {}
    names = {design: f"{design.part}; {design}; {studies} studies" for design in designs}
    missing = [design for design in designs if names[design] not in known]
    with ProcessPoolExecutor(processes) as pool:
        tasks = {pool.submit(count_design, design, studies): design for design in missing}
        for done in as_completed(tasks):
            known[names[tasks[done]]] = done.result()
            if stored:
                write_text(stored, json.dumps(known, default=asdict, indent=1))
    shares: dict[str, list[float]] = defaultdict(list)
    rare: dict[str, float] = {}
    inside = missed = 0
    for design, name in names.items():
        for interval, count in known[name].items():
            rare[interval] = min(rare.get(interval, 1.0), count.given / studies)
            if count.given < FEWEST_SHARE * studies:
                print(f"  none   {interval}; {design}, given in {count.given} of {studies} studies")
                continue
            share = count.held / count.given
            # Two standard errors of a share that is as low, or as high, as it may be.
            chance = 2 * math.sqrt(LEAST * (1 - LEAST) / count.given)
            is_inside = LEAST <= share <= MOST
            is_out = share < LEAST - chance or share > MOST + chance
            inside, missed = inside + is_inside, missed + is_out
            shares[interval].append(share)
            mark = " MISSED" if is_out else "" if is_inside else " by chance?"
            print(f"{share:6.1%}{mark}  {interval}; {design}, {count.given} studies")
    print(f"\nLowest, mean and highest share by interval, {studies} studies of each design;")
    print("then the lowest share of studies that gave it:")
    for name, own in shares.items():
        mean = sum(own) / len(own)
        print(f"{min(own):6.1%} {mean:6.1%} {max(own):6.1%}  {rare[name]:6.1%}  {name}")
    total = sum(map(len, shares.values()))
    print(
        f"{inside} of {total} between {LEAST:.0%} and {MOST:.0%}; {missed} farther out than chance"
    )
    return missed == 0


def _read_counts(path: Path) -> dict[str, dict[str, Count]]:
    stored = json.loads(path.read_text(encoding="utf-8"))
    return {
        name: {interval: Count(**count) for interval, count in own.items()}
        for name, own in stored.items()
    }


def main() -> int:
    """Run one check, or all that take less than a minute."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    checks = {"speed": check_speed, "large": check_large, "repeats": check_repeats}
    parser.add_argument("check", choices=(*checks, "coverage", "all"), nargs="?", default="all")
    parser.add_argument("--studies", type=int, default=2000, help="of each design, for coverage")
    parser.add_argument("--subjects", type=int, nargs="+", default=SUBJECTS, help="for coverage")
    parser.add_argument("--part", choices=PARTS, nargs="+", default=PARTS, help="for coverage")
    parser.add_argument("--stored", type=Path, help="counts so far, for coverage to go on from")
    parser.add_argument("--processes", type=int, default=1, help="at once, for coverage")
    chosen = parser.parse_args()
    if chosen.check == "coverage":
        designs = list(designs_of(chosen.part, chosen.subjects))
        good = check_coverage(designs, chosen.studies, chosen.stored, chosen.processes)
    else:
        wanted = checks if chosen.check == "all" else [chosen.check]
        good = all([checks[name]() for name in wanted])
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
