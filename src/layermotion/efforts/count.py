"""Owns how many efforts a clip holds, and whether that number is sure."""

from dataclasses import dataclass

# A number this likely is sure: where it is said it is right in at least 98 % of scenarios
# (scripts/efforts.py).
SURE = 0.95
# Clips with fewer frames a second are never drawn in training (``scripts/effort_network.py``).
SLOWEST_HZ = 8.0


@dataclass(frozen=True)
class Count:
    """Number of efforts in a clip.

    Parameters
    ----------
    number
        Efforts found.
    likely
        Probability that there are just so many.
    is_slow
        Whether the clip has too few frames a second for that probability to hold.
    """

    number: int
    likely: float = 1.0
    is_slow: bool = False

    @property
    def is_sure(self) -> bool:
        """Whether the number need not be checked."""
        return self.likely >= SURE and not self.is_slow

    @property
    def caution(self) -> tuple[str, ...]:
        """Sentence for the report where the number is not sure."""
        if self.is_sure:
            return ()
        if self.is_slow:
            return (
                f"The clip has fewer than {SLOWEST_HZ:.0f} frames a second, too few to be sure of "
                f"the number of efforts ({self.number} found); count the efforts in the video.",
            )
        return (
            f"The number of efforts ({self.number} found) is not sure; count the efforts in the "
            f"video.",
        )
