"""What each command does, between its options and its files."""

__all__ = (
    "demo",
    "lab",
    "lab_options",
    "measure",
    "models",
    "session",
    "spread",
    "studies",
    "train",
)
