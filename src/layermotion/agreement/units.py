"""Owns the checks for mixed-up units: what differs by a factor that only a slip explains."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from layermotion.agreement.readings import NEVER_NEGATIVE, Key, Reading, rows_text
from layermotion.errors import InputError

# Ratios between two methods that only a mistaken unit explains: cm for mm, shares for per cent,
# and ms for s, give or take 40 % (our choice).
SLIPS = {
    "mm": (10.0, "cm and mm"),
    "%": (100.0, "shares and per cent"),
    "ratio": (100.0, "shares and per cent"),
    "s": (1000.0, "ms and s"),
}
TOLERANCE = 0.4
# A single value is also set against the middle of all values of its measure, within this factor:
# a reading that is right beside a tool that is wrong is none of the middle's business (our choice).
MIDDLE_FACTOR = 2.0


def check_units(
    by_key: Mapping[Key, Sequence[Reading]],
    tool: Mapping[Key, Reading],
    names: Sequence[str],
    table: str,
) -> None:
    """Refuse manual values whose unit, stated or evident, is not that of the tool.

    Raises
    ------
    InputError
        With the rows.
    """
    _check_stated(by_key, tool, names, table)
    joined = [
        (item, tool[key].value) for key, found in by_key.items() if key in tool for item in found
    ]
    raters: dict[tuple[str, str], list[float]] = defaultdict(list)
    for item, value in joined:
        if item.value and value:
            raters[item.rater, item.unit].append(abs(item.value / value))
    for (rater, unit), ratios in raters.items():
        middle = float(np.median(ratios))
        factor, what = SLIPS[unit]
        if _is_slip(middle, factor) or _is_slip(1 / middle, factor):
            whose = f"values of rater {rater}" if rater else "values"
            raise InputError(
                f"The {whose} in {table} are about {middle:.2g} times the automatic ones, as if "
                f"{what} were mixed up; check the column unit."
            )
    values: dict[tuple[str, str], list[float]] = defaultdict(list)
    for item, value in joined:
        values[item.measure, item.structure].append(value)
    middles = {key: float(np.median(own)) for key, own in values.items()}
    _refuse_rows(
        ((item, value, middles[item.measure, item.structure]) for item, value in joined),
        table,
        "the automatic value",
    )


def check_units_of_repeats(readings: Sequence[Reading], table: str) -> None:
    """Refuse values in another unit than the subject's other values of the same measure."""
    groups: dict[Key, list[float]] = defaultdict(list)
    for item in readings:
        groups[item.subject, item.measure, item.structure, item.side].append(item.value)
    # Of two values neither says which is wrong; the larger group of three does.
    middles = {key: float(np.median(values)) for key, values in groups.items() if len(values) > 2}

    def compared() -> Iterator[tuple[Reading, float, float]]:
        for item in readings:
            middle = middles.get((item.subject, item.measure, item.structure, item.side))
            if middle is not None:
                yield item, middle, middle

    _refuse_rows(compared(), table, "the middle of the subject's values")


def _check_stated(
    by_key: Mapping[Key, Sequence[Reading]],
    tool: Mapping[Key, Reading],
    names: Sequence[str],
    table: str,
) -> None:
    place = names.index("unit")
    stems: dict[Key, set[str]] = defaultdict(set)
    for key in tool:
        stems[key[:place] + key[place + 1 :]].add(key[place])
    wrong: list[int] = []
    units: set[str] = set()
    for key, found in by_key.items():
        other = stems.get(key[:place] + key[place + 1 :])
        if key not in tool and other:
            wrong += [item.row for item in found]
            units |= {key[place], *other}
    if wrong:
        raise InputError(
            f"{table} {rows_text(sorted(wrong))} and the automatic values differ in unit "
            f"({' and '.join(sorted(units))}); give both in the same unit."
        )


def _refuse_rows(compared: Iterable[tuple[Reading, float, float]], table: str, other: str) -> None:
    wrong = []
    for item, value, middle in compared:
        if item.measure not in NEVER_NEGATIVE or value <= 0 or item.value <= 0:
            continue
        factor, _ = SLIPS[item.unit]
        for ratio, far in (
            (item.value / value, item.value / middle),
            (value / item.value, middle / item.value),
        ):
            if _is_slip(ratio, factor) and far > factor / MIDDLE_FACTOR:
                wrong.append(item)
    if wrong:
        factor, what = SLIPS[wrong[0].unit]
        raise InputError(
            f"{table} {rows_text(sorted(item.row for item in wrong))}: about {factor:g} times "
            f"{other}, or a {factor:g}th of it, as if {what} were mixed up; correct value or unit."
        )


def _is_slip(ratio: float, factor: float) -> bool:
    return factor * (1 - TOLERANCE) <= ratio <= factor * (1 + TOLERANCE)
