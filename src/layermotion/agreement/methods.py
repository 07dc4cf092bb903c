"""Owns the methods paragraphs that a paper may take over, with their sources.

What only the researcher knows stands between double brackets, for the page to mark.
"""

from collections.abc import Iterator, Sequence

from layermotion import __version__
from layermotion.agreement.account import FAR_SD
from layermotion.agreement.icc import FEWEST_RATERS
from layermotion.agreement.reliability import LEAST_GAIN, Reliability
from layermotion.agreement.study import Comparison, StudyOptions
from layermotion.report import palette
from layermotion.report.words import signed_words

COMPARE_SOURCES = (
    "Bland JM, Altman DG. Lancet 1986; i:307-310; Stat Methods Med Res 1999; 8:135-160; "
    "J Biopharm Stat 2007; 17:571-582.",
    "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. "
    "Optom Vis Sci 2015; 92(3).",
    "Weerahandi S. J Am Stat Assoc 1993; 88:899-905 (generalized confidence intervals).",
    "Zou GY. Limits of agreement with multiple observations per individual. Stat Methods Med Res "
    "2013; 22(6).",
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428; McGraw KO, Wong SP. Psychol Methods "
    "1996; 1:30-46.",
    "Ionan AC, Polley MC, McShane LM, Dobbin KK. BMC Med Res Methodol 2014; 14:121 (intervals of "
    "an ICC with few raters).",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Lin LI. Biometrics 1989; 45:255-268.",
    "Linnet K. Stat Med 1990; 9:1463-1473 (Deming, jackknife); Passing H, Bablok W. J Clin Chem "
    "Clin Biochem 1983; 21:709-720.",
    "Schuirmann DJ. J Pharmacokinet Biopharm 1987; 15:657-680 (two one-sided tests).",
    "Barnhart HX, Kosinski AS, Haber MJ. J Biopharm Stat 2007; 17:697-719 (individual agreement).",
    "Bonett DG. Stat Med 2002; 21:1331-1335 (subjects for an ICC).",
)
RELIABILITY_SOURCES = (
    "Shrout PE, Fleiss JL. Psychol Bull 1979; 86:420-428.",
    "Weir JP. J Strength Cond Res 2005; 19(1):231-240.",
    "Satterthwaite FE. Biometrics Bull 1946; 2:110-114 (degrees of freedom of a sum of variances).",
    "Graybill FA, Wang CM. J Am Stat Assoc 1980; 75:869-873 (interval of a sum of variances).",
)


def measure_label(structure: str, measure: str, unit: str) -> str:
    """Name a measure as a heading does.

    Examples
    --------
    >>> measure_label("fat", "thickness_rest", "mm")
    'Fat thickness, rest, mm'
    >>> measure_label("tra", "contraction_ratio", "ratio")
    'TrA contraction ratio'
    """
    words = f"{palette.short_name(structure)} {signed_words(measure)}"
    return words[0].upper() + words[1:] + ("" if unit == "ratio" else f", {unit}")


def _setting() -> Iterator[str]:
    """Blanks for what reporting guidelines of reliability and agreement (GRRAS) ask for."""
    yield (
        "Subjects: [[how subjects were found and chosen, and who was left out]]. Raters: [[who "
        "they were, how they were trained, and how they were chosen]]. Acquisition: [[scanner, "
        "probe, position of the subject, place of the probe, instructions, and time between "
        "sessions]]. Raters were [[blinded to each other, to the tool and to their own earlier "
        "readings, or not]]. The number of subjects was [[how it was planned]]."
    )


