"""Owns joining manual with automatic values: one set for each measure, and what did not match."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array, codes_of
from layermotion.agreement.table import NEVER_NEGATIVE, Reading, Table, Unused, rows_text
from layermotion.errors import InputError

# Fewer subjects leave nothing to estimate a spread from (our choice).
FEWEST_SUBJECTS = 3
# Median ratios between two methods that only a mistaken unit explains: 10, give or take 40 %.
MISTAKEN_FACTOR = (6.0, 14.0)
SOLE_RATER = "manual"

Key = tuple[str, ...]


@dataclass(frozen=True, eq=False)
class PairedSet:
    """All targets of one measure that both the tool and at least one rater measured.

    Parameters
    ----------
    measure, structure, unit
        What was measured.
    raters
        Their names, in the order of the table.
    subject
        Shape (targets,), numbered from 0 without a gap.
    clip
        One text a target, as the tables name it.
    task, repeat
        One text a target.
    auto
        Shape (targets,).
    manual
        Shape (targets, raters, readings), NaN where there is none.
    depth_mm, quality
        Shape (targets,), NaN where unknown.
    """

    measure: str
    structure: str
    unit: str
    raters: tuple[str, ...]
    subject: NDArray[np.intp]
    clip: tuple[str, ...]
    task: tuple[str, ...]
    repeat: tuple[str, ...]
    auto: Array
    manual: Array
    depth_mm: Array
    quality: Array

    def __post_init__(self) -> None:
        shapes = {self.auto.size, self.subject.size, self.manual.shape[0], len(self.clip)}
        if len(shapes) != 1 or self.manual.ndim != 3 or self.manual.shape[1] != len(self.raters):
            raise ValueError("arrays of a paired set do not fit together")

    @property
    def subjects(self) -> int:
        """How many people."""
        return int(self.subject.max()) + 1

    def by_rater(self) -> Array:
        """Mean of each rater's readings, shape (targets, raters)."""
        return _mean_of_known(self.manual, axis=2)

    def manual_mean(self) -> Array:
        """Mean of the raters, shape (targets,)."""
        return _mean_of_known(self.by_rater(), axis=1)


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
    """

    sets: tuple[PairedSet, ...]
    unused: tuple[Unused, ...]
    notes: tuple[str, ...]


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
    shared = [name for name in ("side", "session") if name in manual.columns & auto.columns]
    with_repeat = "repeat" in manual.columns
    names = ["clip", "measure", "structure", "task", *shared, "unit"]
    names += ["repeat"] if with_repeat else []
    tool, not_taken = _tool_values(auto.readings, names, with_repeat)
    if not with_repeat:
        notes.append(
            "The manual table has no repeats: it was joined with the mean of the tool's repeats, "
            "or with the only one."
        )
    if "subject" not in manual.columns:
        notes.append("The manual table has no subjects: each clip counts as one.")
    else:
        nameless = [reading.row for reading in readings if not reading.subject]
        if nameless:
            raise InputError(f"{manual_name} {rows_text(nameless)} has no subject; fill it in.")
    by_key = _by_key(readings, names, manual_name)
    _check_units(by_key, tool, names, manual_name)
    unused = [*manual.unused, *auto.unused, *not_taken]
    matched = {key: found for key, found in by_key.items() if key in tool}
    clips = {reading.clip for reading in auto.readings}
    for key, found in by_key.items():
        if key not in tool:
            why = "the measure, task or repeat is not" if key[0] in clips else "its clip is not"
            reason = f"No automatic value: {why} in the tool's results."
            unused += [Unused("manual", f"row {reading.row}", reason) for reading in found]
    unused += [
        Unused("auto", _target_words(reading), "No manual value.")
        for key, reading in tool.items()
        if key not in by_key
    ]
    if not matched:
        raise InputError(
            f"No row of {manual_name} matches an automatic value; check that clip, structure, "
            f"measure, task and repeat are written as in measures.csv."
        )
    groups: dict[Key, list[Key]] = defaultdict(list)
    for key in matched:
        reading = tool[key]
        groups[reading.measure, reading.structure, reading.unit].append(key)
    sets = [_paired_set(group, keys, matched, tool) for group, keys in groups.items()]
    for item in sets:
        _check_subjects(item, manual_name)
    return Joined(tuple(sets), tuple(unused), tuple(notes))


def refuse_negative(readings: Iterable[Reading], name: str) -> None:
    """Refuse values below zero of measures that cannot be."""
    rows = [r.row for r in readings if r.value < 0 and r.measure in NEVER_NEGATIVE]
    if rows:
        raise InputError(
            f"{name} {rows_text(rows)} has a thickness or ratio below zero; correct it."
        )


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
            means = [reading for reading in found if reading.repeat == "mean"]
            not_taken += [
                Unused("auto", _target_words(reading), "Its mean over repeats was taken instead.")
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


def _check_units(
    by_key: dict[Key, list[Reading]], tool: dict[Key, Reading], names: Sequence[str], name: str
) -> None:
    place = names.index("unit")
    stems: dict[Key, set[str]] = defaultdict(set)
    for key in tool:
        stems[key[:place] + key[place + 1 :]].add(key[place])
    wrong: list[int] = []
    units: set[str] = set()
    ratios: dict[str, list[float]] = defaultdict(list)
    for key, found in by_key.items():
        reading = tool.get(key)
        other = stems.get(key[:place] + key[place + 1 :])
        if reading is not None:
            for item in found:
                if reading.value and item.value:
                    ratios[item.rater].append(abs(item.value / reading.value))
        elif other:
            wrong += [item.row for item in found]
            units |= {key[place], *other}
    if wrong:
        raise InputError(
            f"{name} {rows_text(sorted(wrong))} and the automatic values differ in unit "
            f"({' and '.join(sorted(units))}); give both in the same unit."
        )
    for rater, found_ratios in ratios.items():
        middle = float(np.median(found_ratios))
        if any(MISTAKEN_FACTOR[0] <= value <= MISTAKEN_FACTOR[1] for value in (middle, 1 / middle)):
            whose = f"values of rater {rater}" if rater else "values"
            raise InputError(
                f"The {whose} in {name} are about {middle:.2g} times the automatic ones, as if cm "
                f"and mm were mixed up; check the column unit."
            )


def _key(reading: Reading, names: Sequence[str]) -> Key:
    # An empty task in a table is what measures.csv calls unstated.
    return tuple(
        (getattr(reading, name) or "unstated") if name == "task" else getattr(reading, name)
        for name in names
    )


def _target_words(reading: Reading) -> str:
    repeat = f", repeat {reading.repeat}" if reading.repeat else ""
    return f"clip {reading.clip}, {reading.structure} {reading.measure}{repeat}"


def _paired_set(
    group: Key, keys: Sequence[Key], manual: dict[Key, list[Reading]], tool: dict[Key, Reading]
) -> PairedSet:
    found = [reading for key in keys for reading in manual[key]]
    raters = tuple(dict.fromkeys(reading.rater for reading in found))
    most = max(Counter((key, r.rater) for key in keys for r in manual[key]).values())
    values = np.full((len(keys), len(raters), most), math.nan)
    for place, key in enumerate(keys):
        taken: Counter[str] = Counter()
        for reading in manual[key]:
            values[place, raters.index(reading.rater), taken[reading.rater]] = reading.value
            taken[reading.rater] += 1
    firsts = [manual[key][0] for key in keys]
    autos = [tool[key] for key in keys]
    return PairedSet(
        measure=group[0],
        structure=group[1],
        unit=group[2],
        raters=tuple(rater or SOLE_RATER for rater in raters),
        subject=codes_of([reading.subject or f"clip {reading.clip}" for reading in firsts]),
        clip=tuple(reading.clip for reading in autos),
        task=tuple(reading.task for reading in autos),
        repeat=tuple(reading.repeat for reading in autos),
        auto=np.array([reading.value for reading in autos]),
        manual=values,
        depth_mm=_first_known(
            [(a.depth_mm, m.depth_mm) for a, m in zip(autos, firsts, strict=True)]
        ),
        quality=_first_known([(a.quality, m.quality) for a, m in zip(autos, firsts, strict=True)]),
    )


def _check_subjects(item: PairedSet, name: str) -> None:
    if item.subjects < FEWEST_SUBJECTS:
        people = "one subject" if item.subjects == 1 else f"{item.subjects} subjects"
        raise InputError(
            f"{name} has {people} for {item.structure} {item.measure}; agreement between people "
            f"needs at least {FEWEST_SUBJECTS}, so add subjects or leave this measure out."
        )


def _first_known(pairs: Sequence[tuple[float, float]]) -> Array:
    return np.array([other if math.isnan(first) else first for first, other in pairs])


def _mean_of_known(values: Array, axis: int) -> Array:
    """Mean along an axis without NaN; NaN where all are."""
    known = np.isfinite(values)
    total = np.where(known, values, 0.0).sum(axis=axis)
    with np.errstate(invalid="ignore"):
        mean: Array = total / known.sum(axis=axis)
    return mean
