"""Owns the caution that ends every help text, and the frame of an example above it."""

CAUTION = (
    "Not a medical device: every result is a draft until a licensed clinician confirms it, "
    "and local rules come first."
)

# The same beside every value of a table, until a clinician has confirmed it.
SHORT_CAUTION = "draft, not a medical device"


def epilog(example: str) -> str:
    """End of a command's help: an example, then the caution."""
    # A lone \b keeps the lines of its paragraph as they are.
    return f"\b\nExample:\n  {example}\n\n{CAUTION}"
