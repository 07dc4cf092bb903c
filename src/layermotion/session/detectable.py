"""Owns the clinic's own smallest detectable changes: a small JSON file, as it is read."""

import json
import math
from dataclasses import dataclass, fields
from pathlib import Path

from layermotion.errors import InputError

SCHEMA = "layermotion-detectable-change"

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


def read_detectable_changes(path: Path) -> DetectableChanges:
    """Read a file that ``layermotion reliability`` saved.

    Raises
    ------
    InputError
        If the file cannot be read, is another kind of file, or of a version not known here.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["schema"] != SCHEMA:
            raise ValueError(document["schema"])
        major = str(document["schema_version"]).split(".")[0]
        if major != SCHEMA_VERSION.split(".")[0]:
            raise InputError(
                f"{path.name} has schema version {document['schema_version']}, where "
                f"{SCHEMA_VERSION} is read; save it with layermotion reliability again."
            )
        names = [item.name for item in fields(DetectableChange)]
        changes = tuple(
            DetectableChange(**{name: change[name] for name in names})
            for change in document["changes"]
        )
        return DetectableChanges(str(document["source"]), changes)
    except OSError as error:
        raise InputError(
            f"{path.name} cannot be read ({error.strerror}); check the file."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{path.name} holds no smallest detectable changes; save them with "
            f"layermotion reliability."
        ) from error
