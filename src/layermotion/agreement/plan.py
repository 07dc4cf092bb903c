"""Owns the planning command: sentences on how large a study must be, and its empty table."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from layermotion.agreement.planning import (
    MOST_SUBJECTS,
    equivalence_power,
    limits_interval_width,
    limits_power,
    repeated_interval_width,
    subjects_for_limits,
    subjects_for_margin,
    subjects_for_mean,
)
from layermotion.agreement.planning_icc import (
    MOST_RATERS,
    crossed_width,
    exceeding_power,
    icc_interval_width,
    raters_for_crossed,
    subjects_for_crossed,
    subjects_for_icc,
    subjects_to_exceed,
)
from layermotion.errors import InputError


@dataclass(frozen=True)
class Expectation:
    """What the researcher expects and wants.

    Parameters
    ----------
    icc, icc_width
        Expected coefficient of one measurement, wanted width of its 95 % interval.
    raters, repeats
        Raters who measure each subject, and measurements by each in all. With several raters the
        coefficient is ICC(2,1) of what is analysed, such as the mean of the repeats.
    offset_share
        Share of the error variance that is constant offsets of raters.
    least_icc
        Coefficient that is to be shown to be exceeded; None leaves the test out.
    sd, bias
        Expected spread and mean of the differences, in the unit of the measure; None for ``sd``
        leaves agreement out.
    within_sd
        Part of ``sd`` that differs between repeats of a subject; None plans one pair a subject.
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
    raters: int = 2
    repeats: int = 1
    offset_share: float = 0.2
    least_icc: float | None = None
    sd: float | None = None
    bias: float = 0.0
    within_sd: float | None = None
    within: float | None = None
    margin: float | None = None
    power: float = 0.8
    subjects: int | None = None

    def __post_init__(self) -> None:
        if self.margin is not None and self.sd is None:
            raise InputError("--margin needs the expected spread of the differences; give --sd.")
        if self.within is not None and self.sd is None:
            raise InputError("--limits-within needs the spread of the differences; give --sd.")
        if self.within_sd is not None and (self.sd is None or self.within_sd > self.sd):
            raise InputError("--within-sd is a part of --sd; give --sd, and no more than that.")
        if self.least_icc is not None and self.least_icc >= self.icc:
            raise InputError(
                f"--least-icc {self.least_icc:g} is not below the expected ICC of {self.icc:g}, so "
                f"no study can show it; give a lower one."
            )
        if self.margin is not None and abs(self.bias) >= self.margin:
            raise InputError(
                f"--bias {self.bias:g} is not within the margin of {self.margin:g}, so no study "
                f"can show that it holds; give a larger margin."
            )

    @property
    def measurements(self) -> int:
        """How often each subject is measured for the coefficient."""
        return self.raters if self.raters > 1 else self.repeats

    @property
    def within_share(self) -> float:
        """Share of the variance of one difference that differs between repeats."""
        return 0.0 if not (self.sd and self.within_sd) else (self.within_sd / self.sd) ** 2

    @property
    def pairs(self) -> int:
        """Pairs of values that each subject gives for limits of agreement."""
        return self.repeats if self.within_sd is not None else 1


def plan_words(wanted: Expectation) -> Iterator[str]:
    """Say how many subjects each aim needs, and what a given number of them is worth."""
    if wanted.raters > 1:
        yield _crossed_words(wanted)
    elif wanted.measurements > 1:
        yield _repeated_words(wanted)
    if wanted.least_icc is not None and wanted.measurements > 1:
        yield _test_words(wanted, wanted.least_icc)
    sd = wanted.sd
    if sd is not None:
        within = wanted.within if wanted.within is not None else sd / 2
        needed = _subjects(
            lambda: subjects_for_limits(2 * within / sd, wanted.pairs, wanted.within_share)
        )
        how = f"{wanted.pairs} repeats each" if wanted.pairs > 1 else "exact interval"
        yield (
            f"Limits of agreement: {needed} for each limit known within ±{within:g}, SD of "
            f"differences {sd:g} ({how})."
        )
    if sd is not None and wanted.margin is not None:
        expected = (wanted.bias, sd, wanted.margin, wanted.power)
        single = subjects_for_margin(*expected)
        aim = (
            f"a margin of ±{wanted.margin:g}, bias {wanted.bias:g}, power {_percent(wanted.power)}"
        )
        number = "no number of subjects is enough" if single is None else f"{single} subjects"
        alone = ", one pair each" if wanted.pairs > 1 else ""
        yield (
            f"Single values within the margin: {number} for {aim} (exact tolerance factors{alone})."
        )
        yield (
            f"Mean difference within the margin: "
            f"{_subjects(lambda: subjects_for_mean(*expected))} for {aim} "
            f"(two one-sided tests at 5 %{alone})."
        )
    if wanted.subjects is not None:
        yield from _worth(wanted, wanted.subjects)
    yield "Add subjects for those who drop out and for clips that cannot be measured."


