"""Owns the values of one measure side by side: the tool's and each rater's, target by target."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array, codes_of
from layermotion.agreement.readings import Key, Reading

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

    def by_rater(self) -> Array:
        """Mean of each rater's readings, shape (targets, raters)."""
        return _mean_of_known(self.manual, axis=2)

    def manual_mean(self) -> Array:
        """Mean of the raters, shape (targets,)."""
        return _mean_of_known(self.by_rater(), axis=1)


def paired_set(
    group: Key,
    keys: Sequence[Key],
    manual: Mapping[Key, Sequence[Reading]],
    tool: Mapping[Key, Reading],
    people: Mapping[str, int],
) -> PairedSet:
    """Put the values of one measure, structure and unit side by side.

    Parameters
    ----------
    group
        Measure, structure and unit.
    keys
        One for each target, in order.
    manual, tool
        Values by key; ``tool`` has every key.
    people
        Number of each subject in the whole study, by ``name_of``.
    """
    found = [reading for key in keys for reading in manual[key]]
    raters = tuple(dict.fromkeys(reading.rater for reading in found))
    most = max(Counter((key, r.rater) for key in keys for r in manual[key]).values())
    values = np.full((len(keys), len(raters), most), math.nan)
    for place, key in enumerate(keys):
        taken: Counter[str] = Counter()
        for reading in manual[key]:
            values[place, raters.index(reading.rater), taken[reading.rater]] = reading.value
            taken[reading.rater] += 1
    firsts = [manual[key][0] for key in keys]
    autos = [tool[key] for key in keys]
    return PairedSet(
        measure=group[0],
        structure=group[1],
        unit=group[2],
        raters=tuple(rater or SOLE_RATER for rater in raters),
        subject=codes_of([name_of(reading) for reading in firsts]),
        person=np.array([people[name_of(reading)] for reading in firsts], dtype=np.intp),
        clip=tuple(reading.clip for reading in autos),
        task=tuple(reading.task for reading in autos),
        repeat=tuple(reading.repeat for reading in autos),
        side=tuple(a.side or m.side for a, m in zip(autos, firsts, strict=True)),
        session=tuple(a.session or m.session for a, m in zip(autos, firsts, strict=True)),
        auto=np.array([reading.value for reading in autos]),
        manual=values,
        depth_mm=_first_known(
            [(a.depth_mm, m.depth_mm) for a, m in zip(autos, firsts, strict=True)]
        ),
        quality=_first_known([(a.quality, m.quality) for a, m in zip(autos, firsts, strict=True)]),
    )


def name_of(reading: Reading) -> str:
    """Name that a subject goes by: a clip without one counts as a subject."""
    return reading.subject or f"clip {reading.clip}"


def _first_known(pairs: Sequence[tuple[float, float]]) -> Array:
    return np.array([other if math.isnan(first) else first for first, other in pairs])


def _mean_of_known(values: Array, axis: int) -> Array:
    """Mean along an axis without NaN; NaN where all are."""
    known = np.isfinite(values)
    total = np.where(known, values, 0.0).sum(axis=axis)
    with np.errstate(invalid="ignore"):
        mean: Array = total / known.sum(axis=axis)
    return mean
