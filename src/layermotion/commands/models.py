"""Owns the commands about weights in use: options and help; the work itself is done elsewhere."""

from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import By, CalibrationClips, ModelsFolder, group
from layermotion.errors import InputError
from layermotion.extras import need

models_app = group(
    "Weights in use: list, compare, promote and roll back, each with checksum and card."
)
Name = Annotated[str, typer.Argument(metavar="WEIGHTS", help="Name of the weights.")]


@models_app.command("list", epilog=epilog("layermotion models list"))
def list_models(models: ModelsFolder) -> None:
    """List shipped and local weights: which are in use, checksum, date, and what is wrong."""
    from layermotion.models.registry import Registry

    for model in Registry(models).models():
        mark = "in use" if model.is_in_use else ""
        origin = "local" if model.is_local else "shipped"
        typer.echo(f"{model.name:16}{mark:8}{origin:9}{model.sha256[:16]:18}{model.date}")
        if model.problem:
            typer.echo(f"    {model.problem}")


@models_app.command(epilog=epilog("layermotion models add runs/spring local-001"))
def add(
    run: Annotated[
        Path,
        typer.Argument(metavar="RUN", exists=True, file_okay=False, help="Folder of a run."),
    ],
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="A word and three digits: local-001.")
    ],
    models: ModelsFolder,
) -> None:
    """Export the weights of a training run, with their card, into the folder of local weights.

    Runs of cross-validation are refused, with all that began from them.
    """
    need("This command needs", "train", ("torch", "onnx"))
    from layermotion.consent.origins import origins_of, refuse_folds
    from layermotion.network.segmenter import weights_names
    from layermotion.training.export import export_weights, read_run
    from layermotion.training.tracking import record_files

    if name in weights_names():
        raise InputError(f"The name {name} is taken by shipped weights; choose another one.")
    refuse_folds(f"The run {run}", origins_of(read_run(run)["progress"]))
    card = export_weights(run, name, models)
    record_files(run, (card.with_suffix(".onnx"), card))
    typer.echo(
        f"Wrote {card}. Next: layermotion models calibrate {name} --models {models}, then: "
        f"layermotion lab judge LAB BUILD {name} --models {models}"
    )


@models_app.command(epilog=epilog("layermotion models calibrate local-001"))
def calibrate(
    name: Name,
    models: ModelsFolder,
    clips: CalibrationClips = None,
) -> None:
    """Find the errors of local weights on fresh synthetic clips, and store them in their card.

    They set the width of intervals; without them nothing is measured.
    """
    need("This command needs", "train", ("scipy",))
    from layermotion.commands.lab_learn import calibrate_weights
    from layermotion.evaluation.clips import CALIBRATION_CLIPS
    from layermotion.network.segmenter import read_card, weights_names

    if name not in weights_names(models):
        raise InputError(
            f"{models} holds no weights called {name}; list all with: layermotion models list "
            f"--models {models}"
        )
    read_card(name, models)
    calibrate_weights(models, name, clips or CALIBRATION_CLIPS)
    typer.echo(f"Stored in {models / name}.json.")


@models_app.command(epilog=epilog("layermotion models compare layers-008 local-001"))
def compare(
    before: Name,
    after: Annotated[
        str, typer.Argument(metavar="WEIGHTS", help="Name of the weights that would replace them.")
    ],
    models: ModelsFolder,
) -> None:
    """Show the stored comparison of two weights; lab judge makes it."""
    from layermotion.models.registry import Registry, judgement_text

    registry = Registry(models)
    judged = registry.judged(registry.card_sum(before), registry.card_sum(after))
    if judged is None:
        raise InputError(
            f"{after} was not judged against {before}; run: layermotion lab judge LAB BUILD "
            f"{after} --before {before}"
        )
    typer.echo(judgement_text(judged, before, after))


@models_app.command(epilog=epilog("layermotion models promote local-001 --by developer-1"))
def promote(name: Name, models: ModelsFolder, by: By) -> None:
    """Put weights into use; refused unless they were judged against those in use, and not worse."""
    from layermotion.models.registry import Registry

    Registry(models).promote(name, by)
    typer.echo(f"{name} is in use.")


@models_app.command("roll-back", epilog=epilog("layermotion models roll-back --by developer-1"))
def roll_back(models: ModelsFolder, by: By) -> None:
    """Return to the weights that were in use before."""
    from layermotion.models.registry import Registry

    typer.echo(f"{Registry(models).roll_back(by)} is in use again.")
