"""Owns what a muscle cannot do: jump, or shake, from frame to frame; such values are withheld."""

import numpy as np
from numpy.typing import NDArray

from layermotion.normal import SPREAD_OVER_MEDIAN
from layermotion.series.series import Quantity, Scale

# Fastest change of a thickness and smallest step that counts as a jump, in half-widths of the
# site (2 mm): 25 mm/s, twice what a muscle that doubles in a third of a second needs, and 0.4 mm
# (our choice).
FASTEST_PER_S, SMALLEST_STEP = 12.5, 0.2
# Scatter of a slide and of the bladder base from frame to frame (standard deviation) above which
# noise was followed, mm, and the fewest third differences that tell it (our choice: in synthetic
# clips what is followed scatters by up to 0.07 mm, noise in a slide by 0.2 to 0.5, and the edge of
# a base lost in haze by 0.15).
SLIDE_SCATTER_MM, BASE_SCATTER_MM, FEWEST_DIFFERENCES = 0.15, 0.1, 15
# Fastest slide, mm/s, and the step by which tracking may err beside it, mm (our choice: 20 mm in a
# third of a second reach 94 mm/s).
FASTEST_SLIDE_MM_S, SLIDE_STEP_MM = 100.0, 0.5
# Of frames farther apart than this, s, third differences of a base hold its own motion (our choice:
# a strain by 20 mm in half a second looks like 0.14 mm of scatter at 6 frames/s).
LONGEST_STEP_S = 0.1
# Standard deviation of the third difference of white noise over its own.
THIRD_GAIN = 20**0.5


def withhold_jumps(quantity: Quantity, time_s: NDArray[np.float64], scale: Scale) -> Quantity:
    """Keep the longest run of values without a jump, and the runs that continue it.

    An edge that springs to another border and back leaves a run that does not continue its
    neighbours; which of two equally long runs is right cannot be known, so the earlier stays.

    Parameters
    ----------
    time_s
        Shape (frames,), s.

    Returns
    -------
    Quantity
        The same with NaN and confidence 0 where a value cannot belong to the same edge.
    """
    known = np.flatnonzero(~np.isnan(quantity.value))
    if known.size < 3:
        return quantity
    value, time = quantity.value[known], time_s[known]

    def follows(step: NDArray[np.float64], step_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        allowed = scale.site_half * (SMALLEST_STEP + FASTEST_PER_S * np.abs(step_s))
        return np.asarray(np.abs(step) <= allowed)

    def continues(one: int, other: int) -> bool:
        return bool(follows(value[other] - value[one], time[other] - time[one]))

    breaks = np.flatnonzero(~follows(np.diff(value), np.diff(time))) + 1
    starts = [0, *breaks.tolist()]
    ends = [*(start - 1 for start in starts[1:]), known.size - 1]
    longest = int(np.argmax([end - start for start, end in zip(starts, ends, strict=True)]))
    keep = np.zeros(known.size, bool)
    keep[starts[longest] : ends[longest] + 1] = True
    last = ends[longest]
    for run in range(longest + 1, len(starts)):
        if continues(last, starts[run]):
            keep[starts[run] : ends[run] + 1] = True
            last = ends[run]
    first = starts[longest]
    for run in range(longest - 1, -1, -1):
        if continues(first, ends[run]):
            keep[starts[run] : ends[run] + 1] = True
            first = starts[run]
    return quantity.without(known[~keep])


def withhold_noise(quantity: Quantity, most: float) -> Quantity:
    """Give no value at all where a displacement shakes from frame to frame by more than ``most``.

    Noise that passes for texture is "found" elsewhere in every frame, while tissue has a smooth
    course. The scatter is told from third differences of successive frames, which an effort or a
    breath hardly has; the median leaves out where its ramps begin and end.

    Returns
    -------
    Quantity
        The same, or all NaN with confidence 0.
    """
    rough = np.abs(np.diff(quantity.value, 3))
    rough = rough[~np.isnan(rough)]
    if rough.size < FEWEST_DIFFERENCES:
        return quantity
    if SPREAD_OVER_MEDIAN * float(np.median(rough)) / THIRD_GAIN <= most:
        return quantity
    return quantity.without(np.arange(quantity.value.size))


def withhold_lost(slide: Quantity, time_s: NDArray[np.float64]) -> Quantity:
    """Give no value at all where noise, or another texture, was followed with the muscle.

    Parameters
    ----------
    slide
        Or what else moves with the texture of a muscle, mm.
    time_s
        Shape (frames,), s.
    """
    return withhold_torn(withhold_noise(slide, SLIDE_SCATTER_MM), time_s)


def withhold_torn(slide: Quantity, time_s: NDArray[np.float64]) -> Quantity:
    """Give no value at all where a slide springs farther than any muscle slides.

    Another texture was then taken for that of the muscle, and which of the two is right cannot be
    known.

    Parameters
    ----------
    slide
        In mm.
    time_s
        Shape (frames,), s.

    Returns
    -------
    Quantity
        The same, or all NaN with confidence 0.
    """
    known = np.flatnonzero(~np.isnan(slide.value))
    step_mm, step_s = np.abs(np.diff(slide.value[known])), np.diff(time_s[known])
    if np.any(step_mm > SLIDE_STEP_MM + FASTEST_SLIDE_MM_S * step_s):
        return slide.without(np.arange(slide.value.size))
    return slide
