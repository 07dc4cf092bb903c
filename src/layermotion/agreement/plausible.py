"""Owns the caution about values that no layer has, which a reader must look up."""

from collections.abc import Iterator, Sequence

from layermotion.agreement.readings import Reading, rows_text

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


def implausible(readings: Sequence[Reading], table: str) -> Iterator[str]:
    """Say which values are hardly possible, with their rows or clips; they are used all the same.

    Values of one structure and unit stand in one sentence.
    """
    groups: dict[tuple[str, str, str], list[Reading]] = {}
    for item in readings:
        low, high = _range_of(item)
        if not low <= item.value <= high:
            groups.setdefault((item.structure, item.measure, item.unit), []).append(item)
    for (structure, measure, unit), found in groups.items():
        rows = [item.row for item in found if item.row]
        where = rows_text(rows) if rows else "clips " + ", ".join(item.clip for item in found)
        values = ", ".join(f"{item.value:g}" for item in found[:3])
        more = " and more" if len(found) > 3 else ""
        yield (
            f"Hardly possible for {structure} {measure or 'values'} in {table}, {where}: {values}"
            f"{more} {unit}; check them, since they are used as they are."
        )


def _range_of(item: Reading) -> tuple[float, float]:
    if item.unit == "mm" and (item.measure.startswith("thickness") or not item.measure):
        if item.structure in THICKNESS_MM:
            return THICKNESS_MM[item.structure]
    return -LARGEST[item.unit], LARGEST[item.unit]
