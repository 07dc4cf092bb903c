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
    """

    who: str
    day: str

    @property
    def words(self) -> str:
        """Sentence in place of the caution.

        Examples
        --------
        >>> Signature("A. B.", "2026-03-01").words
        'Final: signed by A. B. on 2026-03-01. Made with a tool that is not a medical device.'
        """
        return (
            f"Final: signed by {self.who} on {self.day}. Made with a tool that is not a medical "
            f"device."
        )


def epilog(example: str) -> str:
    """End of a command's help: an example, then the caution."""
    # A lone \b keeps the lines of its paragraph as they are.
    return f"\b\nExample:\n  {example}\n\n{CAUTION}"
