"""Owns the researcher's bench: automatic values against callipers, and reliability studies."""

__all__ = (
    "auto",
    "coefficients",
    "command",
    "components",
    "design",
    "estimate",
    "icc",
    "limits",
    "plan",
    "readings",
    "regression",
    "reliability",
    "spread",
    "study",
    "table",
)
