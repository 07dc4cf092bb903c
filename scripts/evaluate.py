"""Measure fresh synthetic clips and compare with their truth.

python scripts/evaluate.py          prints the tables of the model card
python scripts/evaluate.py --write  also stores them with the weights
"""

import argparse
import json
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from layermotion.evaluation.clips import (
    CALIBRATION_FIRST,
    ClipResult,
    evaluate_clips,
)
from layermotion.files import write_text
from layermotion.labels import STRUCTURES
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names

# Largest mean absolute error, mm, and smallest Dice that the project asks of its weights.
LIMITS_MM = {"fat": 0.3, "eo": 0.3, "io": 0.3, "tra": 0.2, "bladder": 0.4}
DICE_LIMIT = 0.92
# Smallest share of the frames a person could measure that must be measured, percent.
ACCEPTED_LIMIT = 90.0


def store(name: str, entries: dict[str, Any], folder: Path = WEIGHTS_FOLDER) -> None:
    """Put what a study found into the card of some weights, and say so."""
    write_text(
        folder / f"{name}.json", json.dumps(read_card(name, folder) | entries, indent=2) + "\n"
    )
    print(f"stored in {name}.json")


def summarise(results: Sequence[ClipResult]) -> dict[str, Any]:
    """Put all clips into tables: frame values of what was measured at all, measures and Dice."""
    frames, measures = [], []
    for structure in STRUCTURES:
        compared = [c for r in results for c in r.frames if c.structure == structure]
        errors = np.array([c.error for c in compared])
        if np.isnan(errors).all():
            continue
        legible = np.array([c.legible for c in compared], bool)
        kept = errors[~np.isnan(errors)]
        frames.append(
            {
                "structure": str(structure),
                "values": int(errors.size),
                "withheld_percent": 100 * float(np.isnan(errors).mean()),
                "legible_percent": 100 * float(legible.mean()),
                "accepted_percent": 100 * float(np.mean(~np.isnan(errors[legible]))),
                "mean_absolute_error_mm": float(np.abs(kept).mean()),
                "median_absolute_error_mm": float(np.median(np.abs(kept))),
                "bias_mm": float(kept.mean()),
                "error_95_mm": float(np.quantile(np.abs(kept), 0.95)),
                "limit_mm": LIMITS_MM[structure],
            }
        )
    rows = [c for r in results for c in r.measures]
    for kind in dict.fromkeys((c.name, c.structure, c.unit) for c in rows):
        name, of, unit = kind
        group = [c for c in rows if (c.name, c.structure, c.unit) == kind]
        errors = np.array([c.error for c in group])
        inside = [c.is_inside for c in group if c.is_inside is not None]
        measures.append(
            {
                "measure": name,
                "structure": of,
                "unit": unit,
                "values": len(group),
                "mean_absolute_error": float(np.abs(errors).mean()),
                "median_absolute_error": float(np.median(np.abs(errors))),
                "inside_interval_percent": 100 * float(np.mean(inside)),
            }
        )
    dice = {}
    for structure in STRUCTURES:
        overlap, size = np.sum([r.dice[structure] for r in results], axis=0)
        dice[str(structure)] = float(overlap / size)
    failures = [f"{r.view}: {r.failure}" for r in results if r.failure]
    return {
        "clips": len(results),
        "not_measured": failures,
        "frames": frames,
        "measures": measures,
        "dice": dice,
        "dice_limit": DICE_LIMIT,
        "accepted_limit": ACCEPTED_LIMIT,
    }


def show(summary: dict[str, Any]) -> None:
    """Print the tables."""
    print(f"not measured: {len(summary['not_measured'])} of {summary['clips']} clips")
    for failure in summary["not_measured"]:
        print(f"  {failure}")
    print(f"{'frame values':14}{'n':>6}{'withheld':>10}{'legible':>9}{'accepted':>10}{'MAE':>8}"
          f"{'median':>8}{'bias':>8}{'95 %':>8}{'limit':>7}  mm")  # fmt: skip
    for row in summary["frames"]:
        mae, limit = row["mean_absolute_error_mm"], row["limit_mm"]
        print(f"{row['structure']:14}{row['values']:6d}{row['withheld_percent']:9.1f}%"
              f"{row['legible_percent']:8.1f}%{row['accepted_percent']:9.1f}%{mae:8.3f}"
              f"{row['median_absolute_error_mm']:8.3f}{row['bias_mm']:+8.3f}"
              f"{row['error_95_mm']:8.3f}{limit:7.2f}  "
              f"{'met' if mae <= limit else 'MISSED'}")  # fmt: skip
    print(f"{'measures':38}{'n':>5}{'MAE':>9}{'median':>9}{'in interval':>13}")
    for row in summary["measures"]:
        name = f"{row['structure']} {row['measure']} ({row['unit']})"
        mae, median = row["mean_absolute_error"], row["median_absolute_error"]
        inside = row["inside_interval_percent"]
        print(f"{name:38}{row['values']:5d}{mae:9.3f}{median:9.3f}{inside:11.0f} %")
    for structure, value in summary["dice"].items():
        verdict = "met" if value >= summary["dice_limit"] else "MISSED"
        print(f"Dice {structure:8}{value:.3f}  {verdict}")


def main() -> None:
    """Measure, print, and store if asked."""
    parser = argparse.ArgumentParser(description="Compare measured with true values.")
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--first", type=int, default=2000, help="number of the first clip")
    parser.add_argument("--write", action="store_true", help="store the tables with the weights")
    parser.add_argument("--name", help="weights to judge; the newest if not given")
    parser.add_argument("--models", type=Path, default=WEIGHTS_FOLDER, help="where they lie")
    options = parser.parse_args()
    started_s = time.monotonic()
    last = options.first + options.clips
    if last > CALIBRATION_FIRST:
        parser.error(f"clips from {CALIBRATION_FIRST} on set the width of intervals")
    results = evaluate_clips(options.models, options.name, range(options.first, last))
    name = options.name or weights_names(options.models)[-1]
    print(f"weights {name}, {time.monotonic() - started_s:.0f} s")
    summary = summarise(results)
    show(summary)
    if options.write:
        command = f"python scripts/evaluate.py --clips {options.clips} --first {options.first}"
        store(name, {"evaluation": {"command": command, **summary}}, options.models)


if __name__ == "__main__":
    main()
