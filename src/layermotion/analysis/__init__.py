"""The assembly of one clip: frames in, its measures out."""

__all__ = (
    "advice",
    "analysis",
    "pair",
    "result",
    "wall",
)
