"""Owns the plain words for which muscles changed; each stands only where its interval allows it."""

from collections.abc import Collection, Mapping
from typing import Protocol

from layermotion.labels import MUSCLES, Structure
from layermotion.measures.thickness import QUIET_MUSCLES, QUIET_PERCENT
from layermotion.report.palette import short_name
from layermotion.report.words import interval_words, number_words, unit_words

QUIET_NOTE = (
    f"EO and IO count as quiet where the whole interval of their change lies within "
    f"{QUIET_PERCENT:g} % of the thickness at rest (common practice, no source)."
)


class Valued(Protocol):
    """A number with its interval, such as a measure."""

    @property
    def value(self) -> float | None:
        """The number; None where it needs a person."""

    @property
    def low(self) -> float | None:
        """Lower end of the interval."""

    @property
    def high(self) -> float | None:
        """Upper end of the interval."""

    @property
    def unit(self) -> str:
        """Unit of all three."""


def holds_zero(item: Valued) -> bool:
    """Tell whether a change cannot be told apart from none."""
    return item.low is not None and item.high is not None and item.low <= 0 <= item.high


def with_interval(item: Valued) -> str:
    """Write the size of a change beyond error with its interval, of which a verb says the way."""
    if item.value is None or item.low is None or item.high is None:
        raise ValueError("only a change that was measured is beyond error")
    low, high = sorted((abs(item.low), abs(item.high)))
    size, unit = number_words(abs(item.value), item.unit, 0.0), unit_words(item.unit)
    return f"{size}{unit} (interval {interval_words(low, high, item.unit)}{unit})"


def lift_words(found: Mapping[str, Valued]) -> str:
    """Say how high the base was in the lift beforehand, and how far it dropped from there.

    Parameters
    ----------
    found
        Measures of one effort by name; empty words come back where either is missing or within
        error.
    """
    before, drop = found.get("lift_before"), found.get("lift_drop")
    if before is None or before.value is None or drop is None or drop.value is None:
        return ""
    if holds_zero(before) or holds_zero(drop):
        return ""
    verb = "lifted" if before.value > 0 else "lowered"
    fell = "dropped" if drop.value > 0 else "rose"
    return (
        f"it was {verb} by {number_words(abs(before.value), before.unit, 0.0)}"
        f"{unit_words(before.unit)} beforehand and {fell} by "
        f"{number_words(abs(drop.value), drop.unit, 0.0)}{unit_words(drop.unit)} from there"
    )


def muscle_pattern(changes: Mapping[str, Valued], without_mean: Collection[str] = ()) -> str:
    """Say which muscles thickened or thinned, without an end to the sentence.

    A muscle whose interval holds zero is said to show no change beyond error, never to be quiet:
    absence of a measured change is not evidence of none. EO and IO do not count as contracting with
    the TrA where their whole interval lies within the tolerance of a quiet muscle.

    Parameters
    ----------
    changes
        Change in per cent by muscle; one without a value counts as not measured.
    without_mean
        Muscles that were measured, but whose repeats have no mean.
    """
    parts, still, missing = [], [], []
    apart = [short_name(muscle) for muscle in reversed(MUSCLES) if muscle in without_mean]
    thickened: list[Structure] = []
    barely: list[Structure] = []
    for muscle in reversed(MUSCLES):
        item = changes.get(muscle)
        name = short_name(muscle)
        if muscle in without_mean:
            continue
        if item is None or item.value is None:
            missing.append(name)
        elif holds_zero(item):
            still.append(name)
        else:
            verb = "thickened" if item.value > 0 else "thinned"
            is_quiet = muscle in QUIET_MUSCLES and is_within_tolerance(item)
            if verb == "thickened":
                (barely if is_quiet else thickened).append(muscle)
            parts.append(f"{name} {verb} by {with_interval(item)}")
    unknown = [*apart, *missing]
    if not parts and not unknown:
        return "no change of a muscle beyond error was seen"
    head = ""
    if thickened and not unknown:
        others = [short_name(muscle) for muscle in thickened if muscle != Structure.TRA]
        if Structure.TRA not in thickened:
            head = f"{' and '.join(others)} without TrA: "
        elif others:
            head = f"TrA with {' and '.join(others)}: "
        else:
            head = "Mostly TrA: " if barely else "TrA alone: "
    if still:
        parts.append(f"no change beyond error in {' and '.join(still)}")
    if apart:
        parts.append(f"{' and '.join(apart)} without a mean")
    if missing:
        parts.append(f"{' and '.join(missing)} not measured")
    return head + "; ".join(parts)


def quiet_words(changes: Mapping[str, Valued]) -> str:
    """Say of EO and IO whether they stayed within the tolerance, without an end to the sentence.

    Empty where neither was measured.
    """
    groups: dict[str, list[str]] = {}
    for muscle in QUIET_MUSCLES:
        item = changes.get(muscle)
        if item is not None and item.value is not None:
            groups.setdefault(_verdict(item), []).append(short_name(muscle))
    words = "; ".join(verdict.format(" and ".join(names)) for verdict, names in groups.items())
    return words[:1].upper() + words[1:]


def is_within_tolerance(item: Valued) -> bool:
    """Tell whether the whole interval of a change lies within the tolerance of a quiet muscle."""
    low, high = item.low, item.high
    return low is not None and high is not None and max(abs(low), abs(high)) <= QUIET_PERCENT


def _verdict(item: Valued) -> str:
    """Words around the names of the muscles of which they are true."""
    assert item.low is not None and item.high is not None
    limit = f"{QUIET_PERCENT:g} %"
    if is_within_tolerance(item):
        return f"{{}} stayed within {limit} of the thickness at rest"
    if min(abs(item.low), abs(item.high)) > QUIET_PERCENT and not holds_zero(item):
        return f"{{}} changed by more than {limit}"
    return f"whether {{}} stayed within {limit} of the thickness at rest cannot be told"
