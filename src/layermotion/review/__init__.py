"""The clinic's page: clips with their outlines, corrected, confirmed and signed by a person."""

__all__ = ("amending", "confirming", "handing", "place", "server", "sources", "visit")
