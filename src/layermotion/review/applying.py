"""Owns how corrections change what was seen in a clip: its edges, site, windows and repeats.

Pure: what was found and the corrections in, the same with them out; measuring is not done here.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from layermotion.analysis.footage import Footage
from layermotion.edges.blocks import HeldEdges
from layermotion.edges.boundaries import ORDER, Boundaries
from layermotion.efforts.count import Count
from layermotion.efforts.efforts import Efforts
from layermotion.efforts.windows import Window
from layermotion.errors import InputError
from layermotion.labels import WALL_LAYERS, View, label_of
from layermotion.review.corrections import (
    Calliper,
    Correction,
    LeaveOut,
    MoveEdge,
    MoveSite,
    SetWindow,
    TakeIn,
)
from layermotion.series.by_hand import ByHand

Array = NDArray[np.float64]

BY_HAND = "Site: placed by a person. It stays at one column of the screen."
# An edge that is placed lies within the picture, and so do the points of a calliper; handles may
# stand so far outside of it, px.
BESIDE_PX = 2.0


def left_out(corrections: Sequence[Correction]) -> dict[int, str]:
    """Repeats that are left out, with the reason."""
    reasons: dict[int, str] = {}
    for one in corrections:
        if isinstance(one, LeaveOut):
            reasons[one.repeat] = one.reason
        elif isinstance(one, TakeIn):
            reasons.pop(one.repeat, None)
    return reasons


def with_windows(efforts: Efforts, corrections: Sequence[Correction], frames: int) -> Efforts:
    """Windows as a person set them, without the repeats that are left out.

    Where none is left, rest stays, against which all that moves is shown.

    Parameters
    ----------
    frames
        Number of frames of the clip.

    Raises
    ------
    InputError
        If a window or a repeat does not exist.
    """
    windows = {(window.state, window.repeat): window for window in efforts.windows}
    is_set = False
    for one in corrections:
        if isinstance(one, SetWindow):
            if not one.first <= one.last < frames:
                raise InputError(
                    f"A window from frame {one.first} to {one.last} does not lie in the clip of "
                    f"{frames} frames; choose others."
                )
            windows[one.state, one.repeat] = Window(one.state, one.first, one.last, one.repeat)
            is_set = True
        elif isinstance(one, LeaveOut) and ("contracted", one.repeat) not in windows:
            raise InputError(f"There is no repeat {one.repeat} to leave out.")
    out = left_out(corrections)
    if not is_set and not out:
        return efforts
    kept = _without(tuple(windows.values()), set(out))
    number = len({window.repeat for window in kept if window.state == "contracted"})
    is_none_left = bool(out) and not number
    if is_none_left:
        kept = [window for window in windows.values() if window.state == "rest"]
    return replace(
        efforts,
        count=Count(number),
        windows=tuple(sorted(kept, key=lambda window: window.first)),
        courses=tuple(course for course in efforts.courses if course.repeat not in out),
        is_missed=efforts.is_missed and not (number or out),
        left_out="; ".join(dict.fromkeys(out.values())) if is_none_left else "",
    )


def _without(windows: Sequence[Window], out: set[int]) -> list[Window]:
    """Windows without some repeats; a rest that a later repeat is compared with stays with it."""
    kept = [window for window in windows if window.repeat not in out]
    repeats = sorted({window.repeat for window in kept})
    own = {window.repeat for window in kept if window.state == "rest"}
    for window in sorted(windows, key=lambda window: window.repeat, reverse=True):
        later = [repeat for repeat in repeats if repeat > window.repeat]
        if window.state == "rest" and window.repeat in out and later and later[0] not in own:
            kept.append(replace(window, repeat=later[0]))
            own.add(later[0])
    return kept


def with_edges(seen: Footage, windows: Sequence[Window], steps: Sequence[Correction]) -> Footage:
    """Edges, site and thickness as a person placed or measured them, after what they did before.

    An edge that is placed in a frame within a window holds in all frames of that window, moved with
    the tissue; a calliper's thickness holds for all of its window, or for
    none once that was moved away from it.

    Raises
    ------
    InputError
        If a frame, handle or point lies outside of the clip, no length is known, or the last step
        is a calliper outside of its window.
    """
    edges, anew = HeldEdges.of(seen.edges), dict[int, Boundaries]()
    placed = {layer: own.copy() for layer, own in seen.by_hand.placed.items()}
    measured = {layer: own.copy() for layer, own in seen.by_hand.measured.items()}
    site_px, site_words = seen.site_px, seen.site_words
    for one in steps:
        if isinstance(one, MoveSite):
            _check_columns(seen, [one.site_px])
            site_px, site_words = one.site_px + seen.clip.area.left, BY_HAND
        elif isinstance(one, MoveEdge):
            _check_move(seen, one, len(edges))
            own = placed.setdefault(one.structure, np.zeros(len(edges), bool))
            before = anew.get(one.frame, edges[one.frame])
            for index in _frames_like(one.frame, windows):
                there = anew.get(index, edges[index])
                shift = _shift(seen, one, index, before, there)
                own[index] = True
                anew[index] = place_edge(there, seen, one, shift)
        elif isinstance(one, Calliper):
            window = _window_of(windows, one)
            if window is None and one is not steps[-1]:
                continue
            if window is None:
                raise InputError(
                    "The calliper does not lie on a layer in a window of rest or effort; place it "
                    "in a frame of that window."
                )
            value = measured.setdefault(one.structure, np.full(len(edges), np.nan))
            value[window.frames] = calliper_length(seen, one)
    return replace(
        seen, edges=edges.replaced(anew), site_px=site_px, site_words=site_words,
        by_hand=ByHand(placed, measured),
        found_edges=edges if anew and seen.found_edges is None else seen.found_edges,
    )  # fmt: skip


def place_edge(
    edges: Boundaries, seen: Footage, move: MoveEdge, shift_px: tuple[float, float]
) -> Boundaries:
    """Edges of one frame with one of them on the handles; its neighbours give way.

    Parameters
    ----------
    shift_px
        Columns and rows by which the handles have moved with the tissue.
    """
    area = seen.clip.area
    column = np.array(move.column_px) + area.left + shift_px[0]
    row = np.array(move.row_px) + area.top + shift_px[1]
    inside = (edges.column_px >= column[0]) & (edges.column_px <= column[-1])
    curve = curve_through(column, row, edges.column_px[inside].astype(float))
    rows = np.stack([edges.superficial_px, edges.deep_px], axis=1).reshape(-1, inside.size).copy()
    k = label_of(move.structure) - 1
    mine = 2 * k + (move.edge == "deep")
    rows[mine, inside] = curve
    order = [label_of(structure) - 1 for structure in ORDER[seen.view]]
    for other in order:
        for which in (2 * other, 2 * other + 1):
            give_way = np.minimum if which < mine else np.maximum  # NaN stays NaN
            rows[which, inside] = give_way(rows[which, inside], rows[mine, inside])
    confidence = edges.confidence.copy()
    both = ~np.isnan(rows[2 * k] + rows[2 * k + 1])
    confidence[k, inside & both] = 1.0
    superficial, deep = (rows[i::2].astype(np.float32) for i in (0, 1))
    return Boundaries(edges.column_px, superficial, deep, confidence)


def curve_through(at: Array, value: Array, wanted: Array) -> Array:
    """Smooth curve through handles: cubic between neighbours, straight where there are but two.

    Parameters
    ----------
    at, value
        Shape (handles,), ``at`` rising.
    wanted
        Shape (n,), within the handles.

    Examples
    --------
    >>> curve_through(np.array([0.0, 10.0]), np.array([1.0, 3.0]), np.array([5.0])).tolist()
    [2.0]
    """
    slope = _slopes(at, value)
    i = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, at.size - 2)
    step = at[i + 1] - at[i]
    s = (wanted - at[i]) / step
    first = (1 + 2 * s) * (1 - s) ** 2 * value[i] + s * (1 - s) ** 2 * step * slope[i]
    second = s**2 * (3 - 2 * s) * value[i + 1] + s**2 * (s - 1) * step * slope[i + 1]
    return np.asarray(first + second)


def _slopes(at: Array, value: Array) -> Array:
    """Slope at each handle: of the parabola through it and its neighbours, straight at the ends."""
    width, rise = np.diff(at), np.diff(value)
    straight = rise / width
    inner = (width[1:] * straight[:-1] + width[:-1] * straight[1:]) / (width[1:] + width[:-1])
    return np.concatenate([straight[:1], inner, straight[-1:]])


def calliper_length(seen: Footage, calliper: Calliper) -> float:
    """Distance between the points of a calliper, in the unit of the series.

    Raises
    ------
    InputError
        If a point lies outside of the picture, or both are one.
    """
    _check_columns(seen, [calliper.start[1], calliper.end[1]])
    _check_rows(seen, [calliper.start[0], calliper.end[0]])
    scale = seen.scale
    length = np.hypot(
        (calliper.end[0] - calliper.start[0]) * scale.row,
        (calliper.end[1] - calliper.start[1]) * scale.column,
    )
    if not length > 0:
        raise InputError("Both points of the calliper are one; place them apart.")
    return float(length)


def lapsed(corrections: Sequence[Correction], windows: Sequence[Window]) -> tuple[Calliper, ...]:
    """Callipers whose window was moved away from their frame since, or left out."""
    return tuple(
        one for one in corrections if isinstance(one, Calliper) and not _window_of(windows, one)
    )


def _window_of(windows: Sequence[Window], one: Calliper) -> Window | None:
    """Window that a calliper measures; None where its frame lies in none."""
    for window in windows:
        is_own = (window.state, window.repeat) == (one.state, one.repeat)
        if is_own and one.structure in WALL_LAYERS and window.first <= one.frame <= window.last:
            return window
    return None


def _frames_like(frame: int, windows: Sequence[Window]) -> range:
    """Frames of the window that holds a frame; the frame alone where none does."""
    own = [window for window in windows if window.first <= frame <= window.last]
    return range(own[0].first, own[0].last + 1) if own else range(frame, frame + 1)


def _shift(
    seen: Footage, move: MoveEdge, index: int, before: Boundaries, there: Boundaries
) -> tuple[float, float]:
    """Columns and rows by which the tissue at an edge has moved from its frame to another.

    Layers of the wall are followed by their texture; the wall of the bladder by its edge as found.
    """
    if index == move.frame:
        return 0.0, 0.0
    if seen.view is View.ABDOMINAL_WALL and seen.motions and move.structure in WALL_LAYERS:
        now, then = (seen.motions[i].of(move.structure) for i in (index, move.frame))
        column, row = now.column_px - then.column_px, now.row_px - then.row_px
        return (0.0, 0.0) if np.isnan(column + row) else (column, row)
    k = label_of(move.structure) - 1
    edge = [
        (each.superficial_px if move.edge == "superficial" else each.deep_px)[k]
        for each in (there, before)
    ]
    apart = edge[0] - edge[1]
    known = apart[~np.isnan(apart)]
    return 0.0, float(np.median(known)) if known.size else 0.0


def _check_move(seen: Footage, move: MoveEdge, frames: int) -> None:
    if move.structure not in ORDER[seen.view]:
        raise InputError(f"This clip shows no {move.structure}; choose a structure that it shows.")
    if move.frame >= frames:
        raise InputError(f"Frame {move.frame} is not in the clip of {frames} frames.")
    if len(move.column_px) != len(move.row_px) or np.any(np.diff(move.column_px) <= 0):
        raise InputError("The handles of an edge run from left to right, each at its own column.")
    _check_columns(seen, move.column_px)
    _check_rows(seen, move.row_px)


def _check_columns(seen: Footage, columns_px: Sequence[float]) -> None:
    _check_within(columns_px, seen.clip.area.width, "columns")


def _check_rows(seen: Footage, rows_px: Sequence[float]) -> None:
    _check_within(rows_px, seen.clip.area.height, "rows")


def _check_within(values_px: Sequence[float], size: int, what: str) -> None:
    if min(values_px) < -BESIDE_PX or max(values_px) > size - 1 + BESIDE_PX:
        raise InputError(f"A point lies outside of the picture of {size} {what}; place it inside.")
