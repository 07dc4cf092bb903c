"""Owns the commands of the bench: tables in, a folder with report, figures and CSV out."""

import math
import platform
from collections.abc import Iterable, Sequence
from dataclasses import astuple, fields
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from layermotion import __version__
from layermotion.agreement.account import Flow, Outlier, flow_of, outliers_of
from layermotion.agreement.auto import read_auto
from layermotion.agreement.design import read_design
from layermotion.agreement.detectable import write_detectable_changes
from layermotion.agreement.estimate import STATISTIC_COLUMNS
from layermotion.agreement.join import Joined, join, refuse_negative, without_means
from layermotion.agreement.page import build_compare_page, build_reliability_page, page_mark
from layermotion.agreement.plausible import implausible
from layermotion.agreement.plots import draw_comparison, draw_overview
from layermotion.agreement.readings import (
    LEFT_OUT,
    TEXT_COLUMNS,
    UNITS,
    Table,
    Unused,
    doubled,
    keys_of,
    rows_have,
    unused_auto,
    unused_rows,
)
from layermotion.agreement.reliability import analyse_reliability
from layermotion.agreement.reliability_plots import draw_reliability
from layermotion.agreement.study import StudyOptions, compare
from layermotion.agreement.table import NUMBER, read_table
from layermotion.agreement.units import check_units_of_repeats
from layermotion.agreement.writing import (
    PAIR_COLUMNS,
    pair_rows,
    reliability_rows,
    sha256,
    write_csv,
    write_drawings,
    write_unused,
)
from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.measures.measure import MEAN
from layermotion.provenance import code_digest

# Files that the commands write, apart from the figures; and how these tables begin.
HEADINGS = {
    "figures.csv": "measure,structure,",
    "pairs.csv": ",".join(PAIR_COLUMNS[:3]),
    "unmatched.csv": "table,what,reason",
    "flow.csv": "measure,structure,unit",
    "outliers.csv": "measure,structure,unit",
}
OWN_FILES = ("report.html", *HEADINGS)


def parse_margins(texts: Sequence[str]) -> dict[str, float]:
    """Read margins such as ``0.5mm``, ``10%`` or ``0.1ratio``.

    Examples
    --------
    >>> parse_margins(["0.5mm", "10 %"])
    {'mm': 0.5, '%': 10.0}
    """
    margins: dict[str, float] = {}
    for text in texts:
        plain = text.strip().lower()
        unit = next((unit for unit in UNITS if plain.endswith(unit)), "")
        number = plain.removesuffix(unit).strip()
        value = float(number) if NUMBER.fullmatch(number) else math.nan
        if not unit or not value > 0:
            raise InputError(
                f"--margin {text} is not possible; give a number above zero with its unit, such "
                f"as 0.5mm, 10% or 0.1ratio."
            )
        name, factor = UNITS[unit]
        if name in margins:
            raise InputError(f"--margin is given twice for {name}; keep one.")
        margins[name] = value * factor
    return margins


def run_compare(manual: Path, auto: Sequence[Path], out: Path, options: StudyOptions) -> Path:
    """Compare automatic with manual values and write the results below ``out``.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    InputError
        If a table cannot be used.
    """
    _check_out(out, "compare", [manual, *auto])
    tool = read_auto(auto)
    joined = join(read_table(manual, "manual"), tool, manual.name)
    flow = flow_of(tool, joined.unused, joined.sets)
    outliers = [item for pairs in joined.sets for item in outliers_of(pairs)]
    comparisons = [compare(pairs, options) for pairs in joined.sets]
    notes = [*joined.notes, *_unused_margins(joined, options)]
    drawings = [draw_comparison(comparison) for comparison in comparisons]
    overview = tuple(draw_overview(comparisons))
    statistics = [row for comparison in comparisons for row in comparison.statistics]
    write_csv(out / "figures.csv", STATISTIC_COLUMNS, (astuple(row) for row in statistics))
    write_csv(out / "pairs.csv", PAIR_COLUMNS, pair_rows(joined))
    write_csv(out / "flow.csv", [f.name for f in fields(Flow)], map(astuple, flow))
    write_csv(out / "outliers.csv", [f.name for f in fields(Outlier)], map(astuple, outliers))
    write_unused(out, joined.unused)
    write_drawings(out, [*overview, *(one for own in drawings for one in own)])
    report = out / "report.html"
    provenance = [
        *_made_with(),
        *((f"options, {name}", text) for name, text in _option_words(options)),
        ("manual table, SHA-256", sha256(manual)),
        *(
            (f"automatic table {path.name}, SHA-256", sha256(path))
            for path in auto
            if path.is_file()
        ),
        *tool.provenance,
    ]
    write_text(
        report,
        build_compare_page(
            comparisons,
            drawings,
            overview,
            flow,
            outliers,
            joined.unused,
            notes,
            joined.cautions,
            options,
            provenance,
        ),
    )
    return report


