"""A whole visit: which files belong to it, what they say together, and against an earlier one."""
