"""Owns the checks for mixed-up units: what differs by a factor that only a slip explains."""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array
from layermotion.agreement.readings import NEVER_NEGATIVE, keys_of, rows_text
from layermotion.errors import InputError
from layermotion.report.palette import short_name
from layermotion.report.words import measure_words, sign_words

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
# Signs are told to be turned round from so many values on, where more than this share is (our
# choice).
FEWEST_SIGNS, MOSTLY = 4, 0.8


def check_units(
    readings: pd.DataFrame,
    tool: pd.DataFrame,
    place: NDArray[np.intp],
    names: Sequence[str],
    table: str,
) -> None:
    """Refuse manual values whose unit, stated or evident, is not that of the tool.

    Parameters
    ----------
    place
        Shape (readings,): the tool's value of each, -1 without one.
    names
        What both are joined by.

    Raises
    ------
    InputError
        With the rows.
    """
    _check_stated(readings[place < 0], tool, [name for name in names if name != "unit"], table)
    joined = readings[place >= 0]
    value = tool["value"].to_numpy()[place[place >= 0]]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (joined["value"] / value).abs().replace([0, np.inf], np.nan)
    for (rater, unit), middle in ratio.groupby([joined["rater"], joined["unit"]]).median().items():
        factor, what = SLIPS[unit]
        if _is_slip(np.array([middle, 1 / middle]), factor).any():
            whose = f"values of rater {rater}" if rater else "values"
            raise InputError(
                f"The {whose} in {table} are about {middle:.2g} times the automatic ones, as if "
                f"{what} were mixed up; check the column unit."
            )
    middles = pd.Series(value, joined.index).groupby([joined["measure"], joined["structure"]])
    _refuse_rows(joined, value, middles.transform("median"), table, "the automatic value")


def opposite_signs(
    readings: pd.DataFrame, tool: pd.DataFrame, place: NDArray[np.intp], table: str
) -> Iterator[str]:
    """Point out measures of which nearly all manual values have the other sign than the tool's.

    Parameters
    ----------
    place
        Shape (readings,): the tool's value of each, -1 without one.
    """
    joined = readings[place >= 0]
    product = joined["value"] * tool["value"].to_numpy()[place[place >= 0]]
    signed = joined[(product != 0) & ~joined["measure"].isin(NEVER_NEGATIVE)]
    keys = [signed[name] for name in ("measure", "structure", "rater")]
    for (measure, structure, rater), own in (product[signed.index] < 0).groupby(keys, sort=False):
        if len(own) >= FEWEST_SIGNS and own.mean() > MOSTLY:
            sign = sign_words(measure)
            yield (
                f"Of {len(own)} values of {short_name(structure)} {measure_words(measure)} in "
                f"{table}{f' by {rater}' if rater else ''}, {own.sum()} have the opposite sign of "
                f"the tool's{f' ({sign})' if sign else ''}; check which way the table counts as "
                f"positive."
            )


def check_units_of_repeats(readings: pd.DataFrame, table: str) -> None:
    """Refuse values in another unit than the subject's other values of the same measure."""
    groups = readings.groupby(["subject", "measure", "structure", "side"])["value"]
    # Of two values neither says which is wrong; the larger group of three does.
    # A change of one subject may be a hundredth of another, where an effort failed.
    compared = readings[(groups.transform("size") > 2) & (readings["unit"] != "%")]
    middle = groups.transform("median")[compared.index]
    _refuse_rows(compared, middle.to_numpy(), middle, table, "the middle of the subject's values")


def _check_stated(
    alone: pd.DataFrame, tool: pd.DataFrame, names: Sequence[str], table: str
) -> None:
    own, others = keys_of(alone, names), keys_of(tool, names)
    wrong = alone[own.isin(others)]
    if not wrong.empty:
        units = {*wrong["unit"], *tool["unit"][others.isin(own)]}
        raise InputError(
            f"{table} {rows_text(wrong['row'].tolist())} and the automatic values differ in unit "
            f"({' and '.join(sorted(units))}); give both in the same unit."
        )


def _refuse_rows(
    compared: pd.DataFrame, value: Array, middle: pd.Series, table: str, other: str
) -> None:
    own = compared["value"]
    factor = compared["unit"].map({unit: f for unit, (f, _) in SLIPS.items()}).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        wrong = (_is_slip(own / value, factor) & (own / middle > factor / MIDDLE_FACTOR)) | (
            _is_slip(value / own, factor) & (middle / own > factor / MIDDLE_FACTOR)
        )
    has_size = compared["measure"].isin(NEVER_NEGATIVE) | (compared["unit"] == "%")
    is_sized = has_size & (value * own > 0)
    found = compared[wrong & is_sized]
    if not found.empty:
        times, what = SLIPS[found["unit"].iloc[0]]
        raise InputError(
            f"{table} {rows_text(found['row'].tolist())}: about {times:g} times {other}, or a "
            f"{times:g}th of it, as if {what} were mixed up; correct value or unit."
        )


def _is_slip(ratio: pd.Series | Array, factor: pd.Series | float) -> pd.Series:
    return (ratio >= factor * (1 - TOLERANCE)) & (ratio <= factor * (1 + TOLERANCE))
