"""Owns the files that programs read: series.csv, measures.csv and measures.json."""

import csv
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path

from layermotion.caution import CAUTION, SHORT_CAUTION
from layermotion.files import atomic_path, write_text
from layermotion.measures.measure import Measure, Status
from layermotion.series.series import Quantity, Series

SCHEMA_VERSION = "1.1"
SERIES_COLUMNS = (
    "clip",
    "frame",
    "time_s",
    "quantity",
    "structure",
    "value",
    "unit",
    "confidence",
)
MEASURE_COLUMNS = tuple(item.name for item in fields(Measure))
CAUTION_COLUMN = "caution"
# A first line of words would break what reads these files, so the caution is the last column.
CSV_COLUMNS = (*MEASURE_COLUMNS, CAUTION_COLUMN)
# 0.0001 mm and 0.1 ms: finer than any clip holds, so rounding never shows (our choice).
DECIMALS = 4


def write_series(target: Path, series: Series) -> None:
    """Write one row for each frame and quantity, ordered by frame, then quantity.

    A frame that could not be measured keeps its row, with an empty value and confidence 0. The
    caution stands in the files beside this one: here it would repeat in every row of each frame and
    make the file half as large again.

    Raises
    ------
    InputError
        If ``target`` cannot be written.
    """
    with (
        atomic_path(target) as temporary,
        temporary.open("w", encoding="utf-8", newline="") as stream,
    ):
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(SERIES_COLUMNS)
        writer.writerows(_series_rows(series))


def write_measures(folder: Path, measures: Sequence[Measure], header: Mapping[str, object]) -> None:
    """Write ``measures.csv`` and ``measures.json`` with the same measures into ``folder``.

    Parameters
    ----------
    folder
        Made where missing.
    measures
        In the order to write them.
    header
        Facts without identity that stand beside the measures in the JSON file.

    Raises
    ------
    InputError
        If ``folder`` cannot be written.
    ValueError
        If a value is not finite; a missing value is None.
    """
    records = [
        {name: _rounded(value) for name, value in asdict(measure).items()} for measure in measures
    ]
    document = {
        "caution": CAUTION,
        **header,
        "schema_version": SCHEMA_VERSION,
        "measures": records,
    }
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    with (
        atomic_path(folder / "measures.csv") as temporary,
        temporary.open("w", encoding="utf-8", newline="") as stream,
    ):
        writer = csv.DictWriter(stream, CSV_COLUMNS, lineterminator="\n")
        writer.writeheader()
        for record, measure in zip(records, measures, strict=True):
            writer.writerow({**record, CAUTION_COLUMN: caution_of(measure.status)})
    write_text(folder / "measures.json", text + "\n")


def caution_of(status: Status) -> str:
    """Give the caution that stands beside a value: none once a clinician has confirmed it.

    Examples
    --------
    >>> caution_of(Status.DRAFT), caution_of(Status.CORRECTED)
    ('draft, not a medical device', '')
    """
    return "" if status in (Status.CONFIRMED, Status.CORRECTED) else SHORT_CAUTION


def _series_rows(series: Series) -> Iterator[tuple[str, ...]]:
    # Stable: structures of one quantity stay in anatomical order.
    quantities = sorted(series.quantities, key=lambda quantity: quantity.name)
    columns = [list(_cells(quantity)) for quantity in quantities]
    times = [_number(time_s) for time_s in series.time_s.tolist()]
    for frame, time_s in enumerate(times):
        for quantity, cells in zip(quantities, columns, strict=True):
            value, confidence = cells[frame]
            yield (
                series.clip_id,
                str(frame),
                time_s,
                quantity.name,
                quantity.structure,
                value,
                quantity.unit,
                confidence,
            )


def _cells(quantity: Quantity) -> Iterator[tuple[str, str]]:
    pairs = zip(quantity.value.tolist(), quantity.confidence.tolist(), strict=True)
    for value, confidence in pairs:
        if math.isnan(value):
            yield "", "0"
        else:
            yield _number(value), _number(confidence)


def _number(value: float) -> str:
    # Adding 0.0 turns -0.0 into 0.0.
    return f"{round(value, DECIMALS) + 0.0:.{DECIMALS}f}"


def _rounded(value: object) -> object:
    return round(value, DECIMALS) + 0.0 if isinstance(value, float) else value
