"""Owns the commands about the record over time: options and help; the work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import By, group
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.options import RecordFile

if TYPE_CHECKING:
    from layermotion.record.entries import Visit

record_app = group("The record over time: its state, back-ups, export and deletion of a patient.")
Why = Annotated[
    str, typer.Option("--why", metavar="TEXT", help="Reason; it stays, so name nobody.")
]
Code = Annotated[str, typer.Argument(metavar="CODE", help="Code of the patient in the record.")]


@record_app.command(epilog=epilog("layermotion record status"))
def status(record: RecordFile) -> None:
    """Say where the record lies and what it holds."""
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened:
        patients = opened.patients()
        typer.echo(f"{record}, patients: {len(patients)}")
        for patient in patients:
            visits = opened.visits(patient.patient_id)
            signed = sum(visit.is_signed for visit in visits)
            words = f"visits: {len(visits)}, signed: {signed}"
            every = opened.visits(patient.patient_id, also_withdrawn=True)
            if len(visits) < len(every):
                words += f", withdrawn: {len(every) - len(visits)}"
            last = f"; last on {visits[-1].day}" if visits else ""
            typer.echo(f"{patient.code:24}  {words}{last}")
        for receipt in opened.receipts():
            typer.echo(f"A patient was deleted at {receipt.when} by {receipt.who}: {receipt.why}")


@record_app.command(epilog=epilog("layermotion record verify"))
def verify(
    record: RecordFile,
    known: Annotated[
        str,
        typer.Option(
            "--hash",
            metavar="HASH",
            help="Hash from a signed report or a receipt: the record must hold it.",
        ),
    ] = "",
) -> None:
    """Check that no event was changed, removed or moved after it was written."""
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened:
        opened.verify(known.strip().lower())
        seal = opened.seal()
    typer.echo(f"{record} holds: every event is as it was written.")
    typer.echo(f"Note this hash elsewhere, and give it by --hash next time: {seal}")


@record_app.command("back-up", epilog=epilog("layermotion record back-up backups/monday.sqlite"))
def back_up(
    target: Annotated[
        Path, typer.Argument(metavar="BACKUP", dir_okay=False, help="File to write; a new one.")
    ],
    record: RecordFile,
) -> None:
    """Copy the record to a new file, also while it is in use, and check the copy."""
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened:
        opened.back_up(target)
    typer.echo(f"Wrote {target} and checked it. Keep it on another disk, as safe as the record.")


@record_app.command(epilog=epilog("layermotion record restore backups/monday.sqlite"))
def restore(
    backup: Annotated[
        Path, typer.Argument(metavar="BACKUP", dir_okay=False, help="File that back-up wrote.")
    ],
    record: RecordFile,
) -> None:
    """Put a back-up in place of the record; what was there is kept beside it.

    Patients that were deleted since the back-up was made are deleted from it again.
    """
    from layermotion.record.store import Record

    restored = Record.restore(backup, record)
    typer.echo(f"{record} is what {backup} holds.")
    if restored.kept is not None:
        typer.echo(f"What was there is kept as {restored.kept}.")
    if restored.deleted_again:
        typer.echo(f"Patients deleted again: {restored.deleted_again}.")
    if not restored.is_complete:
        typer.echo(
            "Which patients were deleted since the back-up was made is not known; delete them "
            "again."
        )


@record_app.command(
    epilog=epilog(
        'layermotion record withdraw P-017 --date 2026-03-01 --by KL --why "of another patient"'
    )
)
def withdraw(
    code: Code,
    day: Annotated[
        datetime,
        typer.Option(
            "--date", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Day of the visit."
        ),
    ],
    by: By,
    why: Why,
    record: RecordFile,
    number: Annotated[
        int | None,
        typer.Option("--number", min=1, help="Which visit of the day, from 1, where it has more."),
    ] = None,
) -> None:
    """Take back a visit that was entered by mistake, such as under another patient's code.

    Nothing of it counts any more, and its clips can be reviewed anew. The trail keeps all of it.
    """
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened:
        patient = opened.patient(code)
        visit = _visit_of(opened.visits(patient.patient_id), day.date(), number)
        opened.withdraw(visit.visit_id, by, why)
    typer.echo(f"The visit of {visit.day} of {patient.code} is withdrawn; nothing of it counts.")
    if visit.is_signed:
        typer.echo(
            f"It was signed by {visit.signed_by}: reports and exports that were written of it, in "
            f"folders whose names begin with {visit.folder_name}, do not change, so mark them or "
            f"take them back."
        )


@record_app.command(epilog=epilog("layermotion record export P-017 --out P-017.json"))
def export(
    code: Code,
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE", dir_okay=False, help="File to write; a new one."),
    ],
    record: RecordFile,
) -> None:
    """Write all that is held of one patient into one JSON file."""
    from layermotion.record.store import Record

    _refuse_existing(out)
    with Record.open(record, must_exist=True) as opened:
        opened.export_patient(opened.patient(code).patient_id, out)
    typer.echo(f"Wrote {out}.")


@record_app.command(
    epilog=epilog(
        'layermotion record delete P-017 --by KL --why "asked for" --receipt deleted-P-017.json'
    )
)
def delete(
    code: Code,
    by: By,
    why: Why,
    receipt: Annotated[
        Path,
        typer.Option(
            "--receipt", metavar="FILE", dir_okay=False, help="Proof to write; a new file."
        ),
    ],
    record: RecordFile,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Delete all that is held of one patient for good, and write a receipt.

    Back-ups and exports made before still hold the patient: delete them too.
    """
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened:
        patient = opened.patient(code)
        if not yes and not typer.confirm(f"Delete {patient.code} and every visit for good?"):
            raise InputError("Nothing was deleted.")
        proof = None
        try:
            # Begun first, so that a place that cannot be written is known before anything is gone.
            with _new_json(receipt) as write:
                proof = opened.delete_patient(patient.patient_id, by, why)
                write(proof.to_json())
        except InputError as error:
            if proof is None:
                raise
            raise InputError(
                f"{patient.code} is deleted, but the receipt {receipt} cannot be written; free "
                f"some space, then write it with: layermotion record receipts --out FILE"
            ) from error
    typer.echo(f"Deleted. Wrote {receipt}. Delete earlier back-ups, exports and reports as well.")


