"""Owns the commands of the researcher's bench: options and help; the work is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import epilog
from layermotion.errors import InputError
from layermotion.extras import need
from layermotion.labels import MUSCLES, Structure
from layermotion.options import OutputFolder, number

ERROR_RATIO_RANGE = (0.001, 1000.0)
# A factor of 1 or less cannot be shown by a tool as good as a rater (our choice).
RATIO_MARGIN_RANGE = (1.01, 100.0)
# Of differences in mm, % or ratios (our choice).
PLAN_RANGE = (1e-4, 1e4)

studies = typer.Typer()


def _need_study_packages() -> None:
    need("Studies need", "study", ("scipy", "statsmodels", "pandas", "openpyxl"))


@studies.command(
    epilog=epilog("layermotion compare callipers.csv results --margin 1mm --out comparison")
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
            callback=number("--error-ratio", ERROR_RATIO_RANGE, "(a ratio of variances)"),
            help="Variance of the tool's error over that of a rater's, for Deming's line.",
        ),
    ] = 1.0,
    ratio_margin: Annotated[
        float | None,
        typer.Option(
            metavar="FACTOR",
            callback=number("--ratio-margin", RATIO_MARGIN_RANGE, "(a factor above 1)"),
            help="How many times as far from a rater as another rater the tool may be, such as "
            "1.25; tests that it is no worse.",
        ),
    ] = None,
) -> None:
    """Compare automatic with calliper values: bias, limits, reliability, raters' own spread.

    Needs the study extra: pip install 'layermotion[study]'.
    """
    _need_study_packages()
    from layermotion.agreement.command import parse_margins, run_compare
    from layermotion.agreement.study import StudyOptions

    options = StudyOptions(parse_margins(margin or []), log, error_ratio, ratio_margin)
    typer.echo(run_compare(manual, auto, out, options))


@studies.command(
    epilog=epilog("layermotion reliability repeats.csv --out reliability --save own-change.json")
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


@studies.command(
    epilog=epilog(
        "layermotion plan --icc 0.9 --icc-width 0.1 --raters 2 --sd 0.4 --margin 1.5\n"
        "  layermotion plan --subjects 20 --sessions 2 --raters 2 --repeats 3 --template entry.xlsx"
    )
)
def plan(
    icc: Annotated[
        float,
        typer.Option(
            metavar="ICC",
            callback=number("--icc", (0.0, 0.999), ""),
            help="Expected ICC of one measurement.",
        ),
    ] = 0.9,
    icc_width: Annotated[
        float,
        typer.Option(
            metavar="WIDTH",
            callback=number("--icc-width", (0.01, 0.99), ""),
            help="Wanted width of the 95 % interval of the ICC.",
        ),
    ] = 0.1,
    raters: Annotated[
        int, typer.Option(min=1, max=50, metavar="N", help="Raters who measure each subject.")
    ] = 2,
    offset_share: Annotated[
        float,
        typer.Option(
            metavar="SHARE",
            callback=number("--offset-share", (0.0, 0.95), ""),
            help="Share of the error variance that is constant offsets between raters.",
        ),
    ] = 0.2,
    least_icc: Annotated[
        float | None,
        typer.Option(
            metavar="ICC",
            callback=number("--least-icc", (0.0, 0.998), ""),
            help="ICC that the study is to show to be exceeded.",
        ),
    ] = None,
    sd: Annotated[
        float | None,
        typer.Option(
            metavar="SD",
            callback=number("--sd", PLAN_RANGE, "in the unit of the measure"),
            help="Expected SD of the differences between two methods, for limits of agreement.",
        ),
    ] = None,
    within_sd: Annotated[
        float | None,
        typer.Option(
            metavar="SD",
            callback=number("--within-sd", PLAN_RANGE, "in the unit of the measure"),
            help="Part of --sd that differs between repeats of one subject, where each gives "
            "--repeats.",
        ),
    ] = None,
    bias: Annotated[
        float,
        typer.Option(
            metavar="BIAS",
            callback=number("--bias", (-PLAN_RANGE[1], PLAN_RANGE[1]), "in the unit"),
            help="Expected mean difference between the two methods.",
        ),
    ] = 0.0,
    limits_within: Annotated[
        float | None,
        typer.Option(
            metavar="WIDTH",
            callback=number("--limits-within", PLAN_RANGE, "in the unit of the measure"),
            help="How exactly each limit should be known, plus or minus; half an SD if not given.",
        ),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option(
            metavar="MARGIN",
            callback=number("--margin", PLAN_RANGE, "in the unit of the measure"),
            help="Largest difference that does not matter.",
        ),
    ] = None,
    power: Annotated[
        float,
        typer.Option(
            metavar="SHARE", callback=number("--power", (0.5, 0.99), ""), help="Wanted power."
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
    repeats: Annotated[
        int, typer.Option(min=1, max=50, metavar="N", help="In the table, and for --within-sd.")
    ] = 3,
    both_sides: Annotated[
        bool, typer.Option("--both-sides", help="Left and right in the table.")
    ] = False,
    structure: Annotated[
        list[Structure] | None,
        typer.Option(help="What is in the table; EO, IO, TrA if not given."),
    ] = None,
) -> None:
    """Say how many subjects a study needs; write an empty table to fill in.

    Needs the study extra: pip install 'layermotion[study]'.
    """
    _need_study_packages()
    from layermotion.agreement.design import Design, write_template
    from layermotion.agreement.plan import Expectation, plan_words

    wanted = Expectation(
        icc=icc,
        icc_width=icc_width,
        raters=raters,
        repeats=sessions * placements * repeats,
        offset_share=offset_share,
        least_icc=least_icc,
        sd=sd,
        bias=bias,
        within_sd=within_sd,
        within=limits_within,
        margin=margin,
        power=power,
        subjects=subjects,
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
