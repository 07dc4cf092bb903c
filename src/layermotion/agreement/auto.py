"""Owns reading what the tool measured: folders and files that measure and session wrote."""

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from layermotion.agreement.named import names_of_files
from layermotion.agreement.readings import (
    CORRECTED,
    UNITS,
    WITHHELD,
    Table,
    Unused,
    auto_words,
    readings_of,
    rows_have,
)
from layermotion.agreement.table import SIDES, read_table
from layermotion.analysis.wall import LATERAL_UNKNOWN
from layermotion.errors import InputError
from layermotion.labels import WALL_LAYERS
from layermotion.measures.measure import Measure, Status
from layermotion.session.recorded import is_lateral_known, read_measured

RESULTS = "measures.json"
# What results state of how they were made, as their facts name it.
MADE_WITH = ("software", "weights", "weights SHA-256")


def read_auto(sources: Sequence[Path]) -> Table:
    """Read tool outputs: folders holding ``measures.json`` at any depth, such files, or tables.

    A measure that the tool withheld, or that a clinician corrected, takes no part and is listed.

    Raises
    ------
    InputError
        If a source holds no results, or a file is not what it should be.
    """
    tables: list[Table] = []
    rows: list[dict[str, object]] = []
    unused: list[Unused] = []
    seen: dict[str, Path] = {}
    sites: dict[str, int] = {}
    made: dict[tuple[str, ...], list[str]] = {}
    for source in sources:
        if source.is_file() and source.suffix.lower() != ".json":
            tables.append(read_table(source, "auto"))
            _check_clips(source, tables[-1])
            continue
        files = sorted(source.rglob(RESULTS)) if source.is_dir() else [source]
        if not files:
            raise InputError(
                f"{source} holds no {RESULTS}; give a folder that layermotion measure wrote."
            )
        for path in files:
            clip, own, withheld, facts, site = _read_results(path)
            sites[site] = sites.get(site, 0) + 1
            made.setdefault(facts, []).append(clip)
            if clip in seen:
                raise InputError(
                    f"Clip {clip} is in {seen[clip].parent} and in {path.parent}; give one of them."
                )
            seen[clip] = path
            rows += own
            unused += withheld
    if seen:
        columns = {"clip", "measure", "structure", "task", "repeat", "value", "unit"}
        if rows and all(row["side"] for row in rows):
            # A visit states the side of each recording; clips measured alone have none.
            columns.add("side")
        tables.append(Table(frozenset(columns), readings_of(rows), tuple(unused), ()))
    return Table(
        frozenset().union(*(table.columns for table in tables)),
        pd.concat([table.readings for table in tables], ignore_index=True),
        tuple(item for table in tables for item in table.unused),
        (*(note for table in tables for note in table.notes), *_site_notes(sites)),
        _made_with(made),
        names_of_files(seen),
    )


def _site_notes(sites: Mapping[str, int]) -> tuple[str, ...]:
    """Say where clips were measured at several sites, at which thickness differs."""
    if len(sites) < 2:
        return ()
    words = ", ".join(f"{site or 'a site not stated'} ({count})" for site, count in sites.items())
    return (
        f"The clips were measured at different sites: {words}. Values at different sites are "
        f"pooled here; measure all at one.",
    )


def _made_with(made: Mapping[tuple[str, ...], Sequence[str]]) -> tuple[tuple[str, str], ...]:
    """Give what all results were made with, and refuse those of different weights."""
    by_weights = {facts[1:]: clips for facts, clips in made.items() if facts[2]}
    if len(by_weights) > 1:
        one, other = list(by_weights.items())[:2]
        raise InputError(
            f"The automatic values are of different weights: {one[0][0]} in clip {one[1][0]}, "
            f"{other[0][0]} (SHA-256 {other[0][1][:8]}) in clip {other[1][0]}; measure all clips "
            f"with one, or compare each set alone."
        )
    rows = []
    for place, name in enumerate(MADE_WITH):
        values = dict.fromkeys(facts[place] for facts in made if facts[place])
        rows += [(f"automatic values, {name}", ", ".join(values))] if values else []
    return tuple(rows)


