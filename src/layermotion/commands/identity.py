"""Owns the check that a visit is of one person and one day: its files, secret and question."""

import contextlib
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from layermotion.clip.identifiers import NOTHING_STATED, read_identifiers
from layermotion.errors import InputError
from layermotion.lab.secret import SECRET_BYTES, Secret, create_secret, load_secret
from layermotion.places import default_visit_secret
from layermotion.session.identity import (
    SEVERAL_DAYS,
    Identity,
    as_record,
    check_one_person,
    compare_with_earlier,
    find_other_day,
    from_record,
    identify,
    merge,
)

# Lies in the folder of a visit, for comparison on this computer alone.
IDENTITY_FILE = ".identity.json"


@dataclass(frozen=True, repr=False)
class VisitIdentity:
    """Person and days of a visit, as far as its files state them.

    Parameters
    ----------
    whole
        Of all its recordings together.
    secret
        What it was hashed with; None where none is kept.
    cautions
        Sentences for the page of the visit.
    """

    whole: Identity
    secret: Secret | None
    cautions: tuple[str, ...]

    @property
    def document(self) -> dict[str, object]:
        """Hashes as they are kept; empty where the files state nothing, or no secret is kept."""
        if not self.whole or self.secret is None:
            return {}
        return {"secret": self.secret.check, **as_record(self.whole)}

    def write(self, folder: Path) -> None:
        """Keep the hashes beside the visit's files, readable by the owner alone."""
        target = folder / IDENTITY_FILE
        document = self.document
        if not document:
            target.unlink(missing_ok=True)
            return
        temporary = folder / f"{IDENTITY_FILE}.new"
        temporary.unlink(missing_ok=True)
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(json.dumps(document) + "\n")
        os.replace(temporary, target)


def check_identity(
    recordings: Sequence[tuple[str, Sequence[Path]]],
    *,
    several_days: bool,
    earlier: Path | None = None,
) -> VisitIdentity:
    """Check that a visit is of one person and one day, before anything is measured.

    Parameters
    ----------
    recordings
        What each is called, and its files.
    several_days
        Whether it is stated that recordings of different days are meant.
    earlier
        Folder of an earlier visit to compare with, or None.

    Raises
    ------
    InputError
        If its recordings, or the two visits, are of different people; if its recordings are of
        different days and nobody says that this is meant; or if the secret cannot be used.
    """
    stated = [(name, read_identifiers(path)) for name, paths in recordings for path in paths]
    stated = [(name, one) for name, one in stated if one != NOTHING_STATED]
    # Where no file says who it is of, no secret is needed, and none is made.
    secret = _secret() if stated else None
    digest = (secret or Secret(os.urandom(SECRET_BYTES))).digest
    known = [(name, identify(one, digest)) for name, one in stated]
    check_one_person(known)
    whole = merge(known)
    cautions: tuple[str, ...] = ()
    if earlier is not None:
        cautions = compare_with_earlier(whole, _read(earlier, secret))
    apart = find_other_day(known)
    if apart and not several_days:
        _ask(apart)
    return VisitIdentity(whole, secret, (*((SEVERAL_DAYS,) if apart else ()), *cautions))


def _read(folder: Path, secret: Secret | None) -> Identity | None:
    """Identity of an earlier visit; None where this secret did not make it."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        document = json.loads((folder / IDENTITY_FILE).read_text(encoding="ascii"))
        is_ours = secret is not None and document.get("secret") == secret.check
        return from_record(document) if is_ours else None
    return None


def _secret() -> Secret | None:
    """Secret of this computer's visits, made on first use; None where none can be kept."""
    path = default_visit_secret()
    if not path.exists():
        with contextlib.suppress(InputError):
            return create_secret(path)
    if not path.exists():
        return None
    try:
        return load_secret(path)
    except InputError as error:
        raise InputError(
            f"The secret {path} cannot be used; make it readable for you alone (chmod 600), or "
            f"delete it, after which no earlier visit can be compared by person."
        ) from error


def _ask(apart: str) -> None:
    """Ask whether recordings of different days are meant; where nobody can be asked, stop."""
    if sys.stdin.isatty() and typer.confirm(
        f"{apart} are of different days. Measure them as one visit?", err=True
    ):
        return
    raise InputError(
        f"{apart} are of different days, so nothing was measured; give the recordings of one day, "
        f"or say with --several-days that this is meant."
    )
