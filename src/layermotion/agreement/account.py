"""Owns what a paper states beside the statistics: who was counted, values described, outliers."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from layermotion.agreement.book import Book
from layermotion.agreement.estimate import Array, Estimate
from layermotion.agreement.pairs import PairedSet
from layermotion.agreement.readings import CORRECTED, WITHHELD, Table, Unused
from layermotion.normal import SPREAD_OVER_MEDIAN

# Differences further from the middle one than this many robust SDs are listed; about one in 370
# of normal ones is (common practice).
FAR_SD = 3.0


@dataclass(frozen=True)
class Flow:
    """How many automatic values of one measure there were, and what became of them.

    Parameters
    ----------
    attempted, withheld, corrected, unpaired, analysed
        Counts; the first is the sum of the others.
    reasons
        Each reason why a value takes no part, with its count.
    """

    measure: str
    structure: str
    unit: str
    attempted: int
    withheld: int
    corrected: int
    unpaired: int
    analysed: int
    reasons: str


@dataclass(frozen=True)
class Outlier:
    """A difference far from the others of its measure; it was analysed all the same."""

    measure: str
    structure: str
    unit: str
    subject: int
    clip: str
    repeat: str
    auto: float
    manual: float
    difference: float


def flow_of(tool: Table, unused: Sequence[Unused], sets: Sequence[PairedSet]) -> tuple[Flow, ...]:
    """Count the automatic values of each measure that stands in the tables.

    Parameters
    ----------
    tool
        The automatic values as read.
    unused
        Everything that takes no part, after joining.
    """
    aside = [item for item in unused if item.table == "auto" and item.measure]
    analysed = {(item.measure, item.structure, item.unit): item.auto.size for item in sets}
    keys = dict.fromkeys(
        (
            *analysed,
            *tool.readings[["measure", "structure", "unit"]].itertuples(index=False, name=None),
            *((item.measure, item.structure, item.unit) for item in aside),
        )
    )
    rows = []
    for key in keys:
        measure, structure, unit = key
        own = [item for item in aside if (item.measure, item.structure, item.unit) == key]
        reasons = Counter(item.reason.removeprefix(WITHHELD) for item in own)
        withheld = sum(item.reason.startswith(WITHHELD) for item in own)
        corrected = sum(item.reason == CORRECTED for item in own)
        used = analysed.get(key, 0)
        words = "; ".join(f"{reason}: {count}" for reason, count in reasons.items())
        rows.append(
            Flow(
                measure,
                structure,
                unit,
                used + len(own),
                withheld,
                corrected,
                len(own) - withheld - corrected,
                used,
                words,
            )
        )
    return tuple(rows)


def book_description(book: Book, pairs: PairedSet, by_rater: Array) -> None:
    """Mean, SD and range of the tool, of the raters' mean and of each of several raters."""
    described = [("auto", pairs.auto), ("manual", pairs.manual_mean())]
    if len(pairs.raters) > 1:
        described += [
            (f"manual, {name}", by_rater[:, place]) for place, name in enumerate(pairs.raters)
        ]
    for name, values in described:
        is_known = np.isfinite(values)
        known = values[is_known]
        subjects = int(np.unique(pairs.subject[is_known]).size)
        spread = float(known.std(ddof=1)) if known.size > 1 else math.nan
        for word, value in (
            ("mean", float(known.mean())),
            ("SD", spread),
            ("smallest", float(known.min())),
            ("largest", float(known.max())),
        ):
            book.add(name, word, Estimate(value), "of all values", None, known.size, subjects)


def outliers_of(pairs: PairedSet) -> Iterator[Outlier]:
    """List differences far from the middle one, in units of a spread that outliers do not move."""
    manual = pairs.manual_mean()
    difference = pairs.auto - manual
    away = np.abs(difference - np.median(difference))
    spread = SPREAD_OVER_MEDIAN * float(np.median(away))
    if spread == 0:
        return
    for place in np.flatnonzero(away > FAR_SD * spread).tolist():
        yield Outlier(
            pairs.measure,
            pairs.structure,
            pairs.unit,
            int(pairs.person[place]),
            pairs.clip[place],
            pairs.repeat[place],
            float(pairs.auto[place]),
            float(manual[place]),
            float(difference[place]),
        )