def _check_clips(source: Path, table: Table) -> None:
    if "clip" not in table.columns:
        raise InputError(
            f"{source.name} has no column clip; give the folder that it is from, or add the column."
        )
    clipless = table.readings["row"][table.readings["clip"] == ""].tolist()
    if clipless:
        raise InputError(f"{source.name} {rows_have(clipless)} no clip; fill it in.")


def _read_results(
    path: Path,
) -> tuple[str, list[dict[str, object]], list[Unused], tuple[str, ...], str]:
    try:
        found = read_measured(path)
        side = SIDES[found.facts.get("side", "").lower()]
        depths, confidence = _depths_mm(found.measures), _Confidence(path.parent / "series.csv")
        facts = tuple(found.facts.get(name, "") for name in MADE_WITH)
        is_known = is_lateral_known(found.facts)
        readings: list[dict[str, object]] = []
        unused: list[Unused] = []
        for item in found.measures:
            reason = _why_unused(item, is_lateral_known=is_known)
            unit, factor = UNITS[item.unit]
            if item.value is None or reason:
                what = auto_words(found.clip, item.structure, item.name, item.repeat)
                unused.append(Unused("auto", what, reason, item.name, item.structure, unit))
                continue
            readings.append(
                {
                    "clip": found.clip,
                    "side": side,
                    "measure": item.name,
                    "structure": item.structure,
                    "task": item.task,
                    "repeat": item.repeat,
                    "value": item.value * factor,
                    "unit": unit,
                    "depth_mm": depths.get((item.structure, item.repeat), math.nan),
                    "quality": confidence.mean(item.structure, item.frames),
                }
            )
    except (OSError, ValueError, KeyError, TypeError, csv.Error) as error:
        raise InputError(
            f"{path} is not a result of layermotion measure; measure the clip again."
        ) from error
    return found.clip, readings, unused, facts, found.facts.get("site", "")


def _why_unused(item: Measure, *, is_lateral_known: bool) -> str:
    if item.value is None:
        return f"{WITHHELD}{item.reason}"
    if item.name == "slide" and not is_lateral_known:
        return LATERAL_UNKNOWN
    return CORRECTED if item.status is Status.CORRECTED else ""


def _depths_mm(measures: Sequence[Measure]) -> dict[tuple[str, str], float]:
    """Depth of the near edge of each layer at rest: the thicknesses above it, added up."""
    at_rest = {
        (item.structure, item.repeat): item.value
        for item in measures
        if item.name == "thickness_rest" and item.unit == "mm" and item.value is not None
    }
    depths = {}
    for place, layer in enumerate(WALL_LAYERS):
        for repeat in {repeat for _, repeat in at_rest}:
            above = [at_rest.get((str(upper), repeat)) for upper in WALL_LAYERS[:place]]
            known = [value for value in above if value is not None]
            if len(known) == place:
                depths[str(layer), repeat] = float(sum(known))
    return depths


class _Confidence:
    """Mean confidence of a structure over the frames of a measure, from ``series.csv``."""

    def __init__(self, path: Path) -> None:
        self._values: dict[str, dict[int, float]] = {}
        if path.exists():
            with path.open(encoding="utf-8", newline="") as stream:
                for row in csv.DictReader(stream):
                    if row["quantity"] in ("thickness", "base_displacement"):
                        own = self._values.setdefault(row["structure"], {})
                        own[int(row["frame"])] = float(row["confidence"])

    def mean(self, structure: str, frames: str) -> float:
        """Mean over ranges such as ``0-14;62-80``; NaN where nothing is known."""
        own = self._values.get(structure, {})
        spans = [span.partition("-") for span in frames.split(";") if span]
        ranges = [range(int(first), int(last or first) + 1) for first, _, last in spans]
        known = [value for span in ranges for frame, value in own.items() if frame in span]
        return float(np.mean(known)) if known else math.nan