def _crossed_words(wanted: Expectation) -> str:
    aim = (
        f"an ICC(2,1) of {wanted.icc:g} with a 95 % interval {wanted.icc_width:g} wide, where "
        f"offsets between raters are {_percent(wanted.offset_share)} of the error variance"
    )
    asked = wanted.icc, wanted.icc_width
    needed = subjects_for_crossed(*asked, wanted.raters, wanted.offset_share)
    if needed is not None:
        return f"Reliability: {needed} subjects for {aim}, {wanted.raters} raters."
    more = raters_for_crossed(*asked, wanted.offset_share)
    if more is None:
        remedy = f"more than {MOST_RATERS} raters would be needed"
    else:
        subjects = subjects_for_crossed(*asked, more, wanted.offset_share)
        remedy = f"{more} raters and {subjects} subjects are"
    return (
        f"Reliability: no number of subjects is enough with {wanted.raters} raters for {aim}; "
        f"{remedy}."
    )


def _repeated_words(wanted: Expectation) -> str:
    needed = subjects_for_icc(wanted.icc, wanted.icc_width, wanted.measurements)
    return (
        f"Reliability: {needed} subjects for an ICC of {wanted.icc:g} with a 95 % interval "
        f"{wanted.icc_width:g} wide, {wanted.measurements} measurements each by one rater "
        f"(Bonett 2002)."
    )


def _test_words(wanted: Expectation, least: float) -> str:
    search = _subjects(
        lambda: subjects_to_exceed(least, wanted.icc, wanted.measurements, wanted.power)
    )
    return (
        f"Test: {search} to show that an ICC of {wanted.icc:g} exceeds {least:g}, power "
        f"{_percent(wanted.power)}, {wanted.measurements} measurements each (one-sided F test at "
        f"5 %, which takes raters to have no offsets; Donner and Eliasziw 1987, as Walter, "
        f"Eliasziw and Donner 1998)."
    )


def _subjects(search: Callable[[], int]) -> str:
    try:
        return f"{search()} subjects"
    except ValueError:
        return f"more than {MOST_SUBJECTS} subjects"


def _worth(wanted: Expectation, subjects: int) -> Iterator[str]:
    words = []
    if wanted.measurements > 1:
        if wanted.raters > 1:
            width = crossed_width(subjects, wanted.icc, wanted.raters, wanted.offset_share)
        else:
            width = icc_interval_width(subjects, wanted.icc, wanted.measurements)
        wide = f"{width:.2f} wide" if width < 2 else "that says nothing"
        words.append(f"an interval of the ICC {wide}")
        if wanted.least_icc is not None:
            chance = exceeding_power(subjects, wanted.least_icc, wanted.icc, wanted.measurements)
            words.append(f"power {_percent(chance)} for the test of the ICC")
    if wanted.sd is not None:
        width = (
            repeated_interval_width(subjects, wanted.pairs, wanted.within_share)
            if wanted.pairs > 1
            else limits_interval_width(subjects)
        )
        known = width / 2 * wanted.sd
        words.append(f"limits known within ±{known:.2g}")
        if wanted.margin is not None:
            expected = (subjects, wanted.bias, wanted.sd, wanted.margin)
            words.append(f"power {_percent(limits_power(*expected))} for single values")
            words.append(f"power {_percent(equivalence_power(*expected))} for the mean difference")
    if words:
        yield f"{subjects} subjects give: {', '.join(words)}."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
