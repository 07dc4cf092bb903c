"""Owns the mean of repeats: its value and how sure it is."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure
from layermotion.measures.measure import MEAN, Measure, Status
from layermotion.normal import Z95

# 97.5 % quantiles of Student's t for 1, 2, ... degrees of freedom (any table of the distribution).
T975 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
# A time within the clip has no mean over repeats.
NO_MEAN = "onset_time"
# How much repeats may differ, as a standard deviation, before any was seen:
# thickness 0.4 mm, its change 15 points, so 0.6 mm of a TrA of 4 mm (Costa et al. 2009, Eur Spine J
# 18(7):1059-65, PMC2899591); slide 2 mm (3.8 mm between people, Hides et al. 2006, Spine
# 31(6):E175-8, with ICC(3,3) 0.89, Chen et al. 2015, J Manipulative Physiol Ther 38(8):581-6);
# bladder base 2.5 mm (5.5 mm between people, Martinez-Bustelo et al. 2022, Int Urogynecol J 33(8),
# with an ICC of 0.80). The share of 0.03 follows from 15 points; that ICC and the times are our
# choice.
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
    ("rise_time", "s"): 0.5,
    ("hold_time", "s"): 1.0,
    ("return_time", "s"): 0.5,
}
# EO and IO are meant to stay quiet, so their changes vary by this share of that (our choice).
CHANGES, QUIET_SHARE = ("thickness_change", "contraction_ratio"), 1 / 3
# Steps of the spread over which is summed, and the largest in expected spreads; what lies beyond
# weighs nothing.
SPREAD_STEPS, LARGEST = 100, 5.0
MEAN_METHOD = (
    "Mean of the repeats. Its 95 % interval holds the measuring error of one repeat, which repeats "
    "of one clip share, and the spread between repeats: Student's t, or where that is narrower a "
    "random-effects mean with a half-normal prior of the published spread (Friede et al. 2017, "
    "Biometrical Journal 59(4):658-671)."
)


def expected_spread(name: str, unit: str, structure: str) -> float | None:
    """Return the standard deviation to expect between repeats; None where none is known.

    Examples
    --------
    >>> [expected_spread("thickness_change", "%", muscle) for muscle in ("tra", "eo")]
    [15.0, 5.0]
    """
    spread = EXPECTED_SPREAD.get((name, unit))
    is_quiet = name in CHANGES and structure in (Structure.EO, Structure.IO)
    return spread * QUIET_SHARE if spread is not None and is_quiet else spread


def half_of_mean(values: Sequence[float], halves: Sequence[float], expected: float | None) -> float:
    """Half-width of the 95 % interval of the mean of at least two repeats.

    The narrower of two intervals, so that it covers at least 90 % where each covers 95 %
    (Bonferroni). Student's t assumes nothing of the spread between repeats, and of two repeats that
    differ is too wide to be of use. The other is the random-effects mean whose between-repeat
    spread has a half-normal prior: Friede, Roever, Wandel, Neuenschwander 2017, Biometrical Journal
    59(4):658-671, for two studies; arithmetic as in Roever, arXiv:1711.08683. Errors of repeats
    of one clip go together, so the mean is in both no surer than one repeat is measured.

    Parameters
    ----------
    values, halves
        Value and half-width of the own 95 % interval of each repeat.
    expected
        Spread between repeats to expect, in the unit of the values; None takes Student's t.

    Examples
    --------
    Of two repeats 0.8 s apart, each known to 0.2 s; Student's t alone gives 5.1.

    >>> round(half_of_mean([3.1, 2.3], [0.2, 0.2], expected=1.0), 1)
    1.5
    """
    own = float(np.mean(halves))
    count = len(values)
    variance = float(np.var(values, ddof=1))
    quantile = T975[min(count - 1, len(T975)) - 1]
    student = math.hypot(own, quantile * math.sqrt(variance / count))
    if expected is None:
        return student
    spread = (np.arange(SPREAD_STEPS) + 0.5) * LARGEST * expected / SPREAD_STEPS  # (S,)
    of_one = spread**2 + max((own / Z95) ** 2, 1e-12)
    weight = -((spread / expected) ** 2) / 2
    weight -= (count - 1) / 2 * (np.log(of_one) + variance / of_one)
    weight = np.exp(weight - weight.max())
    deviation = np.sqrt((own / Z95) ** 2 + spread**2 / count)
    return min(student, _half_of_mixture(weight / weight.sum(), deviation))


def _half_of_mixture(weight: NDArray[np.float64], deviation: NDArray[np.float64]) -> float:
    """Half-width that holds 95 % of a mixture of normal distributions about one mean."""
    low, high = 0.0, 4 * float(deviation.max())
    for _ in range(25):
        middle = (low + high) / 2
        inside = [math.erf(middle / (sd * math.sqrt(2))) for sd in deviation.tolist()]
        low, high = (middle, high) if float(weight @ inside) < 0.95 else (low, middle)
    return high


def with_means(measures: list[Measure]) -> tuple[Measure, ...]:
    """Add the mean of the repeats of every measure that has more than one value."""
    result = list(measures)
    keys = dict.fromkeys((m.name, m.structure, m.unit) for m in measures)
    for name, structure, unit in keys:
        if name == NO_MEAN:
            continue
        group = [m for m in measures if (m.name, m.structure, m.unit) == (name, structure, unit)]
        known = [m for m in group if m.value is not None]
        values = [m.value for m in known if m.value is not None]
        if len(values) < 2:
            continue
        halves = [(m.high - m.low) / 2 for m in known if m.high is not None and m.low is not None]
        half = half_of_mean(values, halves, expected_spread(name, unit, structure))
        mean = float(np.mean(values))
        result.append(
            replace(
                group[0],
                repeat=MEAN,
                value=mean,
                # A time cannot be negative.
                low=max(mean - half, 0.0) if unit == "s" else mean - half,
                high=mean + half,
                status=Status.DRAFT,
                reason="",
                frames=";".join(m.frames for m in known),
                method=MEAN_METHOD,
            )
        )
    return tuple(result)
