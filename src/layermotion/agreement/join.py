"""Owns joining manual with automatic values: one set for each measure, and what did not match."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from layermotion.agreement.pairs import SOLE_RATER, PairedSet, name_of, paired_set
from layermotion.agreement.plausible import implausible
from layermotion.agreement.readings import (
    NEVER_NEGATIVE,
    Key,
    Reading,
    Table,
    Unused,
    rows_have,
)
from layermotion.agreement.units import check_units
from layermotion.errors import InputError
from layermotion.measures.measure import MEAN

# Fewer subjects leave nothing to estimate a spread from (our choice).
FEWEST_SUBJECTS = 3
# What measures.json calls the mean over the repeats of a clip.
NO_PARTNER = "No automatic value: "
LEFT_OUT = "Its measure was left out; see the notes."
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

    A key that the manual table lacks is taken from the automatic values where those leave no
    choice. A manual table without repeats is joined with the mean of the repeats, or with the
    only one.

    Raises
    ------
    InputError
        If a needed column is missing, a value is given twice, units do not fit, nothing
        matches, or there are too few subjects.
    """
    if "clip" not in manual.columns:
        raise InputError(f"{manual_name} has no column clip; add the clip that each value is from.")
    if not manual.readings:
        raise InputError(f"{manual_name} has no row with a value; fill in the measurements.")
    notes = [*manual.notes, *auto.notes]
    readings = list(manual.readings)
    for column in ("measure", "task"):
        if column not in manual.columns:
            readings, note = _fill(readings, auto.readings, column, manual_name)
            notes.append(note)
    refuse_negative(readings, manual_name)
    cautions = [*implausible(readings, manual_name), *implausible(auto.readings, "the tool")]
    shared = [name for name in ("side", "session") if name in manual.columns & auto.columns]
    with_repeat = "repeat" in manual.columns
    # What a value is looked up by; in this order a report says what has no partner.
    names = ["clip", "structure", "measure", "task", *shared, "unit"]
    names += ["repeat"] if with_repeat else []
    readings, doubled = _without_means(readings) if with_repeat else (readings, [])
    tool, not_taken = _tool_values(auto.readings, names, with_repeat)
    if not with_repeat:
        notes.append(
            "The manual table has no repeats: it was joined with the mean of the tool's repeats, "
            "or with the only one."
        )
    if "subject" not in manual.columns:
        notes.append("The manual table has no subjects: each clip counts as one.")
    else:
        _check_people(readings, manual_name)
    refuse_blank_raters(readings, manual_name)
    _refuse_reserved_raters(readings, manual_name)
    by_key = _by_key(readings, names, manual_name)
    check_units(by_key, tool, names, manual_name)
    unused = [*manual.unused, *auto.unused, *not_taken, *doubled]
    matched = {key: found for key, found in by_key.items() if key in tool}
    alone = _without_partner(by_key, tool, names)
    unused += alone
    unused += [
        _unused_auto(reading, "No manual value.")
        for key, reading in tool.items()
        if key not in by_key
    ]
    if not matched:
        raise InputError(
            f"No row of {manual_name} matches an automatic value ({alone[0].what}: "
            f"{alone[0].reason.removeprefix(NO_PARTNER).rstrip('.')}); write clip, structure, "
            f"measure, task and repeat as measures.json has them."
        )
    groups: dict[Key, list[Key]] = defaultdict(list)
    for key in matched:
        reading = tool[key]
        groups[reading.measure, reading.structure, reading.unit].append(key)
    names_of_people = dict.fromkeys(name_of(found[0]) for found in matched.values())
    people = {name: number for number, name in enumerate(names_of_people, start=1)}
    sets: list[PairedSet] = []
    refusals: list[str] = []
    for group, keys in groups.items():
        item = paired_set(group, keys, matched, tool, people)
        why = _why_not(item, manual_name)
        if not why:
            sets.append(item)
            continue
        refusals.append(why)
        notes.append(f"Left out: {why}")
        unused += [
            Unused("manual", f"row {reading.row}", LEFT_OUT)
            for key in keys
            for reading in matched[key]
        ]
        unused += [_unused_auto(tool[key], LEFT_OUT) for key in keys]
    if not sets:
        raise InputError(refusals[0])
    return Joined(tuple(sets), tuple(unused), tuple(notes), tuple(cautions))


def _without_means(readings: Sequence[Reading]) -> tuple[list[Reading], list[Unused]]:
    """Leave out means of repeats that stand beside their own repeats, which would count twice."""

    def own(reading: Reading) -> tuple[str, ...]:
        whole = (reading.clip, reading.structure, reading.measure, reading.task, reading.side)
        return (*whole, reading.session, reading.unit, reading.rater)

    single = {own(reading) for reading in readings if reading.repeat != MEAN}
    kept, left = [], []
    for reading in readings:
        if reading.repeat == MEAN and own(reading) in single:
            reason = "The repeats that it is the mean of were taken instead."
            left.append(Unused("manual", f"row {reading.row}", reason))
        else:
            kept.append(reading)
    return kept, left


def _check_people(readings: Sequence[Reading], name: str) -> None:
    """Refuse rows without a subject, and clips of two subjects."""
    nameless = [reading.row for reading in readings if not reading.subject]
    if nameless:
        raise InputError(f"{name} {rows_have(nameless)} no subject; fill it in.")
    owners: dict[str, Reading] = {}
    for reading in readings:
        first = owners.setdefault(reading.clip, reading)
        if reading.clip and first.subject != reading.subject:
            raise InputError(
                f"{name} rows {first.row} and {reading.row} give clip {reading.clip} to two "
                f"subjects; correct one."
            )


