"""Owns what says how far a result may be relied on: the caution, and the signature that ends it."""

from dataclasses import dataclass

CAUTION = (
    "Not a medical device: every result is a draft until a licensed clinician confirms it, "
    "and local rules come first."
)

# The same beside every value of a table, until a clinician has confirmed it.
SHORT_CAUTION = "draft, not a medical device"


@dataclass(frozen=True)
class Signature:
    """Who signed a visit as a whole, and when.

    Parameters
    ----------
    who
        As typed.
    day
        ISO 8601.
    mark
        First digits of the hash of the signature in the record.
    """

    who: str
    day: str
    mark: str

    @property
    def words(self) -> str:
        """Sentence in place of the caution.

        Examples
        --------
        >>> Signature("KL", "2026-03-01", "0f3a").words
        'Final: signed by KL on 2026-03-01 (0f3a). Made with a tool that is not a medical device.'
        """
        return (
            f"Final: signed by {self.who} on {self.day} ({self.mark}). Made with a tool that is "
            f"not a medical device."
        )


def epilog(example: str) -> str:
    """End of a command's help: an example, then the caution."""
    # A lone \b keeps the lines of its paragraph as they are.
    return f"\b\nExample:\n  {example}\n\n{CAUTION}"
