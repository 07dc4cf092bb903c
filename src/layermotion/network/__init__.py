"""Frames as the network sees them, and the network in use."""

__all__ = (
    "grid",
    "look",
    "picture",
    "segmenter",
)
