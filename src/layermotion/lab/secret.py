"""Owns the secret of a laboratory: pseudonyms and replaced UIDs, both keyed by one file.

The secret never lies in the data set: who holds the data alone cannot find out who a subject is,
who holds the secret alone sees no data.
"""

import hmac
import os
import secrets
import stat
import uuid
from dataclasses import dataclass
from pathlib import Path

from layermotion.errors import InputError
from layermotion.files import locked, write_text

# Bytes of a new secret: the block that HMAC-SHA-256 uses in full (RFC 2104, section 3: at least
# the length of the hash).
SECRET_BYTES = 32
# Hexadecimal digits of a pseudonym: 64 bits, so that among a million subjects the chance of two
# alike is below one in ten million (our choice).
PSEUDONYM_DIGITS = 16
# Digits of a scanner's: a place has few (our choice).
SCANNER_DIGITS = 6
# Anyone's rights but the owner's.
OTHERS = stat.S_IRWXG | stat.S_IRWXO


@dataclass(frozen=True)
class Secret:
    """The key of all pseudonyms of one laboratory.

    Parameters
    ----------
    key
        Random bytes; never shown, hidden from ``repr``.
    """

    key: bytes

    def __repr__(self) -> str:
        return "Secret(hidden)"

    def digest(self, purpose: str, text: str) -> bytes:
        """HMAC-SHA-256 of a text; two purposes never give the same value."""
        return hmac.digest(self.key, f"{purpose}\0{text}".encode(), "sha256")

    def pseudonym(self, identity: str) -> str:
        """Pseudonym of a subject, whose identity is written as ``persons`` does."""
        return f"s-{self.digest('subject', identity).hex()[:PSEUDONYM_DIGITS]}"

    def scanner(self, make: str) -> str:
        """Pseudonym of a make of scanner, of which a file may say anything."""
        return f"scanner-{self.digest('scanner', make).hex()[:SCANNER_DIGITS]}"

    def replaced_uid(self, uid: str) -> str:
        """UID to use instead of an original one, consistent over all files (PS3.5 B.2)."""
        return f"2.25.{uuid.UUID(bytes=self.digest('uid', uid)[:16], version=4).int}"

    @property
    def check(self) -> str:
        """Tells two secrets apart without giving either away."""
        return self.digest("check", "").hex()[:PSEUDONYM_DIGITS]


def create_secret(path: Path) -> Secret:
    """Make a new secret that only the owner may read.

    Raises
    ------
    InputError
        If the file exists or cannot be written.
    """
    key = secrets.token_bytes(SECRET_BYTES)
    try:
        with locked(path.parent):
            if path.exists():
                raise InputError(f"The secret {path} exists; it is never replaced.")
            write_text(path, key.hex() + "\n")
    except OSError as error:
        raise InputError(
            f"The secret {path} cannot be written ({error.strerror}); name another file."
        ) from error
    return Secret(key)


def load_secret(path: Path) -> Secret:
    """Read a secret, refusing one that others may read.

    Raises
    ------
    InputError
        If it is missing, readable by others, or not a secret.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"The secret {path} cannot be read; name the file that came with this laboratory "
            f"by --secret."
        ) from error
    if os.name == "posix" and mode & OTHERS:
        raise InputError(f"Others may read the secret {path}; run: chmod 600 {path}")
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != SECRET_BYTES:
        raise InputError(
            f"{path} is not a secret of {SECRET_BYTES} bytes; name the file that came with this "
            f"laboratory by --secret."
        )
    return Secret(key)
