"""Owns the commands about consents and withdrawals: options and help; work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    DAY_FORMATS,
    By,
    LabFolder,
    ModelsFolder,
    SecretFile,
    group,
)
from layermotion.extras import need

app = typer.Typer()
consent_app = group("Consents: who agreed to what, until when. The history only grows.")
app.add_typer(consent_app, name="consent")


class ScopeChoice(StrEnum):
    """What a subject agrees to."""

    TRAINING = "training"
    EVALUATION = "evaluation"


Subject = Annotated[
    str,
    typer.Option(
        "--subject",
        metavar="ID",
        prompt="Local identifier of the subject",
        hide_input=True,
        help="Local identifier, such as the Patient ID; asked for if left out, so that it does "
        "not stay in the history of the command line.",
    ),
]


def _day(value: datetime | None) -> date:
    return value.date() if value else date.today()


@consent_app.command(
    epilog=epilog(
        "layermotion lab consent record our-lab --scope training --expiry 2030-12-31 --by nurse-2"
    )
)
def record(
    lab: LabFolder,
    secret: SecretFile,
    subject: Subject,
    by: By,
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
    from layermotion.lab.consent import Consent, Scope
    from layermotion.lab.folder import open_lab, open_secret

    opened = open_lab(lab)
    pseudonym = open_secret(opened, secret).pseudonym(subject)
    scopes = tuple(Scope(choice) for choice in scope or ScopeChoice)
    consent = Consent(pseudonym, scopes, _day(day), expiry.date() if expiry else None)
    opened.ledger.record([consent], by)
    typer.echo(f"Recorded for {pseudonym}: {', '.join(scopes)}.")


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
            "(may be empty); days as 2024-03-01.",
        ),
    ],
    secret: SecretFile,
    by: By,
) -> None:
    """Record many consents from a table: all of them, or none if a row cannot be used."""
    from layermotion.lab.consent import read_consents
    from layermotion.lab.folder import open_lab, open_secret

    opened = open_lab(lab)
    consents = read_consents(table, open_secret(opened, secret))
    opened.ledger.record(consents, by)
    typer.echo(f"Recorded {len(consents)} consents.")


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


@app.command(epilog=epilog("layermotion lab withdraw our-lab --by nurse-2"))
def withdraw(
    lab: LabFolder,
    secret: SecretFile,
    models: ModelsFolder,
    subject: Subject,
    by: By,
    day: Annotated[
        datetime | None,
        typer.Option(formats=DAY_FORMATS, help="Day of the withdrawal; today if left out."),
    ] = None,
) -> None:
    """Record that a subject withdrew, and list the builds and weights that hold it.

    The next build leaves the subject out, and builds that hold it can no longer be used. What
    happens to weights trained on it is the laboratory's to decide; they are listed for that.
    """
    need("This command needs", "train", ("pycocotools",))
    from layermotion.lab.builds import builds_with
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.models.registry import Registry

    opened = open_lab(lab)
    pseudonym = open_secret(opened, secret).pseudonym(subject)
    opened.ledger.withdraw(pseudonym, _day(day), by)
    builds = builds_with(opened, pseudonym)
    weights = Registry(models).trained_on(set(builds.values())) if builds else ()
    typer.echo(f"{pseudonym} withdrew.")
    typer.echo(f"Builds that hold it: {', '.join(builds) or 'none'}.")
    typer.echo(f"Weights trained on these builds: {', '.join(weights) or 'none'}.")
