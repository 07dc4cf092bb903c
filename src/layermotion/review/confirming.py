"""Owns which values of a clip are confirmed: measured ones by a person, the rest follow."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from layermotion.labels import MUSCLES
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.review.corrections import Confirm, Correction, Withdraw

# What is read off the picture; every other value follows from these.
MEASURED = (
    "thickness_rest",
    "thickness_contracted",
    "slide",
    "medial_edge_displacement",
    "base_displacement",
    "lift_before",
    "lift_after",
)
# Values that differ by less than this are the same one.
SAME = 1e-6


def key_of(measure: Measure) -> str:
    """Name of a value within its clip."""
    return "/".join((measure.name, measure.structure, measure.repeat, measure.unit))


def measured_of(measures: Sequence[Measure]) -> tuple[Measure, ...]:
    """Those that a person confirms; the others follow from them.

    Where nothing is known that a value follows from, as in a clip without a scale, a change is
    confirmed itself, and else whatever is known.
    """
    single = [measure for measure in measures if measure.repeat != MEAN]
    found = [measure for measure in single if measure.name in MEASURED]
    for names in (("thickness_change",), {measure.name for measure in single}):
        sources = [measure for measure in found if measure.value is not None]
        found += [
            measure
            for measure in single
            if measure.name in names
            and measure.value is not None
            and measure not in sources
            and not any(_follows(measure, source) for source in sources)
        ]
    return tuple(measure for measure in measures if measure in found)


def values_of(measures: Sequence[Measure]) -> dict[str, float]:
    """Values that are known, by key."""
    return {key_of(m): m.value for m in measures if m.value is not None}


def confirmed_in(
    steps: Sequence[tuple[Correction, Mapping[str, float]]],
) -> dict[str, float]:
    """Values that were confirmed last, by key.

    Parameters
    ----------
    steps
        Each with the values that stood on the screen when it was made.
    """
    confirmed: dict[str, float] = {}
    for step, values in steps:
        if isinstance(step, Confirm):
            confirmed |= {key: values[key] for key in step.keys if key in values}
        elif isinstance(step, Withdraw):
            for key in step.keys:
                confirmed.pop(key, None)
    return confirmed


def with_status(
    measures: Sequence[Measure], automatic: Mapping[str, float], confirmed: Mapping[str, float]
) -> tuple[Measure, ...]:
    """Measures as confirmed, corrected, or still a draft.

    A value that has changed since it was confirmed is a draft again. A derived value is confirmed
    once all measured values that it follows from are; corrected if any of them was.

    Parameters
    ----------
    automatic
        Values as the tool gave them, by key.
    """
    sources = [m for m in measured_of(measures) if m.value is not None]
    held = {key_of(m): _own_status(m, automatic, confirmed) for m in sources}
    result = []
    for measure in measures:
        if measure.value is None:
            result.append(measure)
            continue
        if measure in sources:
            own = [held[key_of(measure)]]
        else:
            own = [held[key_of(source)] for source in sources if _follows(measure, source)]
        status = Status.DRAFT
        if own and Status.DRAFT not in own:
            status = Status.CORRECTED if Status.CORRECTED in own else Status.CONFIRMED
        result.append(replace(measure, status=status))
    return tuple(result)


def _own_status(
    measure: Measure, automatic: Mapping[str, float], confirmed: Mapping[str, float]
) -> Status:
    key = key_of(measure)
    if not is_same(measure.value, confirmed.get(key)):
        return Status.DRAFT
    is_automatic = is_same(measure.value, automatic.get(key))
    return Status.CONFIRMED if is_automatic else Status.CORRECTED


def is_same(one: float | None, other: float | None) -> bool:
    """Whether two values are known and the same one."""
    return one is not None and other is not None and abs(one - other) <= SAME


def _follows(measure: Measure, source: Measure) -> bool:
    """Whether a derived value follows from a measured one."""
    if measure.repeat not in (MEAN, source.repeat):
        return False
    if measure.name == "preferential_activation_ratio":
        return source.structure in MUSCLES and source.name.startswith("thickness")
    if measure.structure != source.structure:
        return False
    # The mean of what is measured follows from that alone.
    return measure.name not in MEASURED or measure.name == source.name
