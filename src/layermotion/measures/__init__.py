"""The numbers of a clip, each with an interval or a reason."""

__all__ = (
    "bladder",
    "error",
    "measure",
    "medial_edge",
    "repeats",
    "slide",
    "thickness",
    "timing",
    "unseen",
    "withheld",
)
