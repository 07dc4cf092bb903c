"""What each command does, between its options and its files."""

__all__ = (
    "demo",
    "lab",
    "lab_options",
    "listing",
    "measure",
    "models",
    "progress",
    "record",
    "session",
    "spread",
    "studies",
    "train",
)