def refuse_blank_raters(readings: Sequence[Reading], name: str) -> None:
    """Refuse rows without a rater where others have one."""
    raters = {reading.rater for reading in readings}
    nameless = [reading.row for reading in readings if not reading.rater]
    if nameless and len(raters) > 1:
        raise InputError(
            f"{name} {rows_have(nameless)} no rater, while other rows have one; fill it in."
        )


def _refuse_reserved_raters(readings: Sequence[Reading], name: str) -> None:
    """Refuse names of raters that would be mistaken for something else in the results."""
    raters = {reading.rater for reading in readings}
    taken = [rater for rater in raters if rater.lower() in RESERVED_RATERS]
    if taken and len(raters) > 1:
        raise InputError(
            f"{name} has a rater called {taken[0]}, which the results would not tell from the "
            f"comparison of that name; give the rater another name."
        )


def _without_partner(
    by_key: Mapping[Key, Sequence[Reading]], tool: Mapping[Key, Reading], names: Sequence[str]
) -> list[Unused]:
    """Manual rows without an automatic value, each with the first key that the tool lacks."""
    heads = {key[:size] for key in tool for size in range(len(names) + 1)}
    alone = []
    for key, found in by_key.items():
        if key in tool:
            continue
        size = next(size for size in range(1, len(names) + 1) if key[:size] not in heads)
        name, value = names[size - 1], key[size - 1]
        lack = f"the tool gives no {name} {value}" if value else f"the row states no {name}"
        reason = f"{NO_PARTNER}{lack}{' for it' if size > 1 and value else ''}."
        alone += [Unused("manual", f"row {reading.row}", reason) for reading in found]
    return alone


def refuse_negative(readings: Iterable[Reading], name: str) -> None:
    """Refuse values below zero of measures that cannot be."""
    rows = [r.row for r in readings if r.value < 0 and r.measure in NEVER_NEGATIVE]
    if rows:
        raise InputError(f"{name} {rows_have(rows)} a thickness or ratio below zero; correct it.")


def _fill(
    readings: Sequence[Reading], auto: Sequence[Reading], column: str, name: str
) -> tuple[list[Reading], str]:
    """Take a missing key from the automatic values of the same clips, structures and units."""
    keys = {(reading.clip, reading.structure, reading.unit) for reading in readings}
    values = {
        str(getattr(reading, column))
        for reading in auto
        if (reading.clip, reading.structure, reading.unit) in keys
    }
    if len(values) > 1:
        raise InputError(
            f"{name} has no column {column}, while the automatic values hold "
            f"{' and '.join(sorted(values))}; add the column."
        )
    value = next(iter(values), "")
    filled = [replace(reading, **{column: value}) for reading in readings]  # type: ignore[arg-type]
    return filled, f"The manual table has no column {column}: {value.replace('_', ' ')} was taken."


def _tool_values(
    readings: Sequence[Reading], names: Sequence[str], with_repeat: bool
) -> tuple[dict[Key, Reading], list[Unused]]:
    groups: dict[Key, list[Reading]] = defaultdict(list)
    for reading in readings:
        groups[_key(reading, names)].append(reading)
    chosen: dict[Key, Reading] = {}
    not_taken = []
    for key, found in groups.items():
        if len(found) > 1 and not with_repeat:
            means = [reading for reading in found if reading.repeat == MEAN]
            not_taken += [
                _unused_auto(reading, "Its mean over repeats was taken instead.")
                for reading in found
                if means and reading is not means[0]
            ]
            found = means or found
        if len(found) > 1:
            raise InputError(
                f"The automatic values give {_target_words(found[0])} {len(found)} times; "
                f"keep one, or add the columns that tell them apart."
            )
        chosen[key] = found[0]
    return chosen, not_taken


def _by_key(
    readings: Sequence[Reading], names: Sequence[str], table: str
) -> dict[Key, list[Reading]]:
    groups: dict[Key, list[Reading]] = defaultdict(list)
    seen: dict[Key, int] = {}
    for reading in readings:
        if not reading.clip:
            raise InputError(f"{table} row {reading.row} has no clip; fill it in.")
        key = _key(reading, names)
        own = (*key, reading.rater, reading.reading, reading.unit)
        if own in seen:
            raise InputError(
                f"{table} rows {seen[own]} and {reading.row} give the same measurement twice; "
                f"remove one, or number them in the column reading."
            )
        seen[own] = reading.row
        groups[key].append(reading)
    return groups


def _key(reading: Reading, names: Sequence[str]) -> Key:
    # An empty task in a table is what measures.csv calls unstated.
    return tuple(
        (getattr(reading, name) or "unstated") if name == "task" else getattr(reading, name)
        for name in names
    )


def _target_words(reading: Reading) -> str:
    repeat = f", repeat {reading.repeat}" if reading.repeat else ""
    return f"clip {reading.clip}, {reading.structure} {reading.measure}{repeat}"


def _unused_auto(reading: Reading, reason: str) -> Unused:
    return Unused("auto", _target_words(reading), reason, reading.measure, reading.structure)


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
