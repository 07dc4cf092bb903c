"""Owns training: settings, data, loop, evaluation, export. Needs the train extra."""

__all__ = (
    "checkpoint",
    "composing",
    "data",
    "drawing",
    "export",
    "loop",
    "network",
    "scoring",
    "settings",
    "sweep",
    "tracking",
    "where",
)
