"""Owns joining manual with automatic values: one set for each measure, and what did not match."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from layermotion.agreement.named import clips_of
from layermotion.agreement.pairs import SOLE_RATER, PairedSet, paired_set
from layermotion.agreement.plausible import implausible
from layermotion.agreement.readings import (
    CORRECTED,
    LEFT_OUT,
    NEVER_NEGATIVE,
    Table,
    Unused,
    auto_words,
    doubled,
    keys_of,
    rows_have,
    target_words,
    unused_auto,
    unused_rows,
)
from layermotion.agreement.units import check_units, opposite_signs
from layermotion.errors import InputError
from layermotion.measures.measure import MEAN
from layermotion.session.index import INDEX

# Fewer subjects leave nothing to estimate a spread from (our choice).
FEWEST_SUBJECTS = 3
# How a reason begins why a manual value has no partner.
NO_PARTNER = "No automatic value: "
NO_MEAN = "It has several repeats and no mean, and the manual table does not say which is meant."
# What a manual row is told of an automatic value that takes no part; else it was withheld.
ALONE = {
    NO_MEAN: "the tool gives several repeats and no mean; add the column repeat.",
    CORRECTED: "a clinician corrected it.",
}
# Names of comparisons in figures.csv that a rater's would be taken for.
RESERVED_RATERS = ("auto", SOLE_RATER)


@dataclass(frozen=True)
class Joined:
    """What came of a join.

    Parameters
    ----------
    sets
        One for each measure, structure and unit.
    unused
        Every value that takes no part, with the reason.
    notes
        What was decided on the way, in sentences.
    cautions
        Values that no layer has, with their rows.
    """

    sets: tuple[PairedSet, ...]
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def join(manual: Table, auto: Table, manual_name: str) -> Joined:
    """Join by clip, measure, structure, task and repeat; by side and session where both have it.

    A clip may be called by its file. A key that the manual table lacks is taken from the automatic
    values where those leave no choice. A manual table without repeats is joined with the mean of
    the repeats, or with the only one.

    Raises
    ------
    InputError
        If a needed column is missing, a value is given twice, units do not fit, nothing
        matches, or there are too few subjects.
    """
    if "clip" not in manual.columns:
        raise InputError(f"{manual_name} has no column clip; add the clip that each value is from.")
    if manual.readings.empty:
        raise InputError(f"{manual_name} has no row with a value; fill in the measurements.")
    notes = [*manual.notes, *auto.notes]
    named = manual.readings.set_index("row")["clip"]
    readings = manual.readings.assign(clip=clips_of(named, auto.files, manual_name))
    if (readings["clip"] != manual.readings["clip"]).any():
        notes.append(f"Clips of the manual table were found by their files, by {INDEX}.")
    for column in ("measure", "task"):
        if column not in manual.columns:
            value = _only_value(readings, auto.readings, column, manual_name)
            readings = readings.assign(**{column: value})
            plain = value.replace("_", " ")
            notes.append(f"The manual table has no column {column}: {plain} was taken.")
    refuse_negative(readings, manual_name)
    cautions = [*implausible(readings, manual_name), *implausible(auto.readings, "the tool")]
    corrected = sum(item.reason == CORRECTED for item in auto.unused)
    if corrected:
        cautions.append(
            f"A clinician corrected {corrected} automatic values, which take no part. What was "
            f"found wrong is left out, so the tool looks better than it is: for a study, measure "
            f"the clips anew and correct nothing."
        )
    shared = [name for name in ("side", "session") if name in manual.columns & auto.columns]
    with_repeat = "repeat" in manual.columns
    # What a value is looked up by; in this order a report says what has no partner.
    names = ["clip", "structure", "measure", "task", *shared, "unit"]
    names += ["repeat"] if with_repeat else []
    readings, means = without_means(readings) if with_repeat else (readings, [])
    tool, not_taken = _tool_values(auto.readings, names)
    if not with_repeat:
        notes.append(
            "The manual table has no repeats: it was joined with the mean of the tool's repeats, "
            "or with the only one."
        )
    if "subject" not in manual.columns:
        notes.append("The manual table has no subjects: each clip counts as one.")
    else:
        _check_people(readings, manual_name)
    _refuse_reserved_raters(readings, manual_name)
    _refuse_doubled(readings, names, manual_name)
    place = _keys(tool, names).get_indexer(_keys(readings, names))
    check_units(readings, tool, place, names, manual_name)
    cautions += opposite_signs(readings, tool, place, manual_name)
    aside = [*auto.unused, *not_taken]
    alone = _without_partner(readings[place < 0], tool, names, aside)
    unused = [*manual.unused, *aside, *means, *alone]
    unused += unused_auto(tool.drop(index=tool.index[place[place >= 0]]), "No manual value.")
    matched = readings.assign(place=place)[place >= 0]
    if matched.empty:
        raise InputError(
            f"No row of {manual_name} matches an automatic value ({alone[0].what}: "
            f"{alone[0].reason.removeprefix(NO_PARTNER).rstrip('.')}); write clip, structure, "
            f"measure, task and repeat as measures.json has them, or the clip as {INDEX} has its "
            f"file."
        )
    # A clip without a subject counts as one.
    people = matched["subject"].where(matched["subject"] != "", "clip " + matched["clip"])
    matched = matched.assign(person=pd.factorize(people)[0] + 1)
    sets: list[PairedSet] = []
    refusals: list[str] = []
    for _, own in matched.groupby(["measure", "structure", "unit"], sort=False):
        item = paired_set(own, tool)
        why = _why_not(item, manual_name)
        if not why:
            sets.append(item)
            continue
        refusals.append(why)
        notes.append(f"Left out: {why}")
        unused += unused_rows(own, LEFT_OUT)
        unused += unused_auto(tool.iloc[own["place"].unique()], LEFT_OUT)
    if not sets:
        raise InputError(refusals[0])
    return Joined(tuple(sets), tuple(unused), tuple(notes), tuple(cautions))


def without_means(readings: pd.DataFrame) -> tuple[pd.DataFrame, list[Unused]]:
    """Leave out means of repeats that stand beside their own repeats, which would count twice."""
    names = ["clip", "subject", "structure", "measure", "task", "side", "session", "placement"]
    names += ["unit", "rater"]
    is_mean = readings["repeat"] == MEAN
    is_double = is_mean & keys_of(readings, names).isin(keys_of(readings[~is_mean], names))
    reason = "The repeats that it is the mean of were taken instead."
    return readings[~is_double], unused_rows(readings[is_double], reason)


def _check_people(readings: pd.DataFrame, name: str) -> None:
    """Refuse rows without a subject, and clips of two subjects."""
    nameless = readings["row"][readings["subject"] == ""].tolist()
    if nameless:
        raise InputError(f"{name} {rows_have(nameless)} no subject; fill it in.")
    owners = readings[readings["clip"] != ""].drop_duplicates(["clip", "subject"])
    for other in owners[owners["clip"].duplicated()].itertuples():
        first = owners["row"][owners["clip"] == other.clip].iloc[0]
        raise InputError(
            f"{name} rows {first} and {other.row} give clip {other.clip} to two subjects; correct "
            f"one."
        )


def _refuse_reserved_raters(readings: pd.DataFrame, name: str) -> None:
    """Refuse names of raters that would be mistaken for something else in the results."""
    raters = readings["rater"].unique()
    taken = [rater for rater in raters if rater.lower() in RESERVED_RATERS]
    if taken and len(raters) > 1:
        raise InputError(
            f"{name} has a rater called {taken[0]}, which the results would not tell from the "
            f"comparison of that name; give the rater another name."
        )


def _refuse_doubled(readings: pd.DataFrame, names: Sequence[str], table: str) -> None:
    """Refuse rows without a clip, and one measurement given twice."""
    clipless = readings["row"][readings["clip"] == ""].tolist()
    if clipless:
        raise InputError(f"{table} {rows_have(clipless)} no clip; fill it in.")
    twice = readings["row"].to_numpy()[doubled(_keys(readings, [*names, "rater", "reading"]))]
    if twice.size:
        raise InputError(
            f"{table} rows {twice[0]} and {twice[1]} give the same measurement twice; remove one, "
            f"or number them in the column reading."
        )


def _without_partner(
    alone: pd.DataFrame, tool: pd.DataFrame, names: Sequence[str], aside: Sequence[Unused]
) -> list[Unused]:
    """Manual rows without an automatic value, each with why it is aside, or the key it lacks."""
    reasons = {item.what: item.reason for item in aside}
    if "repeat" not in names:
        reasons |= {what.partition(", repeat ")[0]: reason for what, reason in reasons.items()}
    own, theirs = _keys(alone, names).to_frame(), _keys(tool, names).to_frame()
    lacking = [
        ~keys_of(own, names[:size]).isin(keys_of(theirs, names[:size]))
        for size in range(1, len(names) + 1)
    ]
    found = []
    for row, key, first in zip(
        alone["row"], own.to_dict("records"), np.argmax(lacking, axis=0), strict=True
    ):
        name, value = names[first], key[names[first]]
        repeat = key.get("repeat", "")
        why = reasons.get(auto_words(key["clip"], key["structure"], key["measure"], repeat))
        if why:
            lack = ALONE.get(why, "the tool withheld it.")
        elif not value:
            lack = f"the row states no {name}."
        elif name == "clip":
            # By its file it may be called by a person's name.
            lack = "the tool gives no such clip."
        else:
            lack = f"the tool gives no {name} {value} for it."
        found.append(Unused("manual", f"row {row}", NO_PARTNER + lack))
    return found


def refuse_negative(readings: pd.DataFrame, name: str) -> None:
    """Refuse values below zero of measures that cannot be."""
    is_wrong = (readings["value"] < 0) & readings["measure"].isin(NEVER_NEGATIVE)
    rows = readings["row"][is_wrong].tolist()
    if rows:
        raise InputError(f"{name} {rows_have(rows)} a thickness or ratio below zero; correct it.")


def _only_value(readings: pd.DataFrame, auto: pd.DataFrame, column: str, name: str) -> str:
    """Take a missing key from the automatic values of the same clips, structures and units."""
    names = ["clip", "structure", "unit"]
    values = sorted(auto[column][keys_of(auto, names).isin(keys_of(readings, names))].unique())
    if len(values) > 1:
        raise InputError(
            f"{name} has no column {column}, while the automatic values hold "
            f"{' and '.join(values)}; add the column."
        )
    return values[0] if values else ""


def _tool_values(tool: pd.DataFrame, names: Sequence[str]) -> tuple[pd.DataFrame, list[Unused]]:
    """One value for each key: the mean of repeats, or the only one, where repeats are no key."""
    not_taken = []
    keys, is_mean = _keys(tool, names), tool["repeat"] == MEAN
    twice = doubled(_keys(tool, list(dict.fromkeys([*names, "repeat"]))))
    if twice.size:
        raise InputError(
            f"The automatic values give {target_words(tool.iloc[twice[0]])} {twice.size} times; "
            f"keep one, or add the columns that tell them apart."
        )
    if "repeat" not in names:
        aside = ~is_mean & keys.isin(keys[is_mean])
        not_taken = unused_auto(tool[aside], "Its mean over repeats was taken instead.")
        tool, keys = tool[~aside], keys[~aside]
        has_several = keys.duplicated(keep=False)
        not_taken += unused_auto(tool[has_several], NO_MEAN)
        tool = tool[~has_several]
    return tool.reset_index(drop=True), not_taken


def _keys(readings: pd.DataFrame, names: Sequence[str]) -> pd.MultiIndex:
    # An empty task in a table is what measures.csv calls unstated.
    return keys_of(readings.assign(task=readings["task"].replace("", "unstated")), names)


def _why_not(item: PairedSet, name: str) -> str:
    """Say why a measure cannot be compared; empty if it can."""
    label = f"{item.structure} {item.measure}"
    if item.subjects < FEWEST_SUBJECTS:
        people = "one subject" if item.subjects == 1 else f"{item.subjects} subjects"
        return (
            f"{name} has {people} for {label}; agreement between people needs at least "
            f"{FEWEST_SUBJECTS}, so add subjects or leave this measure out."
        )
    for who, values in (("automatic", item.auto), ("manual", item.manual_mean())):
        if np.ptp(values) == 0:
            return (
                f"All {who} values of {label} are equal, so nothing can be compared; check the "
                f"table."
            )
    return ""
