"""Owns the researcher's bench: automatic values against callipers, and reliability studies."""
