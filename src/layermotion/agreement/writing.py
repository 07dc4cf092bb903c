"""Owns the files of results: tables that no spreadsheet takes for formulas, figures, hashes."""

import csv
import hashlib
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import astuple, fields
from pathlib import Path

from layermotion.agreement.drawing import Drawing
from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.agreement.join import Joined
from layermotion.agreement.readings import Unused
from layermotion.agreement.reliability import Reliability
from layermotion.files import atomic_path, write_text

# Names of figures that an earlier run may have left.
OWN_FIGURE = re.compile(
    r".*-(difference|regression|subjects|error)|overview-\w+|components|repeats-\w+"
)
# A spreadsheet takes text that begins so for a formula and runs it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
PAIR_COLUMNS = (
    "clip",
    "subject",
    "session",
    "side",
    "measure",
    "structure",
    "task",
    "repeat",
    "unit",
    "auto",
    "rater",
    "reading",
    "manual",
    "difference",
    "depth_mm",
    "quality",
)


def pair_rows(joined: Joined) -> Iterable[tuple[object, ...]]:
    """One row for each reading; subjects by number, so that no name leaves the manual table."""
    for pairs in joined.sets:
        for place, (auto, clip) in enumerate(zip(pairs.auto.tolist(), pairs.clip, strict=True)):
            for number, rater in enumerate(pairs.raters):
                for reading, value in enumerate(pairs.manual[place, number].tolist(), start=1):
                    if math.isnan(value):
                        continue
                    yield (
                        clip,
                        int(pairs.person[place]),
                        pairs.session[place],
                        pairs.side[place],
                        pairs.measure,
                        pairs.structure,
                        pairs.task[place],
                        pairs.repeat[place],
                        pairs.unit,
                        auto,
                        rater,
                        reading,
                        value,
                        auto - value,
                        float(pairs.depth_mm[place]),
                        float(pairs.quality[place]),
                    )


def reliability_rows(results: Sequence[Reliability]) -> Iterable[tuple[object, ...]]:
    """Give the rows of figures.csv of a reliability study, without terms that it does not have."""
    for result in results:
        key = (result.measure, result.structure, result.unit)
        for part in result.components:
            if not math.isnan(part.variance):
                yield (*key, f"variance, {part.name}", 1, part.variance, math.nan, math.nan)
        for row in result.plan:
            anew = "probe placed anew for each repeat"
            for who, found in (
                ("any rater", row.sem_any),
                ("same rater", row.sem_same),
                (f"any rater, {anew}", row.apart_any),
                (f"same rater, {anew}", row.apart_same),
            ):
                if found is None:
                    continue
                for name, own in (("SEM", found), ("MDC95", found.scaled(CHANGE_PER_SEM))):
                    yield (*key, f"{name}, {who}", row.repeats, own.value, own.low, own.high)
            name = f"coefficient, {result.who}"
            yield (*key, name, row.repeats, row.coefficient, math.nan, math.nan)


def write_unused(out: Path, unused: Sequence[Unused]) -> None:
    """Write what takes no part, one row each."""
    names = [item.name for item in fields(Unused)]
    write_csv(out / "unmatched.csv", names, (astuple(item) for item in unused))


def write_drawings(out: Path, drawings: Sequence[Drawing]) -> None:
    """Write each figure as SVG and PDF, and their captions; remove those of an earlier run."""
    for drawing in drawings:
        write_text(out / "figures" / f"{drawing.name}.svg", drawing.svg_file())
        with atomic_path(out / "figures" / f"{drawing.name}.pdf") as temporary:
            temporary.write_bytes(drawing.pdf)
    captions = "".join(f"{drawing.name}: {drawing.description}\n" for drawing in drawings)
    write_text(out / "figures" / "captions.txt", captions)
    names = {drawing.name for drawing in drawings}
    for path in (out / "figures").glob("*.*"):
        is_own = path.suffix in (".svg", ".pdf") and OWN_FIGURE.fullmatch(path.stem)
        if is_own and path.stem not in names:
            path.unlink()


def write_csv(target: Path, heading: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a table; numbers not known are empty."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(heading)
    writer.writerows([_cell(value) for value in row] for row in rows)
    write_text(target, stream.getvalue())


def _cell(value: object) -> object:
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.10g}"
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return f"'{value}"
    return value


def sha256(path: Path) -> str:
    """Hash of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
