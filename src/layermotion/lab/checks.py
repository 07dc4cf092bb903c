"""Owns the checks that a label must pass before a network may learn from it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.lab.annotations import LabelledFrame
from layermotion.lab.folder import ClipRecord, split_key
from layermotion.labels import FULL_NAMES, STRUCTURES, WALL_LAYERS, Structure

# All limits are our choice. Two outlines drawn along one border share its pixels; a slip shares
# more than this part of the smaller one.
OVERLAP_PART = 0.01
# Part of the columns two layers share in which the deeper one may lie above: where a fold or a
# steep probe turns them.
ORDER_PART = 0.05
# Holes and stray pieces below this many pixels are left by any brush.
SPECK_PX = 12
# A second piece smaller than this part of the largest one is a slip; a larger one is a layer that
# a shadow parts.
STRAY_PART = 0.02
# Part of a structure that may lie outside the image area.
OUTSIDE_PART = 0.005
# A layer counts as named otherwise where it covers this part of itself on another layer of the
# proposal, and at most that part on its own.
OTHER_PART, OWN_PART = 0.5, 0.2
# A layer counts as moved where it fits the proposal so well (Dice) after a shift of at least so
# many pixels, and that much worse without.
FITTING_DICE, SHIFT_PX, FITTING_GAIN = 0.9, 3, 0.05


class Kind(StrEnum):
    """What is wrong with a label."""

    UNKNOWN = "unknown frame"
    SIZE = "size"
    SCALE = "scale missing"
    EMPTY = "empty"
    OUTSIDE = "outside the image"
    OVERLAP = "overlap"
    ORDER = "wrong order"
    MISSING = "layer missing"
    HOLE = "hole"
    STRAY = "stray piece"
    NAMED = "named otherwise"
    MOVED = "moved"


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with the label of one frame, in a sentence with its remedy."""

    key: str
    kind: Kind
    sentence: str


def check_frame(frame: LabelledFrame, clips: Mapping[str, ClipRecord]) -> tuple[Fault, ...]:
    """Everything that is wrong with a label; empty when it may be used."""
    try:
        name, number = split_key(frame.key)
    except InputError as error:
        return (Fault(frame.key, Kind.UNKNOWN, str(error)),)
    record = clips.get(name)
    if record is None or not number < record.frames:
        text = f"{frame.key} is no frame of a clip that is here; import its clip first."
        return (Fault(frame.key, Kind.UNKNOWN, text),)
    if frame.masks.shape[1:] != (record.rows, record.columns):
        text = (
            f"{frame.key} has a label of {frame.masks.shape[1]} x {frame.masks.shape[2]} pixels, "
            f"but its clip has {record.rows} x {record.columns}; export it at full size."
        )
        return (Fault(frame.key, Kind.SIZE, text),)
    return tuple(
        Fault(frame.key, kind, f"{frame.key}: {text}") for kind, text in _faults(frame, record)
    )


def compare_with_proposal(frame: LabelledFrame, proposal: LabelledFrame) -> tuple[Fault, ...]:
    """Layers that lie where the proposal has another one, or that are its own, only shifted.

    Both are slips of the hand more often than corrections, so a person should look again.
    """
    remedy = "look again, and give --as-drawn if it is meant so."
    faults = []
    for structure in STRUCTURES:
        mask = _mask(frame, structure)
        if not mask.any() or proposal.masks.shape != frame.masks.shape:
            continue
        shares = {o: float((mask & _mask(proposal, o)).sum() / mask.sum()) for o in STRUCTURES}
        other = max(shares, key=lambda name: shares[name])
        if other is not structure and shares[other] > OTHER_PART and shares[structure] < OWN_PART:
            text = f"{_name(structure)} lies where {_name(other)} was proposed; {remedy}"
            faults.append(Fault(frame.key, Kind.NAMED, f"{frame.key}: {text}"))
        elif shift := _shift(mask, _mask(proposal, structure)):
            text = (
                f"{_name(structure)} is what was proposed, moved by {shift[0]} rows and "
                f"{shift[1]} columns; {remedy}"
            )
            faults.append(Fault(frame.key, Kind.MOVED, f"{frame.key}: {text}"))
    return tuple(faults)


def _shift(mask: NDArray[np.bool_], proposed: NDArray[np.bool_]) -> tuple[int, int] | None:
    """Rows and columns by which a mask is another one moved; None where it is not."""
    size = int(mask.sum()) + int(proposed.sum())
    padded = [2 * side for side in mask.shape]
    spectra = [np.fft.rfft2(m.astype(np.float32), padded) for m in (mask, proposed)]
    overlap = np.fft.irfft2(spectra[0] * spectra[1].conj(), padded)
    best = np.unravel_index(int(overlap.argmax()), overlap.shape)
    dice, still = 2 * overlap[best] / size, 2 * overlap[0, 0] / size
    rows, columns = (
        int(step) - whole if step >= whole // 2 else int(step)
        for step, whole in zip(best, padded, strict=True)
    )
    is_moved = np.hypot(rows, columns) >= SHIFT_PX and dice > max(
        FITTING_DICE, still + FITTING_GAIN
    )
    return (rows, columns) if is_moved else None


