"""Owns what says how far a result may be relied on: the caution, and the signature that ends it."""

from dataclasses import dataclass

CAUTION = (
    "Not a medical device: every result is a draft until a licensed clinician confirms it, "
    "and local rules come first."
)

# The same beside every value of a table, until a clinician has confirmed it.
SHORT_CAUTION = "draft, not a medical device"


@dataclass(frozen=True)
class Amendment:
    """What was changed or added after a visit was signed.

    Parameters
    ----------
    who, why
        As typed.
    day
        ISO 8601.
    changes
        A phrase for each value, such as ``left-draw_in-1: TrA contracted 1, 5.10 to 6.00 mm``.
    """

    who: str
    day: str
    why: str
    changes: tuple[str, ...]

    @property
    def words(self) -> str:
        """Sentence for a report.

        Examples
        --------
        >>> Amendment("KL", "2026-03-05", "edge seen late", ("TrA, 5.10 to 6.00 mm",)).words
        'Amended by KL on 2026-03-05: edge seen late (TrA, 5.10 to 6.00 mm).'
        """
        changed = f" ({'; '.join(self.changes)})" if self.changes else ""
        return f"Amended by {self.who} on {self.day}: {self.why.rstrip('.')}{changed}."


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
    amendments
        In the order of time.
    """

    who: str
    day: str
    mark: str
    amendments: tuple[Amendment, ...] = ()

    @property
    def words(self) -> str:
        """Sentence in place of the caution.

        Examples
        --------
        >>> Signature("KL", "2026-03-01", "0f3a").words
        'Final: signed by KL on 2026-03-01 (0f3a). Made with a tool that is not a medical device.'
        """
        signed = (
            f"Final: signed by {self.who} on {self.day} ({self.mark}). Made with a tool that is "
            f"not a medical device."
        )
        return " ".join([signed, *(one.words for one in self.amendments)])


def epilog(example: str) -> str:
    """End of a command's help: an example, then the caution."""
    # A lone \b keeps the lines of its paragraph as they are.
    return f"\b\nExample:\n  {example}\n\n{CAUTION}"
