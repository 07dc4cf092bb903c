"""Owns the files that a person or a program reads: page, plots, overlay."""

__all__ = (
    "alignment",
    "arrows",
    "content",
    "key_frames",
    "overlay",
    "page",
    "palette",
    "patterns",
    "plots",
    "tables",
    "words",
)
