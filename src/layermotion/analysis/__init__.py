"""The assembly of one clip: frames in, its measures out."""

__all__ = (
    "advice",
    "analysis",
    "bladder",
    "footage",
    "pair",
    "result",
    "wall",
)
