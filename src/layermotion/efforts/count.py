"""Owns how many efforts a clip holds, and whether that number is sure."""

from dataclasses import dataclass

# A number this likely is sure: where it is said it is right in at least 98 % of scenarios
# (scripts/efforts.py).
SURE = 0.95
# Clips with fewer frames a second are never drawn in training (``scripts/effort_network.py``).
SLOWEST_HZ = 8.0
# A number is sure only where a thickness, a slide or the base is measured in this share of the
# frames (our choice: the number was right in 640 of 646 filmed clips with as much, and in 23 of 27
# with less, of which the network called 18 sure, 16 of them rightly).
LEAST_MEASURED = 0.9
UNSURE = "The number of efforts ({number} found) is not sure; count the efforts in the video."
TOO_SLOW = (
    "The clip has fewer than {rate:.0f} frames a second, too few to be sure of the number of "
    "efforts ({number} found); count the efforts in the video."
)
LITTLE_SEEN = (
    "In a part of the clip neither a muscle nor the bladder base could be measured, so the number "
    "of efforts ({number} found) is not sure; count the efforts in the video."
)


@dataclass(frozen=True)
class Count:
    """Number of efforts in a clip.

    Parameters
    ----------
    number
        Efforts found.
    likely
        Probability that there are just so many.
    reason
        Sentence on why that probability does not hold in this clip; empty where it does.
    """

    number: int
    likely: float = 1.0
    reason: str = ""

    @property
    def is_sure(self) -> bool:
        """Whether the number need not be checked."""
        return self.likely >= SURE and not self.reason

    @property
    def caution(self) -> tuple[str, ...]:
        """Sentence for the report where the number is not sure."""
        if self.is_sure:
            return ()
        return ((self.reason or UNSURE).format(number=self.number, rate=SLOWEST_HZ),)


def why_unsure(frame_rate_hz: float, measured_share: float) -> str:
    """Give the sentence on why no number of efforts is sure in a clip; empty where one may be.

    Parameters
    ----------
    measured_share
        Of the frames, in which something of a muscle or of the base is measured.

    Examples
    --------
    >>> why_unsure(25.0, 1.0)
    ''
    >>> why_unsure(5.0, 1.0) == TOO_SLOW
    True
    """
    # A hundredth for times that were rounded.
    if frame_rate_hz < SLOWEST_HZ / 1.01:
        return TOO_SLOW
    return LITTLE_SEEN if measured_share < LEAST_MEASURED else ""
