"""Owns the commands about labels: options and help; the work itself is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    LabFolder,
    ModelsFolder,
    SecretFile,
)
from layermotion.extras import need
from layermotion.options import EXIT_SOME_FAILED

if TYPE_CHECKING:
    from layermotion.lab.annotations import LabelledFrame
    from layermotion.lab.folder import Lab
    from layermotion.lab.labelling import LabelReport

app = typer.Typer()


@app.command(epilog=epilog("layermotion lab propose our-lab --count 20 --out to-label"))
def propose(
    lab: LabFolder,
    models: ModelsFolder,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", file_okay=False, help="Folder to write to.")
    ],
    count: Annotated[int, typer.Option(min=1, metavar="N", help="Number of frames.")] = 20,
) -> None:
    """Choose frames worth labelling and write them with proposed labels.

    Frames are uncertain to the weights in use and unlike each other. images/, labels/ (mask
    values 0 to 5) and annotations.json (COCO) open in any general editor; correct either the
    masks or the COCO file, keep the names, and bring it back with lab label.
    """
    need("This command needs", "train", ("pycocotools",))
    from layermotion.lab.folder import open_lab
    from layermotion.lab.proposals import propose as write_proposals
    from layermotion.models.registry import Registry

    registry = Registry(models)
    name = registry.in_use()
    segmenter = registry.load(name, threads=0)
    choices = write_proposals(open_lab(lab), segmenter, count, out)
    typer.echo(f"Wrote {len(choices)} frames with labels proposed by {name} to {out}.")


LabelSource = Annotated[
    Path,
    typer.Argument(
        metavar="LABELS",
        exists=True,
        help="COCO JSON, a label-mask PNG, a DICOM segmentation, or a folder of the latter two.",
    ),
]
AsDrawn = Annotated[
    bool,
    typer.Option(
        "--as-drawn",
        help="State that layers which lie where another one was proposed, or are moved, are meant "
        "so.",
    ),
]


@app.command(epilog=epilog("layermotion lab check our-lab to-label/annotations.json"))
def check(
    lab: LabFolder, labels: LabelSource, secret: SecretFile = None, as_drawn: AsDrawn = False
) -> None:
    """Check labels without storing them: one sentence for each fault. Exit code 1: faults.

    Where labels were proposed, layers that were taken for each other or moved are named as well.
    """
    from layermotion.lab.labelling import check_labels

    opened, frames = _read(lab, labels, secret)
    _show(check_labels(opened, frames, as_drawn), len(frames), "sound")


@app.command(epilog=epilog("layermotion lab label our-lab to-label/labels --by physio-3"))
def label(
    lab: LabFolder,
    labels: LabelSource,
    by: Annotated[str, typer.Option("--by", metavar="WHO", help="Who drew or corrected them.")],
    secret: SecretFile = None,
    as_drawn: AsDrawn = False,
) -> None:
    """Store the labels of frames without a fault, and say what is wrong with the others.

    Who corrected a label is kept with it. A proposal that comes back as it went out is counted
    apart, is not trained on unless lab build is told to, and never replaces a label that a person
    drew.
    """
    from layermotion.lab.labelling import read_note, store_labels

    opened, frames = _read(lab, labels, secret)
    report = store_labels(opened, frames, by, as_drawn)
    untouched = sum(read_note(opened, key).is_untouched for key in report.sound)
    _show(report, len(frames), f"stored in {opened.root / 'labels'}, {untouched} of them untouched")


def _read(lab: Path, labels: Path, secret: Path | None) -> tuple["Lab", list["LabelledFrame"]]:
    need("This command needs", "train", ("pycocotools",))
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.labelling import read_labels

    opened = open_lab(lab)
    has_segmentations = labels.suffix.lower() == ".dcm" or bool(list(labels.glob("*.dcm")))
    key = open_secret(opened, secret) if has_segmentations else None
    return opened, read_labels(opened, labels, key)


def _show(report: "LabelReport", count: int, done: str) -> None:
    for fault in report.faults:
        typer.echo(fault.sentence)
    for key in report.kept:
        typer.echo(f"{key}: the proposal as it went out, so the label that a person drew stays.")
    typer.echo(f"{len(report.sound)} of {count} frames {done}.")
    if report.faults:
        raise typer.Exit(EXIT_SOME_FAILED)
