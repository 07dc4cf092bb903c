"""Owns the caution that ends every help text, and the frame of an example above it."""

CAUTION = (
    "Not a medical device: every result is a draft until a licensed clinician confirms it, "
    "and local rules come first."
)


def epilog(example: str) -> str:
    """End of a command's help: an example, then the caution."""
    # A lone \b keeps the lines of its paragraph as they are.
    return f"\b\nExample:\n  {example}\n\n{CAUTION}"
