"""Owns the methods paragraphs that a paper may take over, with their sources."""

from collections.abc import Iterator, Sequence

from layermotion import __version__
from layermotion.agreement.drawing import measure_words
from layermotion.agreement.reliability import LEAST_GAIN, Reliability
from layermotion.agreement.spread import DRAWS
from layermotion.agreement.study import Comparison, StudyOptions
from layermotion.report import palette

COMPARE_SOURCES = (
    "Bland JM, Altman DG. Lancet 1986; i:307-310; Stat Methods Med Res 1999; 8:135-160; "
    "J Biopharm Stat 2007; 17:571-582.",
    "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. "
    "Optom Vis Sci 2015; 92(3).",
    "Zou GY. Limits of agreement with multiple observations per individual. Stat Methods Med Res "
    "2013; 22(6).",
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428; McGraw KO, Wong SP. Psychol Methods "
    "1996; 1:30-46.",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Lin LI. Biometrics 1989; 45:255-268, corrected 2000; 56:324-325.",
    "Linnet K. Stat Med 1990; 9:1463-1473 (Deming, jackknife); Passing H, Bablok W. J Clin Chem "
    "Clin Biochem 1983; 21:709-720.",
    "Barnhart HX, Kosinski AS, Haber MJ. J Biopharm Stat 2007; 17:697-719 (individual agreement).",
    "Hesterberg TC. Am Stat 2015; 69:371-386 (percentiles of the bootstrap for few subjects).",
    "Bonett DG. Stat Med 2002; 21:1331-1335 (subjects for an ICC).",
)
RELIABILITY_SOURCES = (
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428.",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Satterthwaite FE. Biometrics Bull 1946; 2:110-114 (degrees of freedom of a sum of variances).",
)


def measure_label(structure: str, measure: str, unit: str) -> str:
    """Name a measure as a heading does.

    Examples
    --------
    >>> measure_label("fat", "thickness_rest", "mm")
    'Fat thickness, rest, mm'
    """
    words = f"{palette.short_name(structure)} {measure_words(measure)}, {unit}"
    return words[0].upper() + words[1:]


def compare_methods(comparisons: Sequence[Comparison], options: StudyOptions) -> Iterator[str]:
    """Say how agreement was analysed, one paragraph after the other."""
    several = any(len(item.pairs.raters) > 1 for item in comparisons)
    repeated = any(item.pairs.auto.size > item.pairs.subjects for item in comparisons)
    plain = any(item.pairs.auto.size == item.pairs.subjects for item in comparisons)
    names = "; ".join(
        f"{measure_label(i.pairs.structure, i.pairs.measure, i.pairs.unit)} "
        f"({i.pairs.subjects} subjects, {i.pairs.auto.size} pairs)"
        for i in comparisons
    )
    most = max(len(item.pairs.raters) for item in comparisons)
    scale = "ratios, as differences of natural logarithms" if options.as_ratio else "differences"
    raters = "the mean of the raters" if several else "the manual value"
    yield (
        f"Automatic values (layermotion {__version__}) were compared with the calliper values of "
        f"{f'{most} raters' if several else 'one rater'}: {names}. A rater's readings of one "
        f"target were averaged first. Agreement was described by {scale} of the automatic value "
        f"and {raters}: bias and 95 % limits of agreement (bias ± 1.96 SD)."
    )
    if several:
        yield (
            "A mean of raters errs less than one of them; the limits against each rater, and "
            "between raters, are given as well."
        )
    if repeated:
        yield (
            "Where subjects gave several pairs, the SD of a single difference was put together "
            "from its variance between and within subjects (one-way analysis of variance; the true "
            "value may vary), with intervals recovered from the variance of each part."
        )
    if plain:
        yield (
            "With one pair a subject, each limit has an exact interval (noncentral t), and the "
            "outer bounds hold 95 % of differences with 97.5 % confidence (two-sided tolerance "
            "limits); the large-sample intervals stand beside them."
        )
    yield (
        "Proportional bias was the least-squares slope of the difference on the mean; a spread "
        "that changes with the mean was looked for in the size of its residuals. Two lines that "
        "allow error in both methods were fitted: Deming's, with an error ratio (automatic over "
        f"manual variance) of {options.error_ratio:g} and jackknife intervals by subject, and "
        "Passing-Bablok's. Lin's concordance correlation has the interval of its z transform. "
        f"Further intervals drew whole subjects again ({DRAWS} bootstrap draws, seed "
        f"{options.seed}, percentiles widened for few subjects)."
    )
    yield (
        "Intraclass correlations are given in all six forms of Shrout and Fleiss; ICC(2,1), "
        "two-way random, single measure, absolute agreement, is the one to read. The standard "
        "error of measurement (SEM) is the root of the error variance, offsets between methods "
        "included; MDC95 is 1.96 √2 SEM, and CV is SEM over the mean."
    )
    if several:
        yield (
            "The tool's root mean square distance from a rater was set against the distance "
            "between raters; the interval of their ratio drew subjects again."
        )
    if options.margins:
        words = " and ".join(f"{value:g} {unit}" for unit, value in options.margins.items())
        yield (
            f"The margin was stated beforehand: {words}. The mean difference was tested by two "
            "one-sided tests at 5 % on means of subjects; single values count as within the margin "
            "when the outer bounds of both limits are."
        )
    yield (
        "No value was imputed and no outlier removed. Values that the tool withheld, and values "
        "without a partner, took no part; they are listed. No correction was made for testing "
        "several measures."
    )


def reliability_methods(results: Sequence[Reliability]) -> Iterator[str]:
    """Say how variance was split, one paragraph after the other."""
    names = "; ".join(
        f"{measure_label(r.structure, r.measure, r.unit)} ({r.subjects} subjects, "
        f"{r.observations} values, {'one rater' if r.raters == 1 else f'{r.raters} raters'})"
        for r in results
    )
    yield (
        f"The variance of single values was split (layermotion {__version__}): {names}. "
        "A linear mixed model was fitted by "
        "restricted maximum likelihood, with subject, subject by rater, session within subject and "
        "placement within session as random effects, as far as the design tells them apart (a clip "
        "is a placement where none is stated); raters were fixed, and their variance was that of "
        "their effects less its error. Sides and tasks of a subject count as true differences, not "
        "as error."
    )
    yield (
        "The standard error of measurement (SEM) of a mean of repeats is the root of all variances "
        "but the subjects', the residual divided by the number of repeats; with the same rater at "
        "both visits, the raters' parts fall away. Intervals follow Satterthwaite. The smallest "
        "detectable change is 1.96 √2 SEM. Repeats were taken as enough where one more lowers the "
        f"SEM by less than {LEAST_GAIN:.0%}."
    )
