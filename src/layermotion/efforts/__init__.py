"""When the muscle worked: windows, courses and number of the efforts."""

__all__ = (
    "breathing",
    "channels",
    "count",
    "course",
    "decode",
    "efforts",
    "parts",
    "tell",
    "windows",
)
