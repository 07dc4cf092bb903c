"""The clinic's page: clips looked at, corrected, confirmed and signed."""

__all__ = ("server", "sources", "visit")
