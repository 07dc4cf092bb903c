"""Owns the words that commands of the lab share: their groups, folders, names and extras."""

from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import CAUTION
from layermotion.places import default_models

DAY_FORMATS = ["%Y-%m-%d"]
# Part of the training pictures that the generator makes, against forgetting (our choice; what it
# gives is reported by scripts/adapt.py).
SYNTHETIC_SHARE = 0.75
# Scenes of the synthetic benchmark (our choice: one picture with layers taken for each other
# changes the error of 200 by 5 %, as much as judging allows, and that of so many by 1 %).
SYNTHETIC_SCENES = 1000


def group(text: str) -> typer.Typer:
    """Make a group of commands, with its help."""
    return typer.Typer(
        help=text,
        epilog=CAUTION,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )


LabFolder = Annotated[
    Path, typer.Argument(metavar="LAB", help="Folder of the laboratory, made by lab init.")
]
SecretFile = Annotated[
    Path | None,
    typer.Option(
        "--secret",
        metavar="FILE",
        dir_okay=False,
        show_default="where lab init put it",
        help="File with the secret of the pseudonyms, if it was moved.",
    ),
]
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
Site = Annotated[
    str,
    typer.Option(
        metavar="WORD", help="Your word for the place; the same ID elsewhere is another person."
    ),
]
Issuer = Annotated[
    str,
    typer.Option(
        metavar="WORD", help="Who gave the ID (Issuer of Patient ID), if the files state it."
    ),
]
ModelsFolder = Annotated[
    Path,
    typer.Option(
        "--models",
        metavar="DIR",
        file_okay=False,
        default_factory=default_models,
        show_default="in your settings folder",
        help="Folder of local weights and their history.",
    ),
]
BuildName = Annotated[str, typer.Argument(metavar="BUILD", help="Name of the build.")]
Overrides = Annotated[
    list[str] | None, typer.Argument(metavar="OVERRIDE", help="Settings to change, as name=value.")
]
Scenes = Annotated[int, typer.Option(min=1, metavar="N", help="Scenes of the synthetic benchmark.")]
CalibrationClips = Annotated[
    int | None,
    typer.Option(
        "--clips", min=4, metavar="N", help="Synthetic clips, and as many more of the bladder."
    ),
]
By = Annotated[str, typer.Option("--by", metavar="WHO", help="Who records this.")]
