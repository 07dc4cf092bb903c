"""Owns a laboratory's own data: consent, import, labels, builds, judging and promoting weights."""

__all__ = (
    "annotations",
    "builds",
    "consent",
    "folder",
    "importing",
    "labelling",
    "making",
    "proposals",
    "review",
    "scoring",
    "secret",
    "segmentations",
    "tuning",
)
