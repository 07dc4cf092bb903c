"""Owns what a muscle cannot do: jump from one frame to the next; such values are withheld."""

import numpy as np
from numpy.typing import NDArray

from layermotion.series import Quantity, Scale

# Fastest change of a thickness and smallest step that counts as a jump, in half-widths of the
# site (2 mm): 25 mm/s, twice what a muscle that doubles in a third of a second needs, and 0.4 mm
# (our choice).
FASTEST_PER_S, SMALLEST_STEP = 12.5, 0.2


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

    def follows(one: int, other: int) -> bool:
        allowed = scale.site_half * (
            SMALLEST_STEP + FASTEST_PER_S * abs(float(time[other] - time[one]))
        )
        return bool(abs(value[other] - value[one]) <= allowed)

    joined = [follows(i, i + 1) for i in range(known.size - 1)]
    starts = [0, *(i + 1 for i, is_joined in enumerate(joined) if not is_joined)]
    ends = [*(start - 1 for start in starts[1:]), known.size - 1]
    longest = int(np.argmax([end - start for start, end in zip(starts, ends, strict=True)]))
    keep = np.zeros(known.size, bool)
    keep[starts[longest] : ends[longest] + 1] = True
    last = ends[longest]
    for run in range(longest + 1, len(starts)):
        if follows(last, starts[run]):
            keep[starts[run] : ends[run] + 1] = True
            last = ends[run]
    first = starts[longest]
    for run in range(longest - 1, -1, -1):
        if follows(first, ends[run]):
            keep[starts[run] : ends[run] + 1] = True
            first = starts[run]
    gone = known[~keep]
    kept_value, confidence = quantity.value.copy(), quantity.confidence.copy()
    kept_value[gone], confidence[gone] = np.nan, 0.0
    return Quantity(quantity.name, quantity.structure, quantity.unit, kept_value, confidence)
