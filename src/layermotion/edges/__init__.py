"""The edges of the layers in each frame, and the site at which they are read."""

__all__ = (
    "blocks",
    "boundaries",
    "frame",
    "lateral",
    "masks",
    "recording",
    "refine",
    "second_look",
    "site",
)
