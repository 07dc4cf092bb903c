"""Following tissue from frame to frame."""

__all__ = ("tracker",)
