"""What each command does, between its options and its files."""

__all__ = (
    "demo",
    "lab",
    "lab_options",
    "listing",
    "live",
    "measure",
    "models",
    "progress",
    "record",
    "review",
    "session",
    "spread",
    "studies",
    "train",
)
