"""A whole visit: which files belong to it, what they say together, and against an earlier one."""

__all__ = (
    "against",
    "detectable",
    "direction",
    "identity",
    "index",
    "listing",
    "order",
    "page",
    "plan",
    "recorded",
    "results",
    "sentences",
    "visit",
)
