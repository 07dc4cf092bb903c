"""Owns who a subject is: site, issuer and number, checked against birth date and sex.

Only pseudonyms and keyed hashes leave this module.
"""

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pydicom import Dataset

from layermotion.consent.ledger import Consent, Scope
from layermotion.consent.register import Register
from layermotion.errors import InputError
from layermotion.lab.secret import Secret
from layermotion.rows import named_rows

COLUMNS = ("subject", "scope", "day", "expiry")
# Columns of a table of consents that may be missing.
OPTIONAL = ("site", "issuer", "birth_date", "sex")

# A birth date is written YYYYMMDD (DICOM PS3.5 section 6.2).
DATE_DIGITS = 8
# First letters of the sexes that can contradict each other; another word tells nobody apart.
SEXES = ("f", "m")


@dataclass(frozen=True, repr=False)
class Person:
    """What identifies a subject here.

    Parameters
    ----------
    number
        Local identifier, such as the Patient ID; the same number of another site or issuer is
        another person.
    site
        The laboratory's own word for the place.
    issuer
        Who gave the number; empty where nobody says.
    birth, sex
        Birth date as eight digits, year first, and sex; empty where not stated. They only check the
        rest.
    """

    number: str
    site: str
    issuer: str = ""
    birth: str = ""
    sex: str = ""

    def __post_init__(self) -> None:
        for name in ("number", "site", "issuer", "birth", "sex"):
            object.__setattr__(self, name, _plain(getattr(self, name)))
        digits = "".join(c for c in self.birth if c.isdecimal())
        object.__setattr__(self, "birth", digits if len(digits) == DATE_DIGITS else "")
        object.__setattr__(self, "sex", self.sex[:1] if self.sex[:1] in SEXES else "")
        if not self.number:
            raise InputError("A subject needs a local identifier that is not empty; give one.")
        if not self.site:
            raise InputError("A subject needs a site; give --site, or a column site in a table.")

    def __repr__(self) -> str:
        return "Person(hidden)"

    def pseudonym(self, secret: Secret) -> str:
        """Pseudonym, the same for every way in which the same identity is written."""
        return secret.pseudonym("\0".join((self.site, self.issuer, self.number)))

    def marks(self, secret: Secret) -> tuple[tuple[str, str, str], ...]:
        """(pseudonym, kind, keyed hash) of birth date and sex, where stated."""
        subject = self.pseudonym(secret)
        stated = (("birth date", self.birth), ("sex", self.sex))
        return tuple(
            (subject, kind, secret.digest(kind, f"{subject}\0{value}").hex())
            for kind, value in stated
            if value
        )


def _plain(text: str) -> str:
    r"""Text in one writing: no padding, no case, no double spaces, no wide or joined letters.

    Examples
    --------
    >>> _plain(" P4\0") == _plain("p4"), _plain("Ｐ４  a") == _plain("p4 A")
    (True, True)
    """
    return " ".join(unicodedata.normalize("NFKC", text).replace("\0", " ").casefold().split())


def person_in(header: Dataset, site: str) -> Person:
    """Person that a DICOM header names.

    Raises
    ------
    InputError
        If it states no Patient ID.
    """
    keywords = ("PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex")
    number, issuer, birth, sex = (str(header.get(keyword) or "") for keyword in keywords)
    if not _plain(number):
        raise InputError("The file states no Patient ID, so nobody's consent covers it.")
    return Person(number, site, issuer, birth, sex)


def note_persons(
    register: Register,
    secret: Secret,
    persons: Iterable[tuple[str, Person]],
    is_correction: bool = False,
) -> None:
    """Keep birth date and sex of persons as keyed hashes, if none clashes with what is known.

    Parameters
    ----------
    persons
        Each with where it comes from, as a sentence begins: ``File 3``.
    is_correction
        Whether what they state takes the place of what is known.

    Raises
    ------
    InputError
        If two that go by one identifier differ; nothing is kept then.
    """
    known: dict[str, dict[str, str]] = {}
    for where, person in persons:
        subject = person.pseudonym(secret)
        if subject not in known:
            known[subject] = {} if is_correction else register.known_marks(subject)
        marks = known[subject]
        for _, kind, digest in person.marks(secret):
            if marks.setdefault(kind, digest) != digest:
                raise InputError(
                    f"{where} states another {kind} than is known of {subject}, as if two persons "
                    f"had one identifier; nothing was taken in: tell them apart by site or issuer, "
                    f"or correct a slip (layermotion lab consent load --correct)."
                )
    register.note_marks((s, kind, d) for s, marks in known.items() for kind, d in marks.items())


@dataclass(frozen=True)
class Agreement:
    """One row of a table of consents: who agreed to what, from when until when."""

    person: Person
    scopes: tuple[Scope, ...]
    day: date
    expiry: date | None

    def consent(self, secret: Secret) -> Consent:
        """Consent by pseudonym, as the ledger takes it."""
        return Consent(self.person.pseudonym(secret), self.scopes, self.day, self.expiry)


def read_consents(table: Path, site: str | None) -> list[Agreement]:
    """Read a CSV table with the columns subject, scope, day and expiry.

    The columns site, issuer, birth_date and sex may be there too.

    Parameters
    ----------
    table
        ``scope`` is training, evaluation or both; days are written 2024-03-01, and an empty
        expiry means no end.
    site
        Of rows that state none.

    Raises
    ------
    InputError
        If a row cannot be used; it goes by its number, never by its subject.
    """
    try:
        text = table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{table.name} cannot be read as CSV in UTF-8; save it anew.") from error
    names, rows = named_rows(text, table.name)
    if not rows:
        raise InputError(f"{table.name} holds no consent below its heading; fill it in.")
    for column in COLUMNS:
        if column not in names:
            raise InputError(
                f"{table.name} has no column {column!r}; it needs subject, scope, day and expiry."
            )
    agreements = []
    for number, row in rows:
        try:
            agreements.append(_agreement(row, site))
        except InputError as error:
            raise InputError(f"Row {number} of {table.name} cannot be used: {error}") from error
        except ValueError as error:
            raise InputError(
                f"Row {number} of {table.name} cannot be used; write the scope as training, "
                f"evaluation or both, and days as 2024-03-01."
            ) from error
    return agreements


def _agreement(row: Mapping[str, str], site: str | None) -> Agreement:
    values = {name: row.get(name, "") for name in (*COLUMNS, *OPTIONAL)}
    if values["birth_date"]:
        values["birth_date"] = date.fromisoformat(values["birth_date"]).isoformat()
    person = Person(
        values["subject"], values["site"] or site or "", values["issuer"], values["birth_date"],
        values["sex"],
    )  # fmt: skip
    word, end = values["scope"].lower(), values["expiry"]
    scopes = tuple(Scope) if word == "both" else (Scope(word),)
    day, expiry = date.fromisoformat(values["day"]), date.fromisoformat(end) if end else None
    if expiry is not None and expiry < day:
        raise InputError(
            f"the consent would expire on {expiry}, before it begins on {day}; correct one."
        )
    return Agreement(person, scopes, day, expiry)
