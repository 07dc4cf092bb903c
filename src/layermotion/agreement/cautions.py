"""Owns the sentences that a reader of a comparison must know."""

from collections.abc import Iterator

from layermotion.agreement import regression
from layermotion.agreement.icc import FEWEST_RATERS
from layermotion.agreement.study import Comparison, StudyOptions

# Below this many subjects the intervals are too wide to decide on (our choice).
FEW_SUBJECTS = 20
# From so many on the interval for any distribution held the limit in 93 to 96 % of simulated
# studies (scripts/study.py coverage --part shapes).
ANY_SHAPE_SUBJECTS = 200
# Significance of the checks that only lead to a caution; common practice.
ALPHA = 0.05


def compare_cautions(found: Comparison, options: StudyOptions) -> Iterator[str]:
    """Say what limits the use of the figures of one measure."""
    pairs, trend = found.pairs, found.trend
    if not found.is_varied:
        yield (
            "Every automatic value differs from its manual one by the same amount, which "
            "measurements do not: check that neither table was made from the other."
        )
        return
    if options.as_ratio and not found.as_ratio:
        yield (
            "Some values are zero or below and have no logarithm, so differences were analysed "
            "here and not ratios."
        )
    if pairs.subjects < FEW_SUBJECTS:
        yield (
            f"Only {pairs.subjects} subjects: the intervals are wide, and none should decide alone."
        )
    can_be_ratio = pairs.has_logarithms and not options.as_ratio
    remedy = ", or use --log" if can_be_ratio else ""
    again = "; analyse ratios with --log" if can_be_ratio else ""
    if trend.slope_p < ALPHA:
        yield (
            "The difference changes with the size of the value, so one pair of limits does not "
            f"hold for all sizes: read the sloping lines of the difference plot{remedy}."
        )
    if trend.spread_p < ALPHA:
        yield (
            "The spread of the differences changes with the size of the value: the limits are too "
            f"wide at one end and too narrow at the other{again}."
        )
    if found.normal_p < ALPHA:
        few = (
            f" Below {ANY_SHAPE_SUBJECTS} subjects that one is short too: it held the limit in 91 "
            f"to 96 % of simulated studies, where the one for normal differences held it in 82 to "
            f"99 %."
            if pairs.subjects < ANY_SHAPE_SUBJECTS
            else ""
        )
        yield (
            "The differences are not normally distributed (Shapiro-Wilk): between the limits may "
            "lie more or less than 95 % of them, and of the intervals of the limits the one for "
            f"any distribution is to be read.{few}"
        )
    if found.rater_error is not None and len(pairs.raters) < FEWEST_RATERS:
        yield (
            "Two raters say too little about raters at large: SEM, smallest detectable change and "
            "CV of any rater are not given, and the interval of ICC(2,1) among the raters is wide."
        )
    low, high = found.error_ratio.low, found.error_ratio.high
    if not low <= options.error_ratio <= high and found.error_ratio.has_interval():
        yield (
            f"Deming's line was fitted with an error ratio of {options.error_ratio:g}, while the "
            f"repeats suggest {found.error_ratio.value:.2g} ({low:.2g} to {high:.2g}); give it "
            f"with --error-ratio."
        )
    if found.passing_bablok is None:
        yield (
            f"Passing-Bablok was left out: it compares all pairs of points, and "
            f"{regression.MOST_BABLOK_POINTS} points are the most it is run for."
        )
    if found.as_ratio and pairs.unit in options.margins:
        yield "The margin was not tested, because ratios were analysed."
    if options.ratio_margin is not None and found.spread is None:
        yield "The margin of the ratio was not tested, because no two raters measured the same."
