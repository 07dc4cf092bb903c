"""The live view: newest frame to screen, its value against today's rest, practice, recording."""

__all__ = ("arrivals", "live", "outcome", "server", "taking")
