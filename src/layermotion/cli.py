"""Owns the command line: options, help, exit codes; the work itself is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from layermotion import __version__
from layermotion.caution import CAUTION
from layermotion.caution import epilog as _epilog
from layermotion.commands.lab import lab_app
from layermotion.commands.lab_options import SecretFile
from layermotion.commands.models import models_app
from layermotion.commands.record import record_app
from layermotion.commands.studies import studies
from layermotion.errors import InputError, LayermotionError
from layermotion.extras import need
from layermotion.labels import Task, View
from layermotion.options import (
    EXIT_INTERRUPTED,
    EXIT_UNUSABLE,
    ClusterAddress,
    DepthOfView,
    DetectableFile,
    Exports,
    FrameRate,
    KeepIdentifiers,
    NoBrowser,
    NoIndex,
    NoOverlay,
    OutputFolder,
    PageCertificate,
    PageHost,
    PageKey,
    PagePort,
    PixelSize,
    RecordFile,
    SeveralDays,
    SiteChoice,
)
from layermotion.training.where import Elsewhere, SweepPlace

app = typer.Typer(
    add_completion=False,
    epilog=CAUTION,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(studies)
app.add_typer(lab_app, name="lab")
app.add_typer(models_app, name="models")
app.add_typer(record_app, name="record")


class ViewChoice(StrEnum):
    """The view of a measurement: stated, or found from the image."""

    AUTO = "auto"
    ABDOMINAL_WALL = View.ABDOMINAL_WALL.value
    BLADDER = View.BLADDER.value


class SideChoice(StrEnum):
    """The side of the body, as a visit has it; the bladder is seen from the middle."""

    LEFT = "left"
    RIGHT = "right"
    MIDLINE = "midline"


class ViewsToMake(StrEnum):
    """Which views the generator makes."""

    BOTH = "both"
    ABDOMINAL_WALL = View.ABDOMINAL_WALL.value
    BLADDER = View.BLADDER.value


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"layermotion {__version__}")
        raise typer.Exit


@app.callback()
def _layermotion(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Show the version and leave."
        ),
    ] = False,
) -> None:
    """Measure the abdominal-wall layers and the bladder base in ultrasound clips."""


@app.command(epilog=_epilog("layermotion measure drawin.dcm --task draw_in --out results"))
def measure(
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="SOURCE",
            exists=True,
            help="Clips: DICOM files, videos, folders of images, or stills.",
        ),
    ],
    out: OutputFolder,
    mm_per_pixel: PixelSize = None,
    depth_mm: DepthOfView = None,
    fps: FrameRate = None,
    task: Annotated[Task | None, typer.Option(help="What the patient was asked to do.")] = None,
    view: Annotated[ViewChoice, typer.Option(help="What the probe looks at.")] = ViewChoice.AUTO,
    site: SiteChoice = "most-even",
    no_overlay: NoOverlay = False,
    keep_identifiers: KeepIdentifiers = False,
    no_index: NoIndex = False,
    export: Exports = None,
    cluster: ClusterAddress = None,
) -> None:
    """Measure clips: thickness, change, slide, bladder-base displacement.

    Exit code 0: all clips were measured; 1: some failed and the others are written;
    2: the arguments or the input cannot be used.
    """
    from layermotion.commands.measure import MeasureOptions, measure_sources
    from layermotion.exchange.request import parse_exports

    options = MeasureOptions(
        mm_per_pixel=mm_per_pixel,
        depth_mm=depth_mm,
        frame_rate_hz=fps,
        task=task,
        view=None if view is ViewChoice.AUTO else View(view),
        site=site,
        overlay=not no_overlay,
        keep_identifiers=keep_identifiers,
        exports=parse_exports(export) if export is not None else (),
        index=not no_index,
    )
    raise typer.Exit(measure_sources(sources, out, options, cluster))


@app.command(epilog=_epilog("layermotion session visit.csv --against earlier-visit --out visit"))
def session(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="VISIT",
            exists=True,
            help="A folder whose files are named SIDE_TASK_REPEAT, such as left_draw_in_1.dcm, or "
            "listed in a table plan.csv in it; or such a table (CSV) with the columns file, task, "
            "side, repeat and where needed shows, view, mm_per_pixel, depth_mm, fps, site.",
        ),
    ],
    record: RecordFile,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", file_okay=False, help="Folder to write the results to."
        ),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            dir_okay=False,
            help="Measure nothing; write a table (CSV) of what lies in the folder, to fill in and "
            "then give as VISIT or leave in the folder as plan.csv.",
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            exists=True,
            file_okay=False,
            help="Results of an earlier visit to compare with.",
        ),
    ] = None,
    detectable: DetectableFile = None,
    several_days: SeveralDays = False,
    mm_per_pixel: PixelSize = None,
    depth_mm: DepthOfView = None,
    fps: FrameRate = None,
    site: SiteChoice = "most-even",
    no_overlay: NoOverlay = False,
    keep_identifiers: KeepIdentifiers = False,
    no_index: NoIndex = False,
    export: Exports = None,
) -> None:
    """Measure a whole visit: both sides, all tasks, repeats; one report.

    Recordings that an earlier run finished are not measured again. Single images come in pairs
    (left_draw_in_1_rest.png and left_draw_in_1_contracted.png) or as a split screen, named from
    left to right (left_draw_in_1_rest+contracted.png).

    Files without such names: layermotion session FOLDER --plan plan.csv lists them in a table.

    Exit code 0: all was measured; 1: some recordings failed and the others are written;
    2: the arguments or the input cannot be used.
    """
    from layermotion.commands.measure import MeasureOptions
    from layermotion.commands.session import run_session
    from layermotion.exchange.request import parse_exports

    options = MeasureOptions(
        mm_per_pixel=mm_per_pixel,
        depth_mm=depth_mm,
        frame_rate_hz=fps,
        site=site,
        overlay=not no_overlay,
        keep_identifiers=keep_identifiers,
        exports=parse_exports(export) if export is not None else (),
        index=not no_index,
    )
    if plan is not None:
        from layermotion.commands.listing import list_folder

        raise typer.Exit(list_folder(source, plan, options.of_source()))
    if out is None:
        raise InputError("Give --out a folder for the results, or --plan a table to write.")
    raise typer.Exit(
        run_session(
            source, out, options, against, detectable, several_days=several_days, held=record
        )
    )


@app.command(epilog=_epilog("layermotion review visit-folder --out reviewed"))
def review(
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="FOLDER|CLIP",
            help="Clips, or a folder of them: files named SIDE_TASK_REPEAT, such as "
            "left_draw_in_1.dcm, or named in a table plan.csv in it.",
        ),
    ],
    record: RecordFile,
    secret: SecretFile = None,
    out: Annotated[
        Path,
        typer.Option(
            metavar="DIR", file_okay=False, help="Folder for the final results of a signed visit."
        ),
    ] = Path("reviewed"),
    mm_per_pixel: PixelSize = None,
    depth_mm: DepthOfView = None,
    fps: FrameRate = None,
    task: Annotated[
        Task | None, typer.Option(help="What was done, where no name or table says it.")
    ] = None,
    side: Annotated[
        SideChoice | None,
        typer.Option(
            help="Side of the body, where no name or table says it; else it is chosen on the page."
        ),
    ] = None,
    site: SiteChoice = "most-even",
    export: Exports = None,
    detectable: DetectableFile = None,
    several_days: SeveralDays = False,
    lab: Annotated[
        Path | None,
        typer.Option(
            metavar="LAB",
            exists=True,
            file_okay=False,
            help="Folder of a laboratory, to which corrected frames of consenting people can be "
            "handed as labels.",
        ),
    ] = None,
    host: PageHost = "127.0.0.1",
    port: PagePort = 0,
    certificate: PageCertificate = None,
    key: PageKey = None,
    no_browser: NoBrowser = False,
) -> None:
    """Open the page of a visit: look at its clips, correct, confirm and sign.

    Clips are measured while the page is open. Every change is kept in the record; a visit that was
    begun goes on where it was. Once it is signed, reports and exports are written with the status
    final.

    Exit code 0: the page was ended; 2: the arguments or the input cannot be used.
    """
    from layermotion.commands.live import Served
    from layermotion.commands.measure import MeasureOptions
    from layermotion.commands.review import ReviewOptions, run_review
    from layermotion.exchange.request import parse_exports
    from layermotion.serving.run import tls_of
    from layermotion.session.plan import Side

    stated = MeasureOptions(mm_per_pixel=mm_per_pixel, depth_mm=depth_mm, frame_rate_hz=fps)
    options = ReviewOptions(
        record=record,
        out=out,
        task=task,
        side=Side(side) if side is not None else None,
        site=site,
        source=stated.of_source(),
        exports=parse_exports(export) if export is not None else (),
        detectable=detectable,
        lab=lab,
        secret=secret,
        several_days=several_days,
    )
    served = Served(host, port, tls_of(certificate, key), not no_browser)
    run_review(sources, options, served)


@app.command(
    epilog=_epilog("layermotion synthesize --view both --clips 2 --stills 10 --out synthetic-clips")
)
def synthesize(
    out: OutputFolder,
    view: Annotated[ViewsToMake, typer.Option(help="Views to make.")] = ViewsToMake.BOTH,
    clips: Annotated[
        int, typer.Option(min=0, metavar="N", help="Number of clips for each view.")
    ] = 1,
    stills: Annotated[
        int, typer.Option(min=0, metavar="N", help="Number of stills for each view.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=0, metavar="N", help="Number every random draw comes from.")
    ] = 0,
    cluster: ClusterAddress = None,
) -> None:
    """Make synthetic clips and stills with their exact truth, on all cores.

    The same seed gives the same files, however many cores or machines make them. A folder holds
    clips of one seed.

    Each NAME.truth.npz is read by numpy.load. It holds time_s of the frames, x_mm of the columns,
    edges_mm (frames, layers, superficial and deep, columns; mm below the top of the image area,
    layers in the order fat, EO, IO, TrA, bladder), base_displacement_mm (frames, towards the
    probe), slide_mm (frames, of the TrA against the EO: of what lies under the middle of the probe
    where no muscle works, zero there, and positive laterally), lateral_side (1 where lateral is to
    the right of the picture, -1 to the left), spacing_mm of rows and columns, area_px (top, left,
    height, width), view, task, pattern (which muscles work) and seed.

    measure gives a slide of another place, along the layer, and against the first rest, so it
    differs from slide_mm; scripts/motion.py compares like with like.
    """
    from layermotion.commands.progress import telling
    from layermotion.commands.spread import spread_over
    from layermotion_synthetic.write import synthesize as write_synthetic

    views = tuple(View) if view is ViewsToMake.BOTH else (View(view),)
    number = len(views) * (clips + stills)
    if number == 0:
        raise InputError("There is nothing to make; give --clips or --stills above 0.")
    with spread_over(cluster, number) as spread, telling(number, "drawing") as tell:
        write_synthetic(out.absolute(), views, clips, stills, seed, spread, tell.finish)


@app.command(epilog=_epilog("layermotion train --config smoke --out runs/first seed=1"))
def train(
    out: OutputFolder,
    overrides: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="OVERRIDE",
            help="Settings to change, as name=value; parts of them, as model=large; or the "
            "strength of a factor, as factors.noise=0.",
        ),
    ] = None,
    config: Annotated[
        str, typer.Option(metavar="NAME", help="Name of the settings file in configs.")
    ] = "train",
    sweep: Annotated[
        bool,
        typer.Option(
            "--sweep",
            help="Train with every combination of values, as learning_rate=1e-3,2e-3 "
            "model=small,large.",
        ),
    ] = False,
    where: Annotated[
        SweepPlace,
        typer.Option(
            help="Where a sweep runs: here, one run after the other; in processes of this "
            "computer, side by side; or as jobs of a Slurm cluster (both need the scale extra)."
        ),
    ] = SweepPlace.HERE,
    job: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VALUE",
            help="What to ask of the cluster for each run of a sweep, such as partition=gpu, "
            "gpus_per_node=1 or timeout_min=600; may be given several times.",
        ),
    ] = None,
    start_from: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="RUN|NAME",
            help="Start from the weights of a run (its folder) or from shipped weights (name).",
        ),
    ] = None,
    teacher: Annotated[
        str | None,
        typer.Option(
            metavar="RUN|NAME",
            help="Learn these weights' answers beside the truth; their network may be larger.",
        ),
    ] = None,
) -> None:
    """Train the segmentation network on synthetic images.

    Needs the train extra: pip install 'layermotion[train]'. Stopped with Ctrl-C, it saves its
    state and exits with code 130; the same command goes on from there.
    """
    need(
        "Training needs",
        "train",
        ("torch", "hydra", "segmentation_models_pytorch", "albumentations"),
    )
    for option, source in (("--from", start_from), ("--teacher", teacher)):
        if source == "":
            raise InputError(f"{option} is empty; name the folder of a run or shipped weights.")
    if sweep:
        if teacher is not None:
            raise InputError("A sweep has no teacher; leave out --teacher, or --sweep.")
        from layermotion.training.sweep import run_sweep, table_text

        place = Elsewhere(where, tuple(job or ()))
        rows = run_sweep(config, overrides or (), out, start_from, place)
        if rows is None:
            raise typer.Exit(EXIT_INTERRUPTED)
        typer.echo(table_text(rows))
        return
    if where is not SweepPlace.HERE or job:
        raise InputError("--where and --job say where a sweep runs; give --sweep as well.")
    from layermotion.commands.train import run_training

    if not run_training(config, overrides or (), out, start_from, teacher).is_finished:
        raise typer.Exit(EXIT_INTERRUPTED)


@app.command(epilog=_epilog("layermotion live 0 --depth-mm 60 --out live-results"))
def live(
    source: Annotated[
        str,
        typer.Argument(
            metavar="SOURCE",
            help="A capture device (its number, or /dev/videoN), a clip to be played, or a folder "
            "that the scanner writes clips into.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            file_okay=False,
            help="Folder for recordings and for the results of what is measured; without it "
            "nothing is kept.",
        ),
    ] = None,
    mm_per_pixel: PixelSize = None,
    depth_mm: DepthOfView = None,
    task: Annotated[Task | None, typer.Option(help="What the patient is asked to do.")] = None,
    view: Annotated[ViewChoice, typer.Option(help="What the probe looks at.")] = ViewChoice.AUTO,
    site: SiteChoice = "most-even",
    no_overlay: NoOverlay = False,
    host: PageHost = "127.0.0.1",
    port: PagePort = 0,
    certificate: PageCertificate = None,
    key: PageKey = None,
    no_browser: NoBrowser = False,
) -> None:
    """Show what the muscle does now, against today's rest and a target.

    Opens a page in the browser, for this computer alone. The patient's own view, without numbers,
    opens from there for a second screen. End with Ctrl-C.
    """
    from layermotion.commands.live import Served, run_live
    from layermotion.commands.measure import MeasureOptions
    from layermotion.serving.run import tls_of

    options = MeasureOptions(
        mm_per_pixel=mm_per_pixel,
        depth_mm=depth_mm,
        task=task,
        view=None if view is ViewChoice.AUTO else View(view),
        site=site,
        overlay=not no_overlay,
    )
    served = Served(host, port, tls_of(certificate, key), not no_browser)
    run_live(source, out, options, served)


@app.command(epilog=_epilog("layermotion demo --out demo-output"))
def demo(out: OutputFolder) -> None:
    """Make synthetic clips, measure them, write the reports."""
    from layermotion.commands.demo import run_demo

    run_demo(out)


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run one command and leave with its exit code; errors become one sentence on stderr."""
    try:
        app(arguments, prog_name="layermotion")
    except LayermotionError as error:
        print(f"layermotion: {error}", file=sys.stderr)
        sys.exit(EXIT_UNUSABLE)
    except KeyboardInterrupt:
        print("layermotion: stopped.", file=sys.stderr)
        sys.exit(EXIT_INTERRUPTED)
    sys.exit(0)


if __name__ == "__main__":
    main()
