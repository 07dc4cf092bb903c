"""Owns the order in which the recordings of a visit stand: by side, as recorded, by repeat."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from layermotion.session.plan import Item, Side


def in_order(items: Sequence[Item], acquired: Mapping[Path, str | None]) -> tuple[Item, ...]:
    """Put recordings in order: left, right, midline; tasks as they were recorded; repeats rising.

    The tasks of a side stand in the order of their first recording. Where a recording of that side
    states no time, all its tasks keep the order of ``items``: that of a table, or of the names.

    Parameters
    ----------
    acquired
        When each source was recorded, as text that sorts by time; None where it states none.
    """
    placed: list[Item] = []
    for side in Side:
        own = [item for item in items if item.side is side]
        times = [acquired.get(item.sources[0]) for item in own]
        known = [time for time in times if time is not None]
        recorded = known if len(known) == len(own) else [""] * len(own)
        # Stable: what has the same time, or none, stays as it is listed.
        by_time = [item for _, item in sorted(zip(recorded, own, strict=True), key=lambda p: p[0])]
        tasks = list(dict.fromkeys(item.task for item in by_time))
        placed += sorted(own, key=lambda item: (tasks.index(item.task), item.repeat))
    return tuple(placed)
