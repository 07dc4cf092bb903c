"""Owns saving the clinic's own smallest detectable changes of a reliability study.

Reading needs no package of the study extra, so that a visit can be judged without it.
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from layermotion import __version__
from layermotion.agreement.estimate import CHANGE_PER_SEM
from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.session.detectable import (
    SCHEMA,
    SCHEMA_VERSION,
    DetectableChange,
    read_detectable_changes,
)

if TYPE_CHECKING:
    from layermotion.agreement.reliability import Reliability


def write_detectable_changes(target: Path, results: "Sequence[Reliability]") -> None:
    """Save the smallest detectable changes of a reliability study.

    Raises
    ------
    InputError
        If ``target`` cannot be written, or is a file of another kind.
    """
    refuse_other_file(target)
    changes = [
        DetectableChange(
            measure=result.measure,
            structure=result.structure,
            unit=result.unit,
            repeats=row.repeats,
            sem=round(sem.value, 6),
            smallest_detectable_change=round(sem.scaled(CHANGE_PER_SEM).value, 6),
            raters=raters,
            subjects=result.subjects,
            observations=result.observations,
        )
        for result in results
        for row in result.plan
        for raters, sem in (("any", row.sem_any), ("one", row.sem_same))
        if sem is not None
    ]
    subjects = max(result.subjects for result in results)
    studied = max(result.raters for result in results)
    of_raters = "one rater" if studied == 1 else f"{studied} raters"
    document = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "software": f"layermotion {__version__}",
        "source": f"the clinic's own reliability study, {subjects} subjects, {of_raters}",
        "raters_studied": studied,
        "changes": [asdict(change) for change in changes],
    }
    write_text(target, json.dumps(document, indent=2, allow_nan=False) + "\n")


def refuse_other_file(target: Path) -> None:
    """Refuse to replace anything but an earlier file of smallest detectable changes."""
    if not target.exists():
        return
    try:
        read_detectable_changes(target)
    except InputError as error:
        raise InputError(
            f"{target.name} exists and holds no smallest detectable changes; give --save another "
            f"name."
        ) from error
