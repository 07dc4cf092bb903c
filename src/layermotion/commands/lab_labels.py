"""Owns the commands about labels: options and help; the work itself is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    LabFolder,
    ModelsFolder,
)
from layermotion.extras import need
from layermotion.options import EXIT_SOME_FAILED

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
    from layermotion.network.segmenter import load_segmenter

    registry = Registry(models)
    name = registry.in_use()
    segmenter = load_segmenter(name, folder=registry.place(name))
    choices = write_proposals(open_lab(lab), segmenter, count, out, date.today())
    typer.echo(f"Wrote {len(choices)} frames with labels proposed by {name} to {out}.")


LabelSource = Annotated[
    Path,
    typer.Argument(
        metavar="LABELS",
        exists=True,
        help="COCO JSON, a label-mask PNG, a DICOM segmentation, or a folder of the latter two.",
    ),
]
SegmentationSecret = Annotated[
    Path | None,
    typer.Option(
        "--secret",
        metavar="FILE",
        dir_okay=False,
        help="Secret of the pseudonyms, for segmentations that refer to the scanner's own files.",
    ),
]


@app.command(epilog=epilog("layermotion lab check our-lab to-label/annotations.json"))
def check(lab: LabFolder, labels: LabelSource, secret: SegmentationSecret = None) -> None:
    """Check labels without storing them: one sentence for each fault. Exit code 1: faults."""
    _labels(lab, labels, secret, store=False)


@app.command(epilog=epilog("layermotion lab label our-lab to-label/labels"))
def label(lab: LabFolder, labels: LabelSource, secret: SegmentationSecret = None) -> None:
    """Store the labels of frames without a fault, and say what is wrong with the others."""
    _labels(lab, labels, secret, store=True)


def _labels(lab: Path, labels: Path, secret: Path | None, store: bool) -> None:
    need("This command needs", "train", ("pycocotools",))
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.labelling import check_labels, read_labels, store_labels

    opened = open_lab(lab)
    frames = read_labels(opened, labels, open_secret(opened, secret) if secret else None)
    report = (store_labels if store else check_labels)(opened, frames)
    for fault in report.faults:
        typer.echo(fault.sentence)
    done = "stored" if store else "sound"
    typer.echo(f"{len(report.sound)} of {len(frames)} frames {done}.")
    if report.faults:
        raise typer.Exit(EXIT_SOME_FAILED)