def compare_methods(comparisons: Sequence[Comparison], options: StudyOptions) -> Iterator[str]:
    """Say how agreement was analysed, one paragraph after the other."""
    several = any(len(item.pairs.raters) > 1 for item in comparisons)
    repeated = any(item.pairs.auto.size > item.pairs.subjects for item in comparisons)
    plain = any(item.pairs.auto.size == item.pairs.subjects for item in comparisons)
    again = any(item.pairs.manual.shape[2] > 1 for item in comparisons)
    names = "; ".join(
        f"{measure_label(i.pairs.structure, i.pairs.measure, i.pairs.unit)} "
        f"({i.pairs.subjects} subjects, {i.pairs.auto.size} pairs)"
        for i in comparisons
    )
    most = max(len(item.pairs.raters) for item in comparisons)
    scale = "ratios, as differences of natural logarithms" if options.as_ratio else "differences"
    raters = "the mean of the raters" if several else "the manual value"
    both = "Tool and raters' mean" if several else "Tool and rater"
    yield from _setting()
    yield (
        f"Automatic values (layermotion {__version__}) were compared with the calliper values of "
        f"{f'{most} raters' if several else 'one rater'}: {names}. A rater's readings of one "
        f"target were averaged first. Agreement was described by {scale} of the automatic value "
        f"and {raters}: bias and 95 % limits of agreement (bias ± 1.96 SD). All intervals are 95 % "
        "intervals unless stated."
    )
    if again:
        yield (
            "Limits for one reading of a rater add the variance between readings of one target "
            "(Bland and Altman 1999, section 5.1)."
        )
    if several:
        yield (
            "A mean of raters errs less than one of them; limits and errors against each rater, "
            "and against one rater of them, are given as well."
        )
    if repeated:
        yield (
            "Where subjects gave several pairs, the SD of a single difference was put together "
            "from its variance between and within subjects (one-way analysis of variance; the true "
            "value may vary), with generalized confidence intervals of the limits. Each pair "
            "counts once in the bias, in its test and in all coefficients and lines, so a subject "
            "with more pairs weighs more; errors are by subject. Passing-Bablok's line takes the "
            "mean of each subject."
        )
    if plain:
        yield (
            "With one pair a subject, each limit has an exact interval (noncentral t), and the "
            "outer bounds hold 95 % of differences with 97.5 % confidence (two-sided tolerance "
            "limits)."
        )
    yield (
        "Normality of the differences was tested by the Shapiro-Wilk test at 5 %, and is not "
        "needed by the limits' intervals for any distribution, which leave out one subject at a "
        "time. Proportional bias was the least-squares slope of the difference on the mean, tested "
        "at 5 %; a spread that changes with the mean was looked for in the size of its residuals, "
        "at 5 %. Two lines that allow error in both methods were fitted: Deming's, with an error "
        f"ratio (automatic over manual variance) of {options.error_ratio:g}, and Passing-Bablok's. "
        "Intervals of Deming's line, of Lin's concordance correlation (on Fisher's scale), of "
        "intraclass correlations (likewise) and of errors (on a logarithmic scale) of the tool "
        "come from the jackknife by subject, with Student's t of n - 2. No random numbers were "
        "drawn."
    )
    yield (
        "Intraclass correlations are given in the six forms of Shrout and Fleiss; ICC(2,1), single "
        f"measure, absolute agreement, is the one to read. {both} count as two given methods "
        "(two-way mixed model)"
        + (
            "; the raters among themselves as drawn from many (two-way random model), with "
            "generalized confidence intervals"
            if several
            else ""
        )
        + ". The standard error of measurement (SEM) is the root of the error variance, offsets "
        "included; MDC95 is 1.96 √2 SEM, and CV is SEM over the mean. One-way forms have no "
        "interval, since all subjects were measured by the same methods."
        + (
            f" SEM and MDC95 of any rater are given from {FEWEST_RATERS} raters on."
            if several
            else ""
        )
    )
    if several:
        margin = options.ratio_margin
        yield (
            "The tool's root mean square distance from a rater was set against the distance "
            "between raters, with a jackknife interval by subject of their ratio."
            + (
                ""
                if margin is None
                else f" The tool counts as no worse than another rater where that interval lies "
                f"below {margin:g} (non-inferiority at 2.5 %, one-sided); this factor was "
                f"[[stated before the data were seen, or not, and why it is the right one]]."
            )
        )
    if options.margins:
        words = " and ".join(f"{value:g} {unit}" for unit, value in options.margins.items())
        yield (
            f"The margin was {words}, [[stated before the data were seen, or not, and why it is "
            "the right one]]. The mean difference was tested by two one-sided tests at 5 % (90 % "
            "interval within the margin), with the bias and standard error of the limits; single "
            "values count as within the margin when the outer bounds of both limits are."
        )
    yield (
        "No value was imputed and no outlier removed; differences more than "
        f"{FAR_SD:g} robust SDs (from the median absolute deviation) from the middle one are "
        "listed. Values that the tool withheld, that a clinician had corrected, or that had no "
        "partner took no part; they are counted and listed. No correction was made for testing "
        "several measures."
    )


def reliability_methods(results: Sequence[Reliability]) -> Iterator[str]:
    """Say how variance was split, one paragraph after the other."""
    names = "; ".join(
        f"{measure_label(r.structure, r.measure, r.unit)} ({r.subjects} subjects, "
        f"{r.observations} values, {'one rater' if r.raters == 1 else f'{r.raters} raters'})"
        for r in results
    )
    yield from _setting()
    yield (
        f"The variance of single values was split (layermotion {__version__}): {names}. "
        "A linear mixed model was fitted by "
        "restricted maximum likelihood, with subject, subject by rater, session within subject and "
        "placement within session as random effects, as far as the design tells them apart (a clip "
        "is a placement where none is stated); raters were fixed, and their variance was that of "
        "their effects less its error. Sides and tasks of a subject count as true differences, not "
        "as error. Each value counts once, so subjects with more values weigh more in the residual."
    )
    yield (
        "The standard error of measurement (SEM) of a mean of repeats is the root of all variances "
        "but the subjects', the residual divided by the number of repeats; with the same rater at "
        "both visits, the raters' parts fall away. 95 % intervals follow Satterthwaite; the "
        "raters' part, with raters less one degrees of freedom, and the rest are put together as "
        f"Graybill and Wang do. Any rater has an SEM from {FEWEST_RATERS} raters on. The smallest "
        "detectable change is 1.96 √2 SEM. Repeats were taken as enough where one more lowers the "
        f"SEM by less than {100 * LEAST_GAIN:.0f} %."
    )
