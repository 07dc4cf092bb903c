"""Owns the commands that build, train and judge: options and help; work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.commands.lab_options import (
    SYNTHETIC_SCENES,
    SYNTHETIC_SHARE,
    BuildName,
    LabFolder,
    ModelsFolder,
    Overrides,
    Scenes,
)
from layermotion.extras import TRAINING, need
from layermotion.options import EXIT_INTERRUPTED

app = typer.Typer()
# What the weights of a fold are called, in the folder of its run.
FOLD_WEIGHTS = "fold-001"


@app.command(epilog=epilog("layermotion lab build our-lab spring --held-out 0.25"))
def build(
    lab: LabFolder,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the new build.")],
    held_out: Annotated[
        float,
        typer.Option(min=0.0, max=1.0, metavar="SHARE", help="Part of each site's subjects."),
    ] = 0.25,
    held_out_site: Annotated[
        list[str] | None,
        typer.Option(metavar="WORD", help="Site of which every subject is held out."),
    ] = None,
    use_untouched: Annotated[
        bool,
        typer.Option(
            "--use-untouched", help="Take proposals that nobody changed for labels as well."
        ),
    ] = False,
) -> None:
    """Freeze a version of the data set: labelled, sound, accepted and consented to today.

    All frames of a subject are in one split, and subjects keep theirs in later builds. The same
    picture in both splits stops the build. A few frames that nobody labelled come from each clip
    that may be trained on.
    """
    need("This command needs", "train", ("pycocotools",))
    from layermotion.lab.builds import Split
    from layermotion.lab.folder import open_lab
    from layermotion.lab.making import make_build

    sites = tuple(held_out_site or ())
    report = make_build(open_lab(lab), name, held_out, sites, use_untouched)
    for split in Split:
        frames, subjects = report.build.of(split), report.build.subjects(split)
        typer.echo(f"{split}: {len(frames)} frames of {len(subjects)} subjects")
    unlabelled = report.build.unlabelled
    number = len({f.subject for f in unlabelled})
    typer.echo(f"Without a label, to train on: {len(unlabelled)} frames of {number} subjects")
    for subject in report.without_consent:
        typer.echo(f"Left out, no valid consent: {subject}")
    for reason, number in sorted(report.left_out.items()):
        typer.echo(f"Left out, {reason}: {number} frames")
    typer.echo(f"Fingerprint {report.build.fingerprint}")
    typer.echo(f"Build: {report.build.folder}")


@app.command(
    epilog=epilog(
        "layermotion lab train our-lab spring --out runs/spring steps=500 batch_size=8 "
        "learning_rate=0.0005"
    )
)
def train(
    lab: LabFolder,
    build_name: BuildName,
    models: ModelsFolder,
    out: Annotated[
        Path, typer.Option("--out", metavar="RUN", file_okay=False, help="Folder of the run.")
    ],
    overrides: Overrides = None,
    synthetic_share: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=1.0,
            metavar="SHARE",
            help="Part of the examples that are no labelled local frames: the generator's, against "
            "forgetting, and a third of them local frames without a label.",
        ),
    ] = SYNTHETIC_SHARE,
    config: Annotated[
        str, typer.Option(metavar="NAME", help="Name of the settings file in configs.")
    ] = "fine-tune",
) -> None:
    """Train the weights in use further on a build, mixed with synthetic pictures.

    Stopped with Ctrl-C, it saves its state and exits with code 130; the same command goes on from
    there. Then: models add, models calibrate, lab judge.
    """
    need("This command needs", "train", (*TRAINING, "onnx", "pycocotools"))
    from layermotion.lab.builds import open_build
    from layermotion.lab.folder import open_lab
    from layermotion.lab.tuning import fine_tune
    from layermotion.models.registry import Registry
    from layermotion.training.composing import load_settings

    settings = load_settings(config, overrides or ())
    build = open_build(open_lab(lab), build_name)
    result = fine_tune(build, Registry(models), settings, synthetic_share, out)
    if not result.is_finished:
        raise typer.Exit(EXIT_INTERRUPTED)


@app.command(epilog=epilog("layermotion lab judge our-lab spring local-001"))
def judge(
    lab: LabFolder,
    build_name: BuildName,
    after: Annotated[str, typer.Argument(metavar="WEIGHTS", help="Weights to judge.")],
    models: ModelsFolder,
    before: Annotated[
        str | None,
        typer.Option(metavar="WEIGHTS", help="Weights to compare with; those in use if left out."),
    ] = None,
    scenes: Scenes = SYNTHETIC_SCENES,
) -> None:
    """Judge weights against those in use: held-out subjects, and the synthetic benchmark.

    For each structure and scanner, before and after, with 95 % intervals over subjects: the error
    of what would be measured at the site, what would be withheld there, Dice, Hausdorff 95 and
    mean surface distance, what was missed, and what was seen where nothing is. The result is kept;
    models promote asks for it. From 19 held-out subjects on, intervals of the weights widen to
    hold the errors found on them.
    """
    need("This command needs", "train", ("pycocotools", "scipy"))
    from layermotion.lab.builds import open_build
    from layermotion.lab.folder import open_lab
    from layermotion.lab.scoring import judge_weights
    from layermotion.models.registry import Registry, judgement_text

    registry = Registry(models)
    opened = open_build(open_lab(lab), build_name)
    old = before or registry.in_use()
    judged, rests = judge_weights(registry, opened, old, after, scenes)
    typer.echo(judgement_text(judged, old, after))
    if rests:
        typer.echo(rests)


@app.command(
    "cross-validate", epilog=epilog("layermotion lab cross-validate our-lab spring --folds 4")
)
def cross_validate_command(
    lab: LabFolder,
    build_name: BuildName,
    models: ModelsFolder,
    overrides: Overrides = None,
    folds: Annotated[
        int, typer.Option(min=2, metavar="N", help="How often to train, each time without a part.")
    ] = 4,
    scenes: Scenes = SYNTHETIC_SCENES,
) -> None:
    """Judge training on a build with every subject, where too few can be held out.

    Each subject is judged by weights that never saw it. The runs lie in LAB/runs/BUILD-K-of-N; no
    weights for use come from them. Stopped with Ctrl-C, the same command goes on.
    """
    need("This command needs", "train", (*TRAINING, "onnx", "pycocotools", "scipy"))
    from layermotion.lab.builds import Build, open_build
    from layermotion.lab.folder import open_lab
    from layermotion.lab.folds import cross_validate, folder_of, folds_of
    from layermotion.lab.tuning import fine_tune
    from layermotion.models.registry import Registry, tables_text
    from layermotion.network.segmenter import Segmenter, load_segmenter, weights_names
    from layermotion.training.composing import load_settings
    from layermotion.training.export import export_weights

    settings = load_settings("fine-tune", overrides or ())
    opened, registry = open_lab(lab), Registry(models)
    build = open_build(opened, build_name)

    def learn(fold: Build, number: int) -> Segmenter:
        run = folder_of(opened, build, folds, number)
        result = fine_tune(fold, registry, settings, SYNTHETIC_SHARE, run)
        if not result.is_finished:
            raise typer.Exit(EXIT_INTERRUPTED)
        if FOLD_WEIGHTS not in weights_names(run):
            export_weights(run, FOLD_WEIGHTS, run)
        typer.echo(f"Fold {number} of {folds}: {run}")
        return load_segmenter(FOLD_WEIGHTS, folder=run)

    old = registry.load(registry.in_use())
    judgement = cross_validate(folds_of(opened, build, folds), old, learn, scenes)
    typer.echo(tables_text(judgement))
    typer.echo(
        f"Training does harm: {'; '.join(judgement.objections)}."
        if judgement.objections
        else f"No harm is seen. Next: layermotion lab learn {lab} {build_name} --models {models}"
    )
