"""Local weights, how they were judged, and which are in use."""

__all__ = (
    "judging",
    "registry",
)
