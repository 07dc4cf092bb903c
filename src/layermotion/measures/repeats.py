"""Owns the mean of repeats: its value, how sure it is, and when there is none."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Self

import numpy as np

from layermotion.labels import Structure
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.normal import Z95
from layermotion.ways import way_of

# 97.5 % quantiles of Student's t for 1, 2, ... 30 degrees of freedom (any table of the
# distribution; a test compares them with scipy). Beyond, the normal one is 4 % too small at most.
T975 = (
    *(12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228),
    *(2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086),
    *(2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042),
)
# A time within the clip has no mean over repeats.
NO_MEAN = "onset_time"
# Fewest repeats of which a time has a mean: people hold for as long as they like, and the interval
# of two, by Student's t, holds almost any time (our choice).
FEWEST_TIMED = 3
TOO_FEW_TIMES = (
    "Two times have no mean, because its interval would hold almost any time; record three repeats."
)
# Measures that cannot be negative, as times cannot.
NEVER_NEGATIVE = ("thickness_rest", "thickness_contracted", "contraction_ratio")
# How much repeats usually differ, as a standard deviation:
# thickness 0.4 mm, its change 15 points, so 0.6 mm of a TrA of 4 mm (Costa et al. 2009, Eur Spine J
# 18(7):1059-65, PMC2899591); slide 2 mm (3.8 mm between people, Hides et al. 2006, Spine
# 31(6):E175-8, with ICC(3,3) 0.89, Chen et al. 2015, J Manipulative Physiol Ther 38(8):581-6);
# bladder base 2.5 mm (5.5 mm between people, Martinez-Bustelo et al. 2022, Int Urogynecol J 33(8),
# with an ICC of 0.80). The share of 0.03 follows from 15 points; that ICC and the times are our
# choice. Repeats are only held against it; no interval rests on it.
EXPECTED_SPREAD = {
    ("thickness_rest", "mm"): 0.4,
    ("thickness_contracted", "mm"): 0.4,
    ("thickness_change", "mm"): 0.6,
    ("thickness_change", "%"): 15.0,
    ("contraction_ratio", "ratio"): 0.15,
    ("preferential_activation_ratio", "ratio"): 0.03,
    ("slide", "mm"): 2.0,
    ("medial_edge_displacement", "mm"): 2.0,
    ("base_displacement", "mm"): 2.5,
    ("lift_before", "mm"): 2.5,
    ("lift_drop", "mm"): 2.5,
    ("lift_after", "mm"): 2.5,
    ("rise_time", "s"): 0.5,
    ("hold_time", "s"): 1.0,
    ("return_time", "s"): 0.5,
}
# EO and IO are meant to stay quiet, so their changes vary by this share of that (our choice).
CHANGES, QUIET_SHARE = ("thickness_change", "contraction_ratio"), 1 / 3
# 95 % quantiles of chi-square over its degrees of freedom 1, 2, ...: repeats whose variance over
# the expected one is larger differ more than usual; the last counts for all beyond.
USUAL_RATIO = (3.84, 3.00, 2.60, 2.37, 2.21, 2.10, 2.01, 1.94, 1.88, 1.83)
# Repeats that differ by a standard deviation of so many usual ones are not of one thing: twice what
# a person may be whose efforts vary four times as much as usual (our choice).
NOT_ONE_THING = 8.0
MEAN_METHOD = (
    "Mean of the repeats. Its interval holds the measuring error of one repeat, which repeats may "
    "share, and the spread between repeats by Student's t. In simulations of 2, 3 and 5 repeats it "
    "holds the truth in at least 95 % (python scripts/coverage.py)."
)


class Agreement(Enum):
    """How repeats agree: as usual, less than usual, or so little that they have no mean."""

    USUAL = "usual"
    WIDE = "wide"
    NOT_ONE = "not one"


@dataclass(frozen=True)
class Certainty:
    """What the interval of a mean rests on.

    Parameters
    ----------
    count
        How many repeats.
    spread
        Standard deviation between them; 0 of a single one, whose spread is not known.
    error_half
        Half-width of the interval of measuring error of one of them.

    Examples
    --------
    Of three repeats with a standard deviation of 2, each known to 1:

    >>> round(Certainty(3, 2.0, 1.0).half, 2)
    5.07
    """

    count: int
    spread: float
    error_half: float

    @classmethod
    def of(cls, values: Sequence[float], error_half: float) -> Self:
        """Certainty of the mean of some repeats."""
        spread = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
        return cls(len(values), spread, error_half)

    @property
    def half(self) -> float:
        """Half-width of the interval of the mean; of a single repeat that of measuring error."""
        if self.count == 1:
            return self.error_half
        scatter = t975(self.count - 1) * self.spread / math.sqrt(self.count)
        return math.hypot(self.error_half, scatter)

    def agreement(self, expected: float | None) -> Agreement:
        """Hold the repeats against the spread that is usual; None where that is not known."""
        if self.count == 1 or expected is None:
            return Agreement.USUAL
        if self.spread > NOT_ONE_THING * expected:
            return Agreement.NOT_ONE
        usual = expected**2 + (self.error_half / Z95) ** 2
        ratio = USUAL_RATIO[min(self.count - 1, len(USUAL_RATIO)) - 1]
        return Agreement.WIDE if self.spread**2 > ratio * usual else Agreement.USUAL


def t975(freedom: int) -> float:
    """97.5 % quantile of Student's t.

    Examples
    --------
    >>> t975(2)
    4.303
    """
    return T975[freedom - 1] if freedom <= len(T975) else Z95


def half_of_difference(first: Certainty, second: Certainty) -> float:
    """Half-width of the interval of the difference of two means.

    The repeats of both are taken to vary alike, as those of one person do, so that their spreads
    are pooled. Of two single repeats it holds measuring error alone.

    Examples
    --------
    Of two and two repeats with a standard deviation of 2:

    >>> round(half_of_difference(Certainty(2, 2.0, 0.0), Certainty(2, 2.0, 0.0)), 2)
    8.61
    """
    own = math.hypot(first.error_half, second.error_half)
    freedom = first.count + second.count - 2
    if freedom == 0:
        return own
    squares = sum((one.count - 1) * one.spread**2 for one in (first, second))
    pooled = math.sqrt(squares / freedom * (1 / first.count + 1 / second.count))
    return math.hypot(own, t975(freedom) * pooled)


def interval_of(name: str, unit: str, middle: float, certainty: Certainty) -> tuple[float, float]:
    """Interval of a mean; what cannot be negative has no end below 0."""
    low = middle - certainty.half
    is_positive = unit == "s" or name in NEVER_NEGATIVE
    return max(low, 0.0) if is_positive else low, middle + certainty.half


def expected_spread(name: str, unit: str, structure: str) -> float | None:
    """Return the usual standard deviation between repeats; None where none is known.

    Examples
    --------
    >>> [expected_spread("thickness_change", "%", muscle) for muscle in ("tra", "eo")]
    [15.0, 5.0]
    """
    spread = EXPECTED_SPREAD.get((name, unit))
    is_quiet = name in CHANGES and structure in (Structure.EO, Structure.IO)
    return spread * QUIET_SHARE if spread is not None and is_quiet else spread


def is_too_few(unit: str, count: int) -> bool:
    """Whether repeats are too few to have a mean: two times.

    Examples
    --------
    >>> is_too_few("s", 2), is_too_few("mm", 2), is_too_few("s", 3), is_too_few("s", 1)
    (True, False, False, False)
    """
    return unit == "s" and 1 < count < FEWEST_TIMED


def are_not_alike(
    name: str,
    certainty: Certainty,
    expected: float | None,
    intervals: Sequence[tuple[float | None, float | None]],
) -> bool:
    """Whether repeats cannot be of one thing, so that they have no mean.

    They differ too much; or some went one way beyond error and others the other way. A thickness
    that changes little may do that, so long as its repeats differ no more than usual.

    Parameters
    ----------
    name
        Of the measure.
    expected
        Usual standard deviation between repeats; None where none is known.
    intervals
        Of each repeat.
    """
    agreement = certainty.agreement(expected)
    known = [(low, high) for low, high in intervals if low is not None and high is not None]
    # A ratio of 1 is a change of 0 %.
    none = 1.0 if name == "contraction_ratio" else 0.0
    is_opposite = any(low > none for low, _ in known) and any(high < none for _, high in known)
    may_be = way_of(name) == "" and expected is not None and agreement is Agreement.USUAL
    return agreement is Agreement.NOT_ONE or (is_opposite and not may_be)


def no_mean_words(values: Sequence[float], unit: str) -> str:
    """Say why repeats have no mean."""
    shown = " and ".join((", ".join(f"{v:.3g}" for v in values[:-1]), f"{values[-1]:.3g}"))
    return (
        f"The repeats ({shown} {unit}) differ too much to be of one thing, so they have no mean; "
        f"look at each recording, and leave out what is wrong or was another task."
    )


def with_means(measures: list[Measure]) -> tuple[Measure, ...]:
    """Add the mean of the repeats of every measure that has more than one value."""
    result = list(measures)
    keys = dict.fromkeys((m.name, m.structure, m.unit) for m in measures)
    for name, structure, unit in keys:
        if name == NO_MEAN:
            continue
        group = [m for m in measures if (m.name, m.structure, m.unit) == (name, structure, unit)]
        known = [m for m in group if m.value is not None]
        values = tuple(m.value for m in known if m.value is not None)
        if len(values) < 2 or is_too_few(unit, len(values)):
            continue
        certainty = Certainty.of(values, float(np.mean([m.error_half for m in known])))
        mean = replace(known[0], repeat=MEAN, frames=";".join(m.frames for m in known))
        expected = expected_spread(name, unit, structure)
        if are_not_alike(name, certainty, expected, [(m.low, m.high) for m in known]):
            mean = replace(
                mean,
                value=None,
                low=None,
                high=None,
                status=Status.NEEDS_MANUAL,
                reason=no_mean_words(values, unit),
            )
        else:
            middle = float(np.mean(values))
            low, high = interval_of(name, unit, middle, certainty)
            mean = replace(mean, value=middle, low=low, high=high, status=Status.DRAFT, reason="")
        result.append(replace(mean, method=MEAN_METHOD))
    return tuple(result)


def overall(measures: Iterable[Measure], name: str, structure: str, unit: str) -> Measure | None:
    """Give the mean of the repeats, with a value or a reason; of one repeat that itself.

    No single repeat stands for others with which it has no mean.
    """
    own = [m for m in measures if (m.name, m.structure, m.unit) == (name, structure, unit)]
    mean = [m for m in own if m.repeat == MEAN]
    with_value = [m for m in own if m.value is not None]
    return next(iter((*mean, *with_value, *own)), None)