def run_reliability(table: Path, auto: Sequence[Path], out: Path, save: Path | None) -> Path:
    """Split the variance of repeated values and write the results below ``out``.

    A measure that cannot be analysed is left out with a note, unless all are.

    Parameters
    ----------
    table
        Values with their subjects; or, with ``auto``, only clips with their subject, session,
        rater and placement.
    save
        Where to save the smallest detectable changes, or None.

    Raises
    ------
    InputError
        If a table cannot be used.
    """
    _check_out(out, "reliability", [table, *auto])
    read = _design_values(table, auto) if auto else read_table(table, "manual")
    for column in ("subject", "measure"):
        if column not in read.columns:
            raise InputError(f"{table.name} has no column {column}; add it.")
    refuse_negative(read.readings, table.name)
    _refuse_doubled(read.readings, table.name)
    nameless = read.readings["row"][read.readings["subject"] == ""].tolist()
    if nameless:
        raise InputError(f"{table.name} {rows_have(nameless)} no subject; fill it in.")
    check_units_of_repeats(read.readings, table.name)
    readings, means = without_means(read.readings)
    if read.readings.empty:
        raise InputError(f"{table.name} has no row with a value; fill in the measurements.")
    groups = readings.groupby(["measure", "structure", "unit"], sort=False)
    results, refusals = [], []
    notes, unused = [*read.notes], [*read.unused, *means]
    set_aside = unused_auto if auto else unused_rows
    for _, own in groups:
        try:
            results.append(analyse_reliability(own))
        except InputError as error:
            refusals.append(error)
            notes.append(f"Left out: {error}")
            unused += set_aside(own, LEFT_OUT)
    if not results:
        raise refusals[0]
    drawings = draw_reliability(results)
    if save is not None:
        # First, since it may refuse the name.
        write_detectable_changes(save, results)
    write_csv(
        out / "figures.csv",
        ("measure", "structure", "unit", "figure", "repeats", "value", "low", "high"),
        reliability_rows(results),
    )
    write_unused(out, unused)
    write_drawings(out, drawings)
    provenance = [*_made_with(), ("table, SHA-256", sha256(table)), *read.provenance]
    cautions = tuple(implausible(readings, table.name))
    report = out / "report.html"
    write_text(
        report,
        build_reliability_page(results, drawings, unused, notes, cautions, provenance),
    )
    return report


def _made_with() -> list[tuple[str, str]]:
    """Name the software and the packages that every figure rests on."""
    packages = (f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "statsmodels"))
    return [
        ("software", f"layermotion {__version__}, SHA-256 of its code {code_digest()}"),
        ("packages", f"Python {platform.python_version()}, {', '.join(packages)}"),
    ]


def _option_words(options: StudyOptions) -> Iterable[tuple[str, str]]:
    margins = ", ".join(f"{value:g} {unit}" for unit, value in options.margins.items())
    yield "margin", margins or "none"
    yield "scale", "ratios" if options.as_ratio else "differences"
    yield "error ratio", f"{options.error_ratio:g}"
    margin = options.ratio_margin
    yield "margin of the ratio to raters", "none" if margin is None else f"{margin:g}"


def _check_out(out: Path, command: str, inputs: Sequence[Path]) -> None:
    """Refuse a folder where this would replace an input, or a page of another command."""
    for path in inputs:
        if path.resolve() in {(out / name).resolve() for name in OWN_FILES}:
            raise InputError(
                f"{path.name} would be replaced by the results; choose another --out folder."
            )
    report = out / "report.html"
    if report.exists() and not (report.is_file() and page_mark(command) in _text_of(report)):
        raise InputError(
            f"{report} is a report of another command; choose another --out folder, so that it "
            f"stays."
        )
    for name, heading in HEADINGS.items():
        path = out / name
        if path.exists() and not (path.is_file() and _text_of(path).startswith(heading)):
            raise InputError(
                f"{path} is no file that this command wrote; choose another --out folder, so that "
                f"it stays."
            )


def _text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8", errors="replace")


def _unused_margins(joined: Joined, options: StudyOptions) -> Iterable[str]:
    for unit, margin in options.margins.items():
        if all(pairs.unit != unit for pairs in joined.sets):
            yield f"The margin of {margin:g} {unit} was not used: no measure has that unit."


def _design_values(path: Path, auto: Sequence[Path]) -> Table:
    """Give automatic values the subject, session, rater and placement of their clip."""
    tool = read_auto(auto)
    design = read_design(path, tool.files)
    readings = tool.readings[tool.readings["repeat"] != MEAN]
    is_known = readings["clip"].isin(design.index)
    unused = [
        *tool.unused,
        *(
            Unused("auto", f"clip {clip}", "The clip is not in the table.")
            for clip in readings["clip"][~is_known]
        ),
        *(
            Unused("manual", f"row {row}", "The tool has no value of the clip.")
            for row in design["row"][~design.index.isin(tool.readings["clip"])]
        ),
    ]
    own = design.drop(columns="row").reindex(readings["clip"][is_known])
    taken = readings[is_known].assign(**{name: own[name].to_numpy() for name in own})
    return Table(tool.columns | {"subject"}, taken, tuple(unused), tool.notes, tool.provenance)


def _refuse_doubled(readings: pd.DataFrame, name: str) -> None:
    stated = readings[readings["row"] > 0]
    twice = stated["row"].to_numpy()[doubled(keys_of(stated, TEXT_COLUMNS))]
    if twice.size:
        raise InputError(
            f"{name} rows {twice[0]} and {twice[1]} give the same measurement twice; remove one, "
            f"or number them in the column repeat."
        )
