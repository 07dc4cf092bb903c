"""Who agreed to what, what was made from whose pictures, and whether it may still be used."""

__all__ = (
    "ledger",
    "origins",
    "register",
)
