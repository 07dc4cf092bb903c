"""The record over time: pseudonymous patients, visits and signed values in one file."""

__all__ = ("chart", "drawing", "entries", "store")
