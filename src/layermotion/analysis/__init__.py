"""The assembly of one clip: frames in, its measures out."""

__all__ = (
    "analysis",
    "pair",
    "result",
    "wall",
)
