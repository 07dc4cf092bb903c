"""Owns where the files of this computer's user lie, unless a command names another place."""

import os
import sys
from pathlib import Path

import typer


def default_secret() -> Path:
    """Return the file with the secret of the pseudonyms."""
    return Path(typer.get_app_dir("layermotion")) / "lab-secret"


def default_models() -> Path:
    """Return the folder of local weights and their history."""
    return Path(typer.get_app_dir("layermotion")) / "models"


def default_visit_secret() -> Path:
    """Return the file with the secret by which visits are told to be of one person."""
    return Path(typer.get_app_dir("layermotion")) / "visit-secret"


def default_record() -> Path:
    """Return the file of the record over time, in the folder for this user's data."""
    stated = Path(os.environ.get("XDG_DATA_HOME", ""))
    if stated.is_absolute():
        folder = stated / "layermotion"
    elif sys.platform == "linux":
        folder = Path.home() / ".local" / "share" / "layermotion"
    else:
        folder = Path(typer.get_app_dir("layermotion"))
    return folder / "record.sqlite"
