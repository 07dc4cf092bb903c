"""Owns the chain of hashes over all events: what is hashed, and the first that does not fit.

Each event is two JSON texts: what it is about, and what happened. Its digest is taken over a random
salt and both, and its hash over the hash before it, its number and its digest. Texts and salts can
be deleted, and the chain of digests still holds; without the salt a digest does not tell what was
deleted, even by trial.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any

# Bytes of a salt, as many as the digest has.
SALT_BYTES = 32
# What the first event follows.
START = bytes(32)


class BrokenChainError(Exception):
    """An event does not fit the chain; it never leaves the package."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def canonical(content: Mapping[str, Any]) -> str:
    """One text for one content, however it was put together.

    Raises
    ------
    ValueError, TypeError
        If JSON cannot hold it.
    """
    return json.dumps(
        content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )


def digest_of(salt: bytes, about: str, payload: str) -> bytes:
    """SHA-256 of the two salted texts of an event; no JSON text holds a bare line end."""
    return hashlib.sha256(salt + f"{about}\n{payload}".encode()).digest()


def hash_of(previous: bytes, number: int, digest: bytes) -> bytes:
    """SHA-256 that stands for an event and all before it."""
    return hashlib.sha256(previous + number.to_bytes(8, "big") + digest).digest()


def ranges(numbers: list[int]) -> list[list[int]]:
    """Put rising numbers into ranges with both ends included.

    Examples
    --------
    >>> ranges([3, 4, 5, 9])
    [[3, 5], [9, 9]]
    """
    found: list[list[int]] = []
    for number in numbers:
        if found and number == found[-1][1] + 1:
            found[-1][1] = number
        else:
            found.append([number, number])
    return found


def numbers_in(ends: list[list[int]]) -> Iterator[int]:
    """Numbers of ranges, one after the other."""
    for first, last in ends:
        yield from range(first, last + 1)
