"""What was measured in synthetic clips beside its truth."""

__all__ = ("clips", "compare")
