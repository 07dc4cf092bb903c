"""Owns the values of one measure side by side: the tool's and each rater's, target by target."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array

SOLE_RATER = "manual"


@dataclass(frozen=True, eq=False)
class PairedSet:
    """All targets of one measure that both the tool and at least one rater measured.

    Parameters
    ----------
    measure, structure, unit
        What was measured.
    raters
        Their names, in the order of the table.
    subject
        Shape (targets,), numbered from 0 without a gap.
    person
        Shape (targets,), the subject's number in the whole study, from 1.
    clip
        One text a target, as the tables name it.
    task, repeat, side, session
        One text a target, empty where unknown.
    auto
        Shape (targets,).
    manual
        Shape (targets, raters, readings), NaN where there is none.
    depth_mm, quality
        Shape (targets,), NaN where unknown.
    """

    measure: str
    structure: str
    unit: str
    raters: tuple[str, ...]
    subject: NDArray[np.intp]
    person: NDArray[np.intp]
    clip: tuple[str, ...]
    task: tuple[str, ...]
    repeat: tuple[str, ...]
    side: tuple[str, ...]
    session: tuple[str, ...]
    auto: Array
    manual: Array
    depth_mm: Array
    quality: Array

    def __post_init__(self) -> None:
        shapes = {self.auto.size, self.subject.size, self.manual.shape[0], len(self.clip)}
        if len(shapes) != 1 or self.manual.ndim != 3 or self.manual.shape[1] != len(self.raters):
            raise ValueError("arrays of a paired set do not fit together")

    @property
    def subjects(self) -> int:
        """How many people."""
        return int(self.subject.max()) + 1

    @property
    def who(self) -> str:
        """Whom the tool is set against, in words."""
        return "raters" if len(self.raters) > 1 else "rater"

    def by_rater(self) -> Array:
        """Mean of each rater's readings, shape (targets, raters)."""
        return _mean_of_known(self.manual, axis=2)

    @property
    def has_logarithms(self) -> bool:
        """Whether all values are above zero, so that ratios can be analysed."""
        return min(float(self.auto.min()), float(np.nanmin(self.manual))) > 0

    def manual_mean(self) -> Array:
        """Mean of the raters, shape (targets,)."""
        return _mean_of_known(self.by_rater(), axis=1)


def paired_set(manual: pd.DataFrame, tool: pd.DataFrame) -> PairedSet:
    """Put the values of one measure, structure and unit side by side.

    Parameters
    ----------
    manual
        Readings, with the columns ``person``, as the set numbers them, and ``place``, the tool's
        value that each belongs to.
    tool
        Readings, of which ``place`` counts the rows.
    """
    target, places = pd.factorize(manual["place"])
    rater, raters = pd.factorize(manual["rater"])
    again = manual.groupby(["place", "rater"]).cumcount()
    values = np.full((places.size, raters.size, int(again.max()) + 1), math.nan)
    values[target, rater, again] = manual["value"]
    first, auto = manual.drop_duplicates("place"), tool.iloc[places]

    def either(name: str) -> pd.Series:
        """Take what the tool states, or else what the first manual reading does."""
        own = auto[name].set_axis(first.index)
        return own.where(own.notna() & (own != ""), first[name])

    return PairedSet(
        measure=str(auto["measure"].iloc[0]),
        structure=str(auto["structure"].iloc[0]),
        unit=str(auto["unit"].iloc[0]),
        raters=tuple(name or SOLE_RATER for name in raters),
        subject=pd.factorize(first["person"])[0],
        person=first["person"].to_numpy(),
        clip=tuple(auto["clip"]),
        task=tuple(auto["task"]),
        repeat=tuple(auto["repeat"]),
        side=tuple(either("side")),
        session=tuple(either("session")),
        auto=auto["value"].to_numpy(),
        manual=values,
        depth_mm=either("depth_mm").to_numpy(),
        quality=either("quality").to_numpy(),
    )


def _mean_of_known(values: Array, axis: int) -> Array:
    """Mean along an axis without NaN; NaN where all are."""
    known = np.isfinite(values)
    total = np.where(known, values, 0.0).sum(axis=axis)
    with np.errstate(invalid="ignore"):
        mean: Array = total / known.sum(axis=axis)
    return mean
