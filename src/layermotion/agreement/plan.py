"""Owns the planning command: sentences on how large a study must be, and its empty table."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from layermotion.agreement.planning import (
    MOST_SUBJECTS,
    equivalence_power,
    icc_interval_width,
    limits_interval_width,
    limits_power,
    subjects_for_icc,
    subjects_for_limits,
    subjects_for_margin,
    subjects_for_mean,
)
from layermotion.errors import InputError


@dataclass(frozen=True)
class Expectation:
    """What the researcher expects and wants.

    Parameters
    ----------
    icc, icc_width, measurements
        Expected coefficient, wanted width of its 95 % interval, measurements of each subject: by
        raters, or repeated.
    sd, bias
        Expected spread and mean of the differences, in the unit of the measure; None for ``sd``
        leaves agreement out.
    within
        How exactly each limit of agreement should be known, plus or minus; None for half an SD.
    margin
        Largest difference that does not matter; None leaves power out.
    power
        Wanted chance to show that the margin holds.
    subjects
        A number of subjects whose worth is told; None leaves it out.
    """

    icc: float = 0.9
    icc_width: float = 0.1
    measurements: int = 2
    sd: float | None = None
    bias: float = 0.0
    within: float | None = None
    margin: float | None = None
    power: float = 0.8
    subjects: int | None = None

    def __post_init__(self) -> None:
        if self.margin is not None and self.sd is None:
            raise InputError("--margin needs the expected spread of the differences; give --sd.")
        if self.within is not None and self.sd is None:
            raise InputError("--limits-within needs the spread of the differences; give --sd.")
        if self.margin is not None and abs(self.bias) >= self.margin:
            raise InputError(
                f"--bias {self.bias:g} is not within the margin of {self.margin:g}, so no study "
                f"can show that it holds; give a larger margin."
            )


def plan_words(wanted: Expectation) -> Iterator[str]:
    """Say how many subjects each aim needs, and what a given number of them is worth."""
    if wanted.measurements > 1:
        yield _reliability_words(wanted)
    sd = wanted.sd
    if sd is not None:
        within = wanted.within if wanted.within is not None else sd / 2
        yield (
            f"Limits of agreement: {_subjects(lambda: subjects_for_limits(2 * within / sd))} for "
            f"each limit known within ±{within:g}, SD of differences {sd:g} "
            f"(exact interval)."
        )
    if sd is not None and wanted.margin is not None:
        expected = (wanted.bias, sd, wanted.margin, wanted.power)
        single = subjects_for_margin(*expected)
        aim = (
            f"a margin of ±{wanted.margin:g}, bias {wanted.bias:g}, power {_percent(wanted.power)}"
        )
        number = "no number of subjects is enough" if single is None else f"{single} subjects"
        yield f"Single values within the margin: {number} for {aim} (exact tolerance factors)."
        yield (
            f"Mean difference within the margin: "
            f"{_subjects(lambda: subjects_for_mean(*expected))} for {aim} "
            f"(two one-sided tests at 5 %)."
        )
    if wanted.subjects is not None:
        yield from _worth(wanted, wanted.subjects)
    yield "Add subjects for those who drop out and for clips that cannot be measured."


def _reliability_words(wanted: Expectation) -> str:
    needed = subjects_for_icc(wanted.icc, wanted.icc_width, wanted.measurements)
    return (
        f"Reliability: {needed} subjects for an ICC of {wanted.icc:g} with a 95 % interval "
        f"{wanted.icc_width:g} wide, {wanted.measurements} measurements each (Bonett 2002)."
    )


def _subjects(search: Callable[[], int]) -> str:
    try:
        return f"{search()} subjects"
    except ValueError:
        return f"more than {MOST_SUBJECTS} subjects"


def _worth(wanted: Expectation, subjects: int) -> Iterator[str]:
    words = []
    if wanted.measurements > 1:
        width = icc_interval_width(subjects, wanted.icc, wanted.measurements)
        wide = f"{width:.2f} wide" if width < 2 else "that says nothing"
        words.append(f"an interval of the ICC {wide}")
    if wanted.sd is not None:
        known = limits_interval_width(subjects) / 2 * wanted.sd
        words.append(f"limits known within ±{known:.2g}")
        if wanted.margin is not None:
            expected = (subjects, wanted.bias, wanted.sd, wanted.margin)
            words.append(f"power {_percent(limits_power(*expected))} for single values")
            words.append(f"power {_percent(equivalence_power(*expected))} for the mean difference")
    if words:
        yield f"{subjects} subjects give: {', '.join(words)}."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
