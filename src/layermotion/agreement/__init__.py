"""Owns the researcher's bench: automatic values against callipers, and reliability studies."""

__all__ = (
    "auto",
    "command",
    "design",
    "icc",
    "plan",
    "readings",
    "reliability",
    "study",
    "table",
)
