"""Owns the commands about consents and withdrawals: options and help; work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from collections.abc import Collection, Iterable
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    DAY_FORMATS,
    By,
    Issuer,
    LabFolder,
    SecretFile,
    Site,
    Subject,
    group,
)
from layermotion.options import EXIT_SOME_FAILED

app = typer.Typer()
consent_app = group("Consents: who agreed to what, until when. The history only grows.")
app.add_typer(consent_app, name="consent")


class ScopeChoice(StrEnum):
    """What a subject agrees to."""

    TRAINING = "training"
    EVALUATION = "evaluation"


def _day(value: datetime | None) -> date:
    return value.date() if value else date.today()


@consent_app.command(
    epilog=epilog(
        "layermotion lab consent record our-lab --site clinic-a --expiry 2030-12-31 --by nurse-2"
    )
)
def record(
    lab: LabFolder,
    subject: Subject,
    site: Site,
    by: By,
    issuer: Issuer = "",
    secret: SecretFile = None,
    scope: Annotated[
        list[ScopeChoice] | None,
        typer.Option(
            help="What the subject agrees to: training of weights, or evaluation only; give it "
            "twice for both, or leave it out for both."
        ),
    ] = None,
    day: Annotated[
        datetime | None, typer.Option(formats=DAY_FORMATS, help="First day; today if left out.")
    ] = None,
    expiry: Annotated[
        datetime | None,
        typer.Option(formats=DAY_FORMATS, help="Last day; no end if left out."),
    ] = None,
) -> None:
    """Record that a subject agreed."""
    from layermotion.consent.ledger import Consent, Scope
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.persons import Person

    opened = open_lab(lab)
    pseudonym = Person(subject, site, issuer).pseudonym(open_secret(opened, secret))
    scopes = tuple(Scope(choice) for choice in scope or ScopeChoice)
    consent = Consent(pseudonym, scopes, _day(day), expiry.date() if expiry else None)
    is_new = opened.ledger.record([consent], by)
    done = f"Recorded in {opened.ledger.path}" if is_new else "Known already"
    today = opened.day_of_use
    held = opened.ledger.scopes_of(pseudonym, today)
    covered = ", ".join(scope for scope in Scope if scope in held) or "nothing"
    typer.echo(f"{done}: {pseudonym}, {', '.join(scopes)}. Today it covers {covered}.")
    for remark in opened.ledger.remarks([consent], today)[pseudonym]:
        typer.echo(remark)


@consent_app.command(
    epilog=epilog("layermotion lab consent load our-lab consents.csv --by nurse-2")
)
def load(
    lab: LabFolder,
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE",
            exists=True,
            dir_okay=False,
            help="CSV with the columns subject, scope (training, evaluation or both), day, expiry "
            "(may be empty), and, if you like, site, issuer, birth_date and sex; days as "
            "2024-03-01.",
        ),
    ],
    by: By,
    site: Annotated[
        str | None,
        typer.Option(metavar="WORD", help="Your word for the place, for rows that state none."),
    ] = None,
    secret: SecretFile = None,
    correct: Annotated[
        bool,
        typer.Option(
            "--correct",
            help="Birth dates and sexes of the table replace what is known, after a slip.",
        ),
    ] = False,
) -> None:
    """Record many consents from a table: all of them, or none if a row cannot be used.

    Rows that are known already add nothing, so the same table may be loaded again.
    """
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.persons import note_persons, read_consents

    opened = open_lab(lab)
    key = open_secret(opened, secret)
    rows = read_consents(table, site)
    persons = [(f"Row {number}", row.person) for number, row in enumerate(rows, start=2)]
    note_persons(opened.register, key, persons, correct)
    consents = [row.consent(key) for row in rows]
    added = opened.ledger.record(consents, by)
    typer.echo(
        f"Consents recorded in {opened.ledger.path}: {added}; known before: {len(rows) - added}."
    )
    for subject, remarks in opened.ledger.remarks(consents, opened.day_of_use).items():
        for remark in remarks:
            typer.echo(f"{subject}: {remark}")


@consent_app.command("list", epilog=epilog("layermotion lab consent list our-lab --on 2024-06-01"))
def list_consents(
    lab: LabFolder,
    on: Annotated[
        datetime | None, typer.Option(formats=DAY_FORMATS, help="Day; today if left out.")
    ] = None,
) -> None:
    """List every subject, by pseudonym, with what the consent covers on a day."""
    from layermotion.lab.folder import open_lab

    for subject, scopes in sorted(open_lab(lab).ledger.subjects(_day(on)).items()):
        typer.echo(f"{subject}  {', '.join(sorted(scopes)) or 'nothing'}")


@consent_app.command(epilog=epilog("layermotion lab consent history our-lab"))
def history(lab: LabFolder) -> None:
    """Show the whole history: every consent and withdrawal, and who recorded it."""
    from layermotion.lab.folder import open_lab

    for entry in open_lab(lab).ledger.history():
        until = f" until {entry.expiry}" if entry.expiry else ""
        typer.echo(
            f"{entry.number:5}  {entry.subject}  {entry.event} {entry.scope} from {entry.day}"
            f"{until}, recorded by {entry.recorded_by} at {entry.recorded_at}"
        )


@app.command(epilog=epilog("layermotion lab withdraw our-lab --site clinic-a --by nurse-2"))
def withdraw(
    lab: LabFolder,
    subject: Subject,
    site: Site,
    by: By,
    issuer: Issuer = "",
    secret: SecretFile = None,
    day: Annotated[
        datetime | None,
        typer.Option(formats=DAY_FORMATS, help="Day of the withdrawal; today if left out."),
    ] = None,
) -> None:
    """Record that a subject withdrew, and list what was made from its pictures.

    From that day on, until a new consent of a later day, nothing uses its pictures, builds that
    hold it, and runs and weights that learnt from it. Its pictures stay until lab erase.
    """
    from layermotion.consent.origins import LEARNT, is_refused
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.persons import Person

    opened = open_lab(lab)
    pseudonym = Person(subject, site, issuer).pseudonym(open_secret(opened, secret))
    opened.ledger.withdraw(pseudonym, _day(day), by)
    typer.echo(f"{pseudonym} withdrew.")
    builds = opened.register.builds_with(pseudonym)
    typer.echo(f"Builds that hold it: {', '.join(builds) or 'none'}.")
    made = opened.register.made_from(pseudonym, LEARNT)
    blocked = [path for path in made if is_refused(opened.register, path, opened.today)]
    _tell_blocked(blocked, [path for path in made if path not in blocked])


def _tell_blocked(blocked: Iterable[Path], not_blocked: Collection[Path]) -> None:
    from layermotion.lab.status import not_blocked_sentence

    told = ", ".join(map(str, blocked)) or "none"
    typer.echo(f"Blocked runs and weights that learnt from it: {told}.")
    if not_blocked:
        typer.echo(not_blocked_sentence(not_blocked))


@app.command(epilog=epilog("layermotion lab erase our-lab --site clinic-a --by nurse-2"))
def erase(
    lab: LabFolder,
    subject: Subject,
    site: Site,
    by: By,
    issuer: Issuer = "",
    secret: SecretFile = None,
) -> None:
    """Erase a subject's clips, labels, sheets, builds and copies handed out; leave a receipt.

    The withdrawal is recorded as well. Builds and sheets that show others too go whole; make them
    anew. What stays is the history of consents, and keyed hashes by which copies are told. Exit
    code 1: a copy is not where it was written, or cannot be read.
    """
    from layermotion.lab.erasing import erase as erase_subject
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.persons import Person

    opened = open_lab(lab)
    pseudonym = Person(subject, site, issuer).pseudonym(open_secret(opened, secret))
    receipt, path = erase_subject(opened, pseudonym, by)
    for kind, count in receipt.files.items():
        typer.echo(f"Erased, {kind}: {count}")
    for copy in receipt.not_reached:
        typer.echo(f"Not where it was written, look for it: {copy}")
    for copy in receipt.not_erased:
        typer.echo(f"Cannot be read or written, delete or correct it, and erase again: {copy}")
    _tell_blocked(map(Path, receipt.weights), list(map(Path, receipt.not_blocked)))
    typer.echo(f"Receipt: {path}")
    if receipt.not_reached or receipt.not_erased:
        raise typer.Exit(EXIT_SOME_FAILED)
