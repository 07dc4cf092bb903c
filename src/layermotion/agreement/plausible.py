"""Owns the caution about values that no layer has, which a reader must look up."""

from collections.abc import Iterator

import pandas as pd

from layermotion.agreement.readings import rows_text
from layermotion.report.palette import short_name
from layermotion.report.words import measure_words

# Measures that are a thickness; in a table without a column of measures all are.
SIZES = ("", "thickness_rest", "thickness_contracted")
# Thickness in mm, lowest and highest of each structure, wide about what people have (our choice;
# the means of published groups lie between 2 and 13 mm for the muscles).
THICKNESS_MM = {
    "fat": (0.3, 120.0),
    "eo": (0.5, 30.0),
    "io": (0.5, 35.0),
    "tra": (0.3, 20.0),
}
# Largest size of other values by unit: changes in %, ratios, displacements in mm, times in s (our
# choice).
LARGEST = {"%": 500.0, "ratio": 10.0, "mm": 80.0, "s": 300.0}


def implausible(readings: pd.DataFrame, table: str) -> Iterator[str]:
    """Say which values are hardly possible, with their rows or clips; they are used all the same.

    Values of one structure and unit stand in one sentence.
    """
    largest = readings["unit"].map(LARGEST).astype(float)
    has_range = (readings["unit"] == "mm") & readings["measure"].isin(SIZES)
    layer = readings["structure"].where(has_range)
    low, high = (
        layer.map({name: ends[end] for name, ends in THICKNESS_MM.items()}).astype(float)
        for end in (0, 1)
    )
    low, high = low.fillna(-largest), high.fillna(largest)
    found = readings[~readings["value"].between(low, high)]
    for (structure, measure, unit), own in found.groupby(
        ["structure", "measure", "unit"], sort=False
    ):
        rows = [row for row in own["row"] if row]
        where = rows_text(rows) if rows else "clips " + ", ".join(own["clip"])
        values = ", ".join(f"{value:g}" for value in own["value"][:3])
        more = " and more" if len(own) > 3 else ""
        yield (
            f"Hardly possible for {short_name(structure)} {measure_words(measure) or 'values'} in "
            f"{table}, {where}: {values}{more} {unit}; check them, since they are used as they are."
        )
