"""Owns the command that goes from labels to judged weights in one, and the one that says what next.

Every command imports what it needs when it runs, so that help stays quick.
"""

import json
import time
from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    SYNTHETIC_SCENES,
    SYNTHETIC_SHARE,
    CalibrationClips,
    LabFolder,
    ModelsFolder,
    Scenes,
)
from layermotion.commands.progress import telling
from layermotion.errors import InputError
from layermotion.extras import TRAINING, need
from layermotion.files import write_text
from layermotion.options import EXIT_INTERRUPTED

app = typer.Typer()
# In the folder of a run: what its weights are called.
EXPORTED_NAME = "exported.json"


@app.command(epilog=epilog("layermotion lab status our-lab"))
def status(lab: LabFolder, models: ModelsFolder) -> None:
    """Say what a laboratory holds, and the next command."""
    from layermotion.lab.folder import open_lab
    from layermotion.lab.status import next_command, read_status

    opened = open_lab(lab)
    found = read_status(opened, models)
    for line in found.lines(models):
        typer.echo(line)
    typer.echo(f"Next: {next_command(opened, models, found)}")


@app.command(epilog=epilog("layermotion lab learn our-lab spring steps=500"))
def learn(
    lab: LabFolder,
    build_name: Annotated[
        str, typer.Argument(metavar="BUILD", help="Name of the build; made if there is none.")
    ],
    models: ModelsFolder,
    overrides: Annotated[
        list[str] | None,
        typer.Argument(metavar="OVERRIDE", help="Settings of training to change, as name=value."),
    ] = None,
    held_out: Annotated[
        float,
        typer.Option(min=0.0, max=1.0, metavar="SHARE", help="Part of each site's subjects."),
    ] = 0.25,
    clips: CalibrationClips = None,
    scenes: Scenes = SYNTHETIC_SCENES,
) -> None:
    """Build, train, export, calibrate and judge in one; what is done already is not done again.

    The run lies in LAB/runs/BUILD, the weights in the folder of local weights. Stopped with Ctrl-C,
    the same command goes on. Each step has a command of its own: lab build, lab train, models add,
    models calibrate, lab judge.
    """
    need("This command needs", "train", (*TRAINING, "onnx", "pycocotools", "scipy"))
    from layermotion.evaluation.clips import CALIBRATION_CLIPS
    from layermotion.lab.builds import open_build
    from layermotion.lab.folder import open_lab
    from layermotion.lab.making import make_build
    from layermotion.lab.scoring import judge_weights
    from layermotion.lab.tuning import fine_tune
    from layermotion.models.registry import Registry, judgement_text
    from layermotion.network.segmenter import missing_errors, read_card
    from layermotion.training.composing import load_settings

    settings = load_settings("fine-tune", overrides or ())
    opened, registry = open_lab(lab), Registry(models)
    if not (opened.root / "builds" / build_name).exists():
        make_build(opened, build_name, held_out)
    build = open_build(opened, build_name)
    typer.echo(f"Build: {build.folder}, {len(build.subjects())} subjects")
    run = opened.root / "runs" / build_name
    result = fine_tune(build, registry, settings, SYNTHETIC_SHARE, run)
    if not result.is_finished:
        raise typer.Exit(EXIT_INTERRUPTED)
    typer.echo(f"Run: {run}, {result.step} steps")
    name = _exported(run, models)
    card = models / f"{name}.json"
    if missing_errors(read_card(name, models)["errors_px"]):
        calibrate_weights(models, name, clips or CALIBRATION_CLIPS)
    typer.echo(f"Weights: {card}")
    before = registry.in_use()
    judged = registry.judged(registry.card_sum(before), registry.card_sum(name))
    if judged is None:
        judged, rests = judge_weights(registry, build, before, name, scenes)
        typer.echo(rests)
    typer.echo(judgement_text(judged, before, name))
    if not judged.judgement.objections:
        typer.echo(f"Next: layermotion models promote {name} --by YOU --models {models}")


def _exported(run: Path, models: Path) -> str:
    """Name of the weights of a run, exported if they are not yet."""
    from layermotion.network.segmenter import weights_names
    from layermotion.training.export import export_weights
    from layermotion.training.tracking import record_files

    note, taken = run / EXPORTED_NAME, set(weights_names(models))
    free = (n for n in range(1, 1000) if f"local-{n:03d}" not in taken)
    name = f"local-{next(free, 0):03d}"
    if note.is_file():
        name = str(json.loads(note.read_text(encoding="utf-8"))["name"])
    if name == "local-000":
        raise InputError(f"{models} holds local-001 to local-999 already; take some away.")
    if name not in taken:
        write_text(note, json.dumps({"name": name}) + "\n")
        card = export_weights(run, name, models)
        record_files(run, (card.with_suffix(".onnx"), card))
    return name


def calibrate_weights(models: Path, name: str, count: int) -> None:
    """Calibrate with a bar, or a line for each clip where nobody looks on."""
    from layermotion.evaluation.clips import calibrate, calibration_numbers

    numbers = calibration_numbers(count)
    with telling(len(numbers), "calibrating") as tell:
        started_s = time.monotonic()
        calibrate(
            models, name, numbers, lambda n: tell.finish("clips", time.monotonic() - started_s)
        )
