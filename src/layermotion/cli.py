"""Owns the command line: options, help, exit codes; the work itself is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

import importlib.util
import math
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from layermotion import __version__
from layermotion.caution import CAUTION
from layermotion.caution import epilog as _epilog
from layermotion.errors import InputError, LayermotionError
from layermotion.lab.commands import lab_app
from layermotion.lab.model_commands import models_app
from layermotion.labels import MUSCLES, Structure, Task, View

EXIT_UNUSABLE = 2
EXIT_INTERRUPTED = 130

# Limits that only catch slips of the keyboard (our choice): the shallowest and the deepest
# view a scanner offers, and the rates between a slow sweep and high-speed imaging.
DEPTH_RANGE_MM = (10.0, 400.0)
FRAME_RATE_RANGE_HZ = (0.5, 2000.0)
ERROR_RATIO_RANGE = (0.001, 1000.0)
# Of differences in mm, % or ratios (our choice).
PLAN_RANGE = (1e-4, 1e4)

app = typer.Typer(
    add_completion=False,
    epilog=CAUTION,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(lab_app, name="lab")
app.add_typer(models_app, name="models")


class ViewChoice(StrEnum):
    """The view of a measurement: stated, or found from the image."""

    AUTO = "auto"
    ABDOMINAL_WALL = View.ABDOMINAL_WALL.value
    BLADDER = View.BLADDER.value


class ViewsToMake(StrEnum):
    """Which views the generator makes."""

    BOTH = "both"
    ABDOMINAL_WALL = View.ABDOMINAL_WALL.value
    BLADDER = View.BLADDER.value


def _number(
    option: str, limits: tuple[float, float], unit: str
) -> Callable[[float | None], float | None]:
    """Make a check for a number option; NaN lies outside every range."""
    low, high = limits

    def check(value: float | None) -> float | None:
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            raise InputError(
                f"{option} {value:g} is not possible; "
                f"give a number from {low:g} to {high:g} {unit}."
            )
        return value

    return check


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
        callback=_number("--depth-mm", DEPTH_RANGE_MM, "mm"),
        help="Depth of view in mm, instead of a pixel size.",
    ),
]
FrameRate = Annotated[
    float | None,
    typer.Option(
        "--fps",
        metavar="HZ",
        callback=_number("--fps", FRAME_RATE_RANGE_HZ, "frames per second"),
        help="Frames per second, for sources that state no times.",
    ),
]
SiteChoice = Annotated[
    str,
    typer.Option(
        "--site",
        metavar="muscle-centre|image-centre|junction:MM",
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
        help="Write further files: a DICOM structured report, a DICOM segmentation of the key "
        "frames (both of DICOM sources, with the exchange extra), FHIR observations.",
    ),
]


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
    site: SiteChoice = "muscle-centre",
    no_overlay: NoOverlay = False,
    keep_identifiers: KeepIdentifiers = False,
    export: Exports = None,
) -> None:
    """Measure clips: thickness, change, slide, bladder-base displacement.

    Exit code 0: all clips were measured; 1: some failed and the others are written;
    2: the arguments or the input cannot be used.
    """
    from layermotion.measure import MeasureOptions, measure_sources
    from layermotion.report.export import parse_exports

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
    )
    raise typer.Exit(measure_sources(sources, out, options))


@app.command(epilog=_epilog("layermotion session visit.csv --against earlier-visit --out visit"))
def session(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="VISIT",
            exists=True,
            help="A folder whose files are named SIDE_TASK_REPEAT, such as left_draw_in_1.dcm; or "
            "a CSV table with the columns file, task, side, repeat and where needed shows, view, "
            "mm_per_pixel, depth_mm, fps, site.",
        ),
    ],
    out: OutputFolder,
    against: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            exists=True,
            file_okay=False,
            help="Results of an earlier visit to compare with.",
        ),
    ] = None,
    detectable: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            exists=True,
            dir_okay=False,
            help="The clinic's own smallest detectable changes, as reliability saved them.",
        ),
    ] = None,
    mm_per_pixel: PixelSize = None,
    depth_mm: DepthOfView = None,
    fps: FrameRate = None,
    site: SiteChoice = "muscle-centre",
    no_overlay: NoOverlay = False,
    keep_identifiers: KeepIdentifiers = False,
    export: Exports = None,
) -> None:
    """Measure a whole visit: both sides, all tasks, repeats; one report.

    Recordings that an earlier run finished are not measured again. Single images come in pairs
    (left_draw_in_1_rest.png and left_draw_in_1_contracted.png) or as a split screen, named from
    left to right (left_draw_in_1_rest+contracted.png).

    Exit code 0: all was measured; 1: some recordings failed and the others are written;
    2: the arguments or the input cannot be used.
    """
    from layermotion.measure import MeasureOptions
    from layermotion.report.export import parse_exports
    from layermotion.session.command import run_session

    options = MeasureOptions(
        mm_per_pixel=mm_per_pixel,
        depth_mm=depth_mm,
        frame_rate_hz=fps,
        site=site,
        overlay=not no_overlay,
        keep_identifiers=keep_identifiers,
        exports=parse_exports(export) if export is not None else (),
    )
    raise typer.Exit(run_session(source, out, options, against, detectable))


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
) -> None:
    """Make synthetic clips and stills with their exact truth."""
    from synthetic.write import synthesize as write_synthetic

    views = tuple(View) if view is ViewsToMake.BOTH else (View(view),)
    write_synthetic(out, views, clips, stills, seed)


@app.command(epilog=_epilog("layermotion train --config smoke --out runs/first seed=1"))
def train(
    out: OutputFolder,
    overrides: Annotated[
        list[str] | None,
        typer.Argument(metavar="OVERRIDE", help="Settings to change, as name=value."),
    ] = None,
    config: Annotated[
        str, typer.Option(metavar="NAME", help="Name of the settings file in configs.")
    ] = "train",
    start_from: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="RUN|NAME",
            help="Start from the weights of a run (its folder) or from shipped weights (name).",
        ),
    ] = None,
) -> None:
    """Train the segmentation network on synthetic images.

    Needs the train extra: pip install 'layermotion[train]'. Stopped with Ctrl-C, it saves its
    state and exits with code 130; the same command goes on from there.
    """
    for package in ("torch", "hydra", "segmentation_models_pytorch", "albumentations"):
        if importlib.util.find_spec(package) is None:
            raise InputError(
                f"Training needs {package}, which is not installed; "
                f"run: pip install 'layermotion[train]'."
            )
    from layermotion.training.loop import main as run_training

    if not run_training(overrides or [], config, out, start_from=start_from).is_finished:
        raise typer.Exit(EXIT_INTERRUPTED)


def _need_study_packages() -> None:
    for package in ("scipy", "statsmodels", "openpyxl"):
        if importlib.util.find_spec(package) is None:
            raise InputError(
                f"Studies need {package}, which is not installed; "
                f"run: pip install 'layermotion[study]'."
            )


@app.command(
    epilog=_epilog("layermotion compare callipers.csv results --margin 1mm --out comparison")
)
def compare(
    manual: Annotated[
        Path,
        typer.Argument(
            metavar="MANUAL",
            exists=True,
            dir_okay=False,
            help="CSV or XLSX table of calliper values: clip, subject, rater, structure, measure, "
            "task, repeat, value, unit; or one column for each rater, such as RATER_mm.",
        ),
    ],
    auto: Annotated[
        list[Path],
        typer.Argument(
            metavar="AUTO",
            exists=True,
            help="Folders that measure or session wrote, measures.json files, or tables.",
        ),
    ],
    out: OutputFolder,
    margin: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NUMBER+UNIT",
            help="Largest difference that does not matter, such as 1mm; once for each unit.",
        ),
    ] = None,
    log: Annotated[
        bool, typer.Option("--log", help="Analyse ratios instead of differences.")
    ] = False,
    error_ratio: Annotated[
        float,
        typer.Option(
            metavar="RATIO",
            callback=_number("--error-ratio", ERROR_RATIO_RANGE, "(a ratio of variances)"),
            help="Variance of the tool's error over that of a rater's, for Deming's line.",
        ),
    ] = 1.0,
    seed: Annotated[
        int, typer.Option(min=0, metavar="N", help="Number every random draw comes from.")
    ] = 0,
) -> None:
    """Compare automatic with calliper values: bias, limits, reliability, raters' own spread.

    Needs the study extra: pip install 'layermotion[study]'.
    """
    _need_study_packages()
    from layermotion.agreement.command import parse_margins, run_compare
    from layermotion.agreement.study import StudyOptions

    options = StudyOptions(parse_margins(margin or []), log, error_ratio, seed)
    typer.echo(run_compare(manual, auto, out, options))


@app.command(
    epilog=_epilog("layermotion reliability repeats.csv --out reliability --save own-change.json")
)
def reliability(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE",
            exists=True,
            dir_okay=False,
            help="CSV or XLSX table of values with subject, measure, structure, unit, and any of "
            "session, placement, rater, repeat.",
        ),
    ],
    out: OutputFolder,
    auto: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="AUTO",
            exists=True,
            help="Tool outputs; TABLE then only says which subject, session, rater and placement "
            "each clip belongs to.",
        ),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            dir_okay=False,
            help="Save the smallest detectable changes as JSON, to judge later visits by.",
        ),
    ] = None,
) -> None:
    """Split the error of repeated values into its sources; say how many repeats to average.

    Needs the study extra: pip install 'layermotion[study]'.
    """
    _need_study_packages()
    from layermotion.agreement.command import run_reliability

    typer.echo(run_reliability(table, auto or [], out, save))


@app.command(
    epilog=_epilog(
        "layermotion plan --icc 0.9 --icc-width 0.1 --raters 2 --sd 0.4 --margin 1.5\n"
        "  layermotion plan --subjects 20 --sessions 2 --raters 2 --repeats 3 --template entry.xlsx"
    )
)
def plan(
    icc: Annotated[
        float,
        typer.Option(
            metavar="ICC", callback=_number("--icc", (0.0, 0.999), ""), help="Expected ICC."
        ),
    ] = 0.9,
    icc_width: Annotated[
        float,
        typer.Option(
            metavar="WIDTH",
            callback=_number("--icc-width", (0.01, 0.99), ""),
            help="Wanted width of the 95 % interval of the ICC.",
        ),
    ] = 0.1,
    raters: Annotated[
        int, typer.Option(min=1, max=50, metavar="N", help="Raters who measure each subject.")
    ] = 2,
    sd: Annotated[
        float | None,
        typer.Option(
            metavar="SD",
            callback=_number("--sd", PLAN_RANGE, "in the unit of the measure"),
            help="Expected SD of the differences between two methods, for limits of agreement.",
        ),
    ] = None,
    bias: Annotated[
        float,
        typer.Option(
            metavar="BIAS",
            callback=_number("--bias", (-PLAN_RANGE[1], PLAN_RANGE[1]), "in the unit"),
            help="Expected mean difference between the two methods.",
        ),
    ] = 0.0,
    limits_within: Annotated[
        float | None,
        typer.Option(
            metavar="WIDTH",
            callback=_number("--limits-within", PLAN_RANGE, "in the unit of the measure"),
            help="How exactly each limit should be known, plus or minus; half an SD if not given.",
        ),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option(
            metavar="MARGIN",
            callback=_number("--margin", PLAN_RANGE, "in the unit of the measure"),
            help="Largest difference that does not matter.",
        ),
    ] = None,
    power: Annotated[
        float,
        typer.Option(
            metavar="SHARE", callback=_number("--power", (0.5, 0.99), ""), help="Wanted power."
        ),
    ] = 0.8,
    subjects: Annotated[
        int | None,
        typer.Option(
            min=3, max=10_000, metavar="N", help="A number of subjects to judge, or to list."
        ),
    ] = None,
    template: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            dir_okay=False,
            help="Write an empty table of the study to fill in (.xlsx or .csv).",
        ),
    ] = None,
    sessions: Annotated[int, typer.Option(min=1, max=50, metavar="N", help="In the table.")] = 1,
    placements: Annotated[int, typer.Option(min=1, max=50, metavar="N", help="In the table.")] = 1,
    repeats: Annotated[int, typer.Option(min=1, max=50, metavar="N", help="In the table.")] = 3,
    both_sides: Annotated[
        bool, typer.Option("--both-sides", help="Left and right in the table.")
    ] = False,
    structure: Annotated[
        list[Structure] | None, typer.Option(help="Layers in the table; EO, IO, TrA if not given.")
    ] = None,
) -> None:
    """Say how many subjects a study needs; write an empty table to fill in.

    Needs the study extra: pip install 'layermotion[study]'.
    """
    _need_study_packages()
    from layermotion.agreement.design import Design, write_template
    from layermotion.agreement.plan import Expectation, plan_words

    measurements = raters if raters > 1 else sessions * placements * repeats
    wanted = Expectation(
        icc, icc_width, measurements, sd, bias, limits_within, margin, power, subjects
    )
    sentences = list(plan_words(wanted))
    if template is not None:
        if subjects is None:
            raise InputError("--template needs the number of subjects; give --subjects.")
        sides = ("left", "right") if both_sides else ()
        layers = tuple(structure or MUSCLES)
        design = Design(subjects, sessions, raters, placements, repeats, sides, layers)
        sentences.append(f"{template}: {write_template(template, design)} values to fill in.")
    typer.echo("\n".join(sentences))


@app.command(epilog=_epilog("layermotion demo --out demo-output"))
def demo(out: OutputFolder) -> None:
    """Make synthetic clips, measure them, write the reports."""
    from layermotion.demo import run_demo

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
