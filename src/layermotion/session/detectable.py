"""Owns the clinic's own smallest detectable changes: a small JSON file, as it is read."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field

from layermotion.errors import InputError
from layermotion.stored import Document, read_stored

SCHEMA: Literal["layermotion-detectable-change"] = "layermotion-detectable-change"

SCHEMA_VERSION = "1.0"


@dataclass(frozen=True)
class DetectableChange:
    """Smallest change of one measure between two visits that exceeds the error at 95 %.

    Parameters
    ----------
    measure, structure, unit
        As in ``measures.csv``.
    repeats
        How many repeats are averaged at each visit.
    sem, smallest_detectable_change
        In ``unit``; the second is 1.96 sqrt(2) times the first.
    raters
        ``any``: the two visits may have different raters, known only from a study with several;
        ``one``: the same rater at both.
    subjects, observations
        How much the figures rest on.
    """

    measure: str
    structure: str
    unit: str
    repeats: int
    sem: float
    smallest_detectable_change: float
    raters: str
    subjects: int
    observations: int

    def __post_init__(self) -> None:
        numbers = (self.sem, self.smallest_detectable_change)
        if not all(math.isfinite(number) and number >= 0 for number in numbers):
            raise ValueError("an error and a detectable change are finite and not below zero")
        if self.repeats < 1:
            raise ValueError("at least one repeat is averaged")


@dataclass(frozen=True)
class DetectableChanges:
    """All changes of one file, and the sentence that names where they are from."""

    source: str
    changes: tuple[DetectableChange, ...]

    def find(
        self, measure: str, structure: str, unit: str, repeats: int = 1, raters: str = "one"
    ) -> DetectableChange | None:
        """Return the change for a mean of at most this many repeats; None where there is none.

        A mean of more repeats than the file knows counts as the most it knows, never as better.
        Ask for ``raters="any"`` where the two visits may have different raters.
        """
        fitting = [
            change
            for change in self.changes
            if (change.measure, change.structure, change.unit) == (measure, structure, unit)
            and change.raters == raters
            and change.repeats <= repeats
        ]
        return max(fitting, key=lambda change: change.repeats, default=None)


class _Kind(Document):
    """The entries that every version has."""

    kind: Literal["layermotion-detectable-change"] = Field(alias="schema")
    schema_version: str


class _Changes(_Kind):
    """All that is read."""

    source: str
    changes: tuple[DetectableChange, ...]


def read_detectable_changes(path: Path) -> DetectableChanges:
    """Read a file that ``layermotion reliability`` saved.

    Raises
    ------
    InputError
        If the file cannot be read, is another kind of file, or of a version not known here.
    """
    try:
        version = read_stored(path, _Kind).schema_version
        if version.split(".")[0] != SCHEMA_VERSION.split(".")[0]:
            raise InputError(
                f"{path.name} has schema version {version[:8]}, where {SCHEMA_VERSION} is read; "
                f"save it with layermotion reliability again."
            )
        document = read_stored(path, _Changes)
        return DetectableChanges(document.source, document.changes)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read ({error.strerror}); check the file."
        ) from error
    except ValueError as error:
        raise InputError(
            f"{path.name} holds no smallest detectable changes; save them with "
            f"layermotion reliability."
        ) from error
