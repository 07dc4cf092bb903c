"""Owns what may be shown of a series: nothing of which the measure was withheld."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.windows import Window
from layermotion.measures.bladder import NOTHING_TO_MEASURE
from layermotion.measures.measure import MEAN, UNCALIBRATED, Measure
from layermotion.series.series import Quantity, Series

# The measure that says whether a quantity is given, in the windows of each state.
MEASURED = {
    "thickness": {"rest": "thickness_rest", "contracted": "thickness_contracted"},
    **{
        quantity: dict.fromkeys(("rest", "contracted"), measure)
        for quantity, measure in (
            ("slide", "slide"),
            ("medial_edge", "medial_edge_displacement"),
        )
    },
    "base_displacement": {
        "rest": "base_displacement",
        "contracted": "base_displacement",
        "lifted": "lift_before",
        "regained": "lift_after",
    },
}
# With these reasons nothing was withheld: there is no scale, or nothing to measure.
NOT_WITHHELD = (UNCALIBRATED, *NOTHING_TO_MEASURE)


def given_series(series: Series, windows: Sequence[Window], measures: Sequence[Measure]) -> Series:
    """Series for pictures, plots and videos, without what the table withholds.

    Whether a frame has a value is decided by the window in which it lies, or by the nearest one.

    Parameters
    ----------
    measures
        Of the clip; a quantity of which none tells stays as it is.

    Returns
    -------
    Series
        The same with NaN and confidence 0 where a measure was withheld.
    """
    withheld = {
        (measure.name, measure.structure, int(measure.repeat))
        for measure in measures
        if measure.value is None and measure.repeat != MEAN and measure.reason not in NOT_WITHHELD
    }
    nearest = _nearest(windows, series.time_s.size)
    given = [_given(quantity, windows, nearest, withheld) for quantity in series.quantities]
    return Series(series.clip_id, series.time_s, tuple(given))


def _nearest(windows: Sequence[Window], frames: int) -> NDArray[np.intp]:
    """Position of the window nearest to each frame, the first of two; shape (frames,)."""
    if not windows:
        return np.zeros(frames, np.intp)
    index = np.arange(frames)
    distance = [np.maximum(np.maximum(w.first - index, index - w.last), 0) for w in windows]
    return np.asarray(np.argmin(distance, axis=0), np.intp)


def _given(
    quantity: Quantity,
    windows: Sequence[Window],
    nearest: NDArray[np.intp],
    withheld: set[tuple[str, str, int]],
) -> Quantity:
    """Quantity without the frames whose window has no measure."""
    names = MEASURED.get(quantity.name)
    if names is None:
        return quantity
    own = {
        (name, repeat) for name, structure, repeat in withheld if structure == quantity.structure
    }
    if not windows:
        is_withheld = any(name in names.values() for name, _ in own)
        return quantity.without(np.arange(nearest.size)) if is_withheld else quantity
    hidden = np.array([(names[window.state], window.repeat) in own for window in windows])
    return quantity.without(np.flatnonzero(hidden[nearest]))
