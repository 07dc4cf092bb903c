"""Owns the commands that bring clips in and review them: options and help; work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import LabFolder, SecretFile, Site
from layermotion.errors import InputError
from layermotion.labels import View
from layermotion.options import EXIT_SOME_FAILED
from layermotion.places import default_secret

app = typer.Typer()

Clips = Annotated[
    list[str] | None,
    typer.Argument(metavar="CLIP", help="Names of clips; every pending one if left out."),
]


@app.command(epilog=epilog("layermotion lab init our-lab --secret keys/lab-secret"))
def init(
    lab: LabFolder,
    secret: Annotated[
        Path,
        typer.Option(
            "--secret",
            metavar="FILE",
            dir_okay=False,
            default_factory=default_secret,
            show_default="in your settings folder",
            help="File with the secret of the pseudonyms; keep it apart from the data.",
        ),
    ],
) -> None:
    """Make the folder of a laboratory, and its secret where there is none yet.

    Without the secret no new pseudonym fits the old ones: keep a copy in a safe place, never
    beside the data. The other commands remember where it lies.
    """
    from layermotion.lab.folder import create_lab

    create_lab(lab, secret)
    typer.echo(f"{lab} is ready. Its secret is {secret}; keep a copy apart from the data.")


@app.command("import", epilog=epilog("layermotion lab import our-lab scans --site clinic-a"))
def import_scans(
    lab: LabFolder,
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE",
            help="Folder of DICOM files; or of one folder for each subject, named by its local "
            "identifier, with videos and pictures in it.",
        ),
    ],
    site: Site,
    secret: SecretFile = None,
    scanner: Annotated[
        str | None,
        typer.Option(
            metavar="WORD",
            help="Your word for the scanner; without it, each make goes by a pseudonym.",
        ),
    ] = None,
    view: Annotated[View | None, typer.Option(help="What all clips of the folder show.")] = None,
    mm_per_pixel: Annotated[
        str | None,
        typer.Option(
            metavar="MM|ROW,COLUMN", help="Pixel size in mm, for files that do not state it."
        ),
    ] = None,
    depth_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="Depth of view, instead of a pixel size.")
    ] = None,
    fps: Annotated[
        float | None, typer.Option(metavar="HZ", help="Frames per second, where not stated.")
    ] = None,
) -> None:
    """Import clips of consenting subjects, without identity and with burned-in text masked.

    Files of subjects without a valid consent are refused; the report names them by pseudonym
    alone. Headers follow the basic profile of DICOM PS3.15 Annex E, and all but the image area is
    black. A contact sheet of each clip is written to review/: look for text inside the picture,
    mask it with lab mask, then accept or reject the clips. Exit code 1: something was refused.
    """
    from layermotion.clip.source import SourceOptions, parse_mm_per_pixel
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.importing import ImportOptions, import_folder
    from layermotion.lab.review import without_sheet, write_sheets

    opened = open_lab(lab)
    options = ImportOptions(
        site,
        scanner,
        SourceOptions(
            mm_per_pixel=parse_mm_per_pixel(mm_per_pixel) if mm_per_pixel else None,
            depth_mm=depth_mm,
            frame_rate_hz=fps,
            view=view,
        ),
    )
    report = import_folder(opened, open_secret(opened, secret), source, options)
    typer.echo(
        f"Clips imported into {opened.root / 'clips'}: {len(report.imported)}; here already: "
        f"{report.known}."
    )
    for subject in report.refused:
        typer.echo(f"Refused, no valid consent for this site, issuer and ID: {subject}")
    for sentence in report.failed:
        typer.echo(sentence)
    # With those of an import that was killed before it wrote its sheet.
    for sheet in write_sheets(opened, without_sheet(opened), "import"):
        typer.echo(f"Look through {sheet}")
    if report.refused or report.failed:
        raise typer.Exit(EXIT_SOME_FAILED)


@app.command(epilog=epilog("layermotion lab clips our-lab"))
def clips(lab: LabFolder) -> None:
    """List every clip: subject, site, scanner, frames, scale, review, labelled frames."""
    from layermotion.lab.folder import open_lab

    opened = open_lab(lab)
    consents, keys = opened.consents(), opened.label_keys()
    for name, record in opened.clips().items():
        labelled = sum(key.startswith(f"{name}-") for key in keys)
        spacing = record.spacing
        scale = f"{spacing.row_mm:.4g} x {spacing.column_mm:.4g} mm" if spacing else "no scale"
        typer.echo(
            f"{name}  {record.subject}  {record.site}  {record.scanner}  {record.frames} frames, "
            f"{scale}, {record.review}, {labelled} labelled"
            f"{'' if consents.get(record.subject) else ', no consent'}"
        )


@app.command(epilog=epilog("layermotion lab accept our-lab our-lab/review/import-1.png"))
def accept(
    lab: LabFolder,
    seen: Annotated[
        list[str],
        typer.Argument(
            metavar="SHEET|CLIP", help="Contact sheets that you looked through, or names of clips."
        ),
    ],
) -> None:
    """State that you looked at clips and no identity is left in the picture.

    Of a sheet every clip is accepted that waits for review: reject or mask the others before.
    """
    from layermotion.lab.folder import Review, open_lab
    from layermotion.lab.review import clips_on, record_review

    opened = open_lab(lab)
    sheets = [Path(each) for each in seen if each.endswith(".png")]
    named = [each for each in seen if not each.endswith(".png")]
    shown = clips_on(opened, sheets) if sheets else ()
    chosen = tuple(dict.fromkeys((*named, *shown)))
    record_review(opened, chosen, Review.ACCEPTED)
    typer.echo(f"Accepted {len(chosen)} clips.")


@app.command(epilog=epilog("layermotion lab reject our-lab c-0123456789ab"))
def reject(
    lab: LabFolder,
    names: Annotated[list[str], typer.Argument(metavar="CLIP", help="Names of clips.")],
) -> None:
    """Keep clips out of proposals and builds."""
    from layermotion.lab.folder import Review, open_lab
    from layermotion.lab.review import record_review

    record_review(open_lab(lab), tuple(names), Review.REJECTED)
    typer.echo(f"Rejected {len(names)} clips.")


@app.command(epilog=epilog("layermotion lab mask our-lab c-0123456789ab --box 52,80,20,90"))
def mask(
    lab: LabFolder,
    name: Annotated[str, typer.Argument(metavar="CLIP", help="Name of the clip.")],
    box: Annotated[
        str, typer.Option(metavar="TOP,LEFT,HEIGHT,WIDTH", help="Box in pixels of the frame.")
    ],
) -> None:
    """Blacken a box in every frame of a clip, for text that was left; it then waits for review."""
    from layermotion.lab.folder import open_lab
    from layermotion.lab.review import mask_box

    parts = box.split(",")
    if len(parts) != 4 or not all(part.strip().isdecimal() for part in parts):
        raise InputError(f"{box!r} is no box; give TOP,LEFT,HEIGHT,WIDTH such as 52,80,20,90.")
    top, left, height, width = (int(part) for part in parts)
    mask_box(open_lab(lab), name, (top, left, height, width))
    typer.echo(f"Masked; {name} waits for review.")


@app.command(epilog=epilog("layermotion lab sheets our-lab"))
def sheets(lab: LabFolder, names: Clips = None) -> None:
    """Write contact sheets again, such as after masking."""
    from layermotion.lab.folder import open_lab
    from layermotion.lab.review import waiting, write_sheets

    opened = open_lab(lab)
    chosen = names or waiting(opened)
    if not chosen:
        raise InputError("No clip waits for review; name the clips.")
    records = tuple(opened.clip(name) for name in chosen)
    for sheet in write_sheets(opened, records, "again"):
        typer.echo(f"Look through {sheet}")
