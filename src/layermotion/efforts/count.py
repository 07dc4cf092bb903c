"""Owns how many efforts a clip holds, and whether that number is sure."""

from dataclasses import dataclass

# A number this likely is sure: where it is said it is right in at least 98 % of scenarios
# (scripts/efforts.py).
SURE = 0.95


@dataclass(frozen=True)
class Count:
    """Number of efforts in a clip.

    Parameters
    ----------
    number
        Efforts found.
    likely
        Probability that there are just so many.
    """

    number: int
    likely: float = 1.0

    @property
    def is_sure(self) -> bool:
        """Whether the number need not be checked."""
        return self.likely >= SURE

    @property
    def caution(self) -> tuple[str, ...]:
        """Sentence for the report where the number is not sure."""
        if self.is_sure:
            return ()
        return (
            f"The number of efforts ({self.number} found) is not sure; count the efforts in the "
            f"video.",
        )