def _faults(frame: LabelledFrame, record: ClipRecord) -> Iterator[tuple[Kind, str]]:
    if record.spacing is None:
        yield (
            Kind.SCALE,
            (
                "its clip has no pixel size, so nothing can be said in mm; import the clip with "
                "--mm-per-pixel or --depth-mm."
            ),
        )
    if not frame.masks.any():
        yield Kind.EMPTY, "nothing is labelled; label it, or leave it out."
        return
    present = [s for s in STRUCTURES if _mask(frame, s).any()]
    for structure in present:
        yield from _shape_faults(structure, _mask(frame, structure), record)
    for one, other in combinations(present, 2):
        shared = int((_mask(frame, one) & _mask(frame, other)).sum())
        smaller = int(min(_mask(frame, one).sum(), _mask(frame, other).sum()))
        if shared > max(SPECK_PX, OVERLAP_PART * smaller):
            yield (
                Kind.OVERLAP,
                (
                    f"{_name(one)} and {_name(other)} overlap in {shared} pixels; every pixel "
                    f"belongs to one of them, or to the border between them."
                ),
            )
    layers = [structure for structure in WALL_LAYERS if structure in present]
    for upper, lower in combinations(layers, 2):
        share = _turned_share(_mask(frame, upper), _mask(frame, lower))
        if share > ORDER_PART:
            yield (
                Kind.ORDER,
                (
                    f"{_name(lower)} lies above {_name(upper)} in {100 * share:.0f} % of the "
                    f"columns that show both; swap or correct the labels."
                ),
            )
    if layers:
        first, last = WALL_LAYERS.index(layers[0]), WALL_LAYERS.index(layers[-1])
        for layer in WALL_LAYERS[first : last + 1]:
            if layer not in layers:
                yield (
                    Kind.MISSING,
                    (
                        f"{_name(layer)} is missing between layers that are labelled; label it, or "
                        f"leave the frame out."
                    ),
                )


def _shape_faults(
    structure: Structure, mask: NDArray[np.bool_], record: ClipRecord
) -> Iterator[tuple[Kind, str]]:
    area = int(mask.sum())
    outside = area - int(mask[record.image_area.slices].sum())
    if outside > OUTSIDE_PART * area:
        yield (
            Kind.OUTSIDE,
            (
                f"{outside} pixels of {_name(structure)} lie outside the image area; correct the "
                f"outline."
            ),
        )
    holes = [hole for hole in _enclosed(mask) if hole.pixels >= SPECK_PX]
    if holes:
        largest = max(holes, key=lambda hole: hole.pixels)
        count = "1 hole" if len(holes) == 1 else f"{len(holes)} holes"
        yield (
            Kind.HOLE,
            (
                f"{_name(structure)} has {count}, the largest of {largest.pixels} pixels at row "
                f"{largest.row}, column {largest.column}; fill it."
            ),
        )
    pieces = _pieces(mask)
    limit = STRAY_PART * max(piece.pixels for piece in pieces)
    strays = [piece for piece in pieces if SPECK_PX <= piece.pixels < limit]
    if strays:
        first = strays[0]
        yield (
            Kind.STRAY,
            (
                f"{_name(structure)} has a stray piece of {first.pixels} pixels at row "
                f"{first.row}, column {first.column}; remove it."
            ),
        )


@dataclass(frozen=True)
class _Piece:
    """A connected piece: its size and centre."""

    pixels: int
    row: int
    column: int


def _pieces(mask: NDArray[np.bool_], connectivity: int = 8) -> list[_Piece]:
    _, _, stats, centres = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=connectivity
    )
    return [
        _Piece(int(stat[cv2.CC_STAT_AREA]), round(float(centre[1])), round(float(centre[0])))
        for stat, centre in zip(stats[1:], centres[1:], strict=True)
    ]


def fill_holes(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mask with everything that it encloses.

    Examples
    --------
    >>> ring = np.ones((3, 3), bool)
    >>> ring[1, 1] = False
    >>> bool(fill_holes(ring).all())
    True
    """
    padded = np.pad(mask, 1).astype(np.uint8)
    cv2.floodFill(padded, None, (0, 0), 2)  # by sides, not corners
    return np.asarray(padded[1:-1, 1:-1] != 2)


def without_strays(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mask without the pieces that a check would call stray, or that any brush leaves."""
    count, numbers, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count == 1:
        return mask
    sizes = stats[1:, cv2.CC_STAT_AREA]
    kept = 1 + np.flatnonzero(sizes >= max(SPECK_PX, STRAY_PART * sizes.max()))
    return np.isin(numbers, kept)


def _enclosed(mask: NDArray[np.bool_]) -> list[_Piece]:
    """Holes of a mask."""
    return _pieces(fill_holes(mask) & ~mask, connectivity=4)


def _turned_share(upper: NDArray[np.bool_], lower: NDArray[np.bool_]) -> float:
    """Part of the columns with both in which the middle of ``lower`` lies above ``upper``'s."""
    columns = np.flatnonzero(upper.any(axis=0) & lower.any(axis=0))
    if columns.size == 0:
        return 0.0
    rows = np.arange(upper.shape[0])[:, None]

    def middle(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
        chosen = mask[:, columns]
        return np.asarray((chosen * rows).sum(axis=0) / chosen.sum(axis=0))

    return float(np.mean(middle(lower) < middle(upper)))


def _mask(frame: LabelledFrame, structure: Structure) -> NDArray[np.bool_]:
    mask: NDArray[np.bool_] = frame.masks[STRUCTURES.index(structure)]
    return mask


def _name(structure: Structure) -> str:
    return FULL_NAMES[structure]