@record_app.command(epilog=epilog("layermotion record receipts --out receipts.json"))
def receipts(
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE", dir_okay=False, help="File to write; a new one."),
    ],
    record: RecordFile,
) -> None:
    """Write the receipts of all deletions again."""
    from layermotion.record.store import Record

    with Record.open(record, must_exist=True) as opened, _new_json(out) as write:
        write([receipt.to_json() for receipt in opened.receipts()])
    typer.echo(f"Wrote {out}.")


def _visit_of(visits: Sequence["Visit"], day: date, number: int | None) -> "Visit":
    """Choose the visit of a day that counts; the number decides where there are more."""
    found = [visit for visit in visits if visit.day == day]
    if not found:
        raise InputError(f"This patient has no visit on {day} that counts; see record export.")
    if number is None and len(found) > 1:
        known = (
            f"{k}: {f'signed by {v.signed_by}' if v.is_signed else 'not signed'}"
            for k, v in enumerate(found, start=1)
        )
        raise InputError(
            f"There are {len(found)} visits on {day} ({', '.join(known)}); choose one by --number."
        )
    chosen = number or 1
    if chosen > len(found):
        raise InputError(f"There are {len(found)} visits on {day}; give a number up to that.")
    return found[chosen - 1]


@contextmanager
def _new_json(path: Path) -> Iterator[Callable[[object], None]]:
    """Give what writes a document to a new file; no file if the block raises."""
    _refuse_existing(path)
    with atomic_path(path) as temporary:

        def write(document: object) -> None:
            text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
            temporary.write_text(text + "\n", encoding="utf-8", newline="")

        yield write


def _refuse_existing(path: Path) -> None:
    if path.exists():
        raise InputError(f"{path} exists and is not replaced; give another name.")
