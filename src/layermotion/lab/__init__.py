"""Owns a laboratory's own data: consent, import, labels, builds, judging and promoting weights."""

__all__ = (
    "annotations",
    "builds",
    "erasing",
    "folder",
    "folds",
    "importing",
    "labelling",
    "making",
    "persons",
    "proposals",
    "review",
    "scoring",
    "secret",
    "segmentations",
    "status",
    "tuning",
)
