"""Owns the names that every part shares: classes in label order, views and tasks."""

from enum import StrEnum
from typing import Final


class View(StrEnum):
    """What the probe looks at."""

    ABDOMINAL_WALL = "abdominal_wall"
    BLADDER = "bladder"


class Structure(StrEnum):
    """A segmented structure; ``STRUCTURES`` gives the label order."""

    FAT = "fat"
    EO = "eo"
    IO = "io"
    TRA = "tra"
    BLADDER = "bladder"


class Task(StrEnum):
    """What the patient was asked to do."""

    REST = "rest"
    DRAW_IN = "draw_in"
    PELVIC_FLOOR_LIFT = "pelvic_floor_lift"
    COUGH = "cough"
    COUGH_PRELIFT = "cough_prelift"
    CURL_UP = "curl_up"
    CURL_UP_PRELIFT = "curl_up_prelift"
    STRAIN = "strain"


BACKGROUND: Final = 0
# Label of a structure = its position here + 1; 0 is background.
STRUCTURES: Final = (
    Structure.FAT,
    Structure.EO,
    Structure.IO,
    Structure.TRA,
    Structure.BLADDER,
)
WALL_LAYERS: Final = STRUCTURES[:4]
# The layers that contract, and so have a change.
MUSCLES: Final = STRUCTURES[1:4]
CLASS_COUNT: Final = len(STRUCTURES) + 1

FULL_NAMES: Final = {
    Structure.FAT: "subcutaneous fat",
    Structure.EO: "external oblique (EO)",
    Structure.IO: "internal oblique (IO)",
    Structure.TRA: "transversus abdominis (TrA)",
    Structure.BLADDER: "bladder",
}


def label_of(structure: Structure) -> int:
    """Label value of a structure in a mask.

    Examples
    --------
    >>> label_of(Structure.TRA)
    4
    """
    return STRUCTURES.index(structure) + 1
