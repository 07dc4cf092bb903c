"""Owns the researcher's bench: automatic values against callipers, and reliability studies."""

__all__ = (
    "command",
    "design",
    "icc",
    "plan",
    "readings",
    "reliability",
    "study",
)
