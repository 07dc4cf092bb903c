"""Owns the options that several commands share, with their checks."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from layermotion.errors import InputError
from layermotion.limits import DEPTH_RANGE_MM, FRAME_RATE_RANGE_HZ
from layermotion.places import default_record

# Exit codes: some sources failed, nothing can be used, stopped with Ctrl-C (as shells have it).
EXIT_SOME_FAILED, EXIT_UNUSABLE, EXIT_INTERRUPTED = 1, 2, 130


def number(
    option: str, limits: tuple[float, float], unit: str
) -> Callable[[float | None], float | None]:
    """Make a check for a number option; NaN lies outside every range."""
    low, high = limits

    def check(value: float | None) -> float | None:
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            raise InputError(
                f"{option} {value:g} is not possible; "
                f"give a number from {low:g} to {high:g}{unit and f' {unit}'}."
            )
        return value

    return check


OutputFolder = Annotated[
    Path,
    typer.Option("--out", metavar="DIR", file_okay=False, help="Folder to write the results to."),
]

PixelSize = Annotated[
    str | None,
    typer.Option(
        "--mm-per-pixel",
        metavar="MM|ROW,COLUMN",
        help="Pixel size in mm, for sources that state none: one value, "
        "or depth and lateral spacing such as 0.08,0.11.",
    ),
]
DepthOfView = Annotated[
    float | None,
    typer.Option(
        "--depth-mm",
        metavar="MM",
        callback=number("--depth-mm", DEPTH_RANGE_MM, "mm"),
        help="Depth of view in mm, instead of a pixel size.",
    ),
]
FrameRate = Annotated[
    float | None,
    typer.Option(
        "--fps",
        metavar="HZ",
        callback=number("--fps", FRAME_RATE_RANGE_HZ, "frames per second"),
        help="Frames per second, for sources that state no times.",
    ),
]
SiteChoice = Annotated[
    str,
    typer.Option(
        "--site",
        metavar="most-even|muscle-centre|image-centre|junction:MM",
        help="Where thickness is read; junction:25 is 25 mm lateral to the medial TrA junction.",
    ),
]
NoOverlay = Annotated[
    bool, typer.Option("--no-overlay", help="Do not write the overlay picture or video.")
]
KeepIdentifiers = Annotated[
    bool,
    typer.Option(
        "--keep-identifiers", help="Keep patient identifiers in the results; off by default."
    ),
]
Exports = Annotated[
    str | None,
    typer.Option(
        "--export",
        metavar="sr,seg,fhir",
        help="Write further files: a DICOM structured report, a DICOM segmentation of every "
        "frame (both of DICOM sources, with the exchange extra), FHIR observations.",
    ),
]
SeveralDays = Annotated[
    bool,
    typer.Option(
        "--several-days",
        help="Recordings of different days are meant; without it they are asked about.",
    ),
]
NoIndex = Annotated[
    bool,
    typer.Option(
        "--no-index",
        help="Do not write index.csv, which says which file each result is of; it is for this "
        "computer and is not to be handed on.",
    ),
]
ClusterAddress = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Dask scheduler whose workers do it, such as tcp://10.0.0.5:8786; they need the same "
        "folders as this computer.",
    ),
]
PageHost = Annotated[
    str,
    typer.Option(
        "--host",
        metavar="ADDRESS",
        help="Address of this computer to serve the page at; beyond this computer it needs "
        "--certificate and --key.",
    ),
]
PagePort = Annotated[
    int,
    typer.Option("--port", min=0, max=65535, metavar="N", help="Port of the page; 0: a free one."),
]
PageCertificate = Annotated[
    Path | None,
    typer.Option(
        "--certificate",
        metavar="FILE",
        exists=True,
        dir_okay=False,
        help="Certificate of the page (PEM).",
    ),
]
PageKey = Annotated[
    Path | None,
    typer.Option(
        "--key",
        metavar="FILE",
        exists=True,
        dir_okay=False,
        help="Private key of the certificate (PEM).",
    ),
]
NoBrowser = Annotated[
    bool, typer.Option("--no-browser", help="Do not open the page; print its link alone.")
]
RecordFile = Annotated[
    Path,
    typer.Option(
        "--record",
        metavar="FILE",
        dir_okay=False,
        default_factory=default_record,
        show_default="in the folder for your data",
        help="File of the record over time.",
    ),
]
DetectableFile = Annotated[
    Path | None,
    typer.Option(
        "--detectable",
        metavar="FILE",
        exists=True,
        dir_okay=False,
        help="The clinic's own smallest detectable changes, as reliability saved them.",
    ),
]
