"""Owns what to do at the next recording, told from what was seen in this one; no number of it."""

from collections.abc import Iterator, Sequence
from itertools import islice

import numpy as np

from layermotion.analysis.footage import spread
from layermotion.analysis.result import Analysis
from layermotion.edges.boundaries import SEEN_CONFIDENCE, Boundaries
from layermotion.geometry import Spacing
from layermotion.labels import MUSCLES, WALL_LAYERS, Structure, View, label_of

# At most so many lines are given, the one that matters most first (our choice: more is not kept in
# mind at the next take).
MOST_LINES = 2
# Mean grey of the layers below which the picture counts as dark, of 255 (our choice: of pictures
# that the generator draws, fewer than one in forty are as dark).
DARK_GREY = 30.0
# A bladder less deep than this in the picture counts as too small, mm (our choice: the smallest
# tenth of those that the generator draws).
SMALL_BLADDER_MM = 25.0
# Share of the frames without a base from which the base counts as out of the picture (our choice).
BASE_MISSING_SHARE = 0.3
# An effort whose full strength begins or ends so near the end of the clip may be cut off there, s;
# rest before an effort that is shorter than this is none (our choice).
NEAR_END_S, LEAST_REST_S = 1.0, 1.0
# The probe counts as moved where it was farther than this from its first place, mm, in more than
# one frame in fifty (our choice: a careful hand stays within 2 mm in generated clips).
PROBE_MOVED_MM, PROBE_PERCENTILE = 3.0, 98.0
# Muscles count as oblique from this slope on, degrees (our choice: the steepest tenth of those that
# the generator draws).
OBLIQUE_DEG = 20.0
# Fewest columns from which a slope is told (our choice).
FEWEST_COLUMNS = 20

DARK = "The picture is dark where the layers are; turn the gain up."
BASE_OUT = (
    "The base of the bladder was hidden or out of the picture for part of the recording; show its "
    "whole lower wall: more depth, or the probe angled further down."
)
SMALL = "The bladder is only {height:.0f} mm deep in the picture; record again when it is fuller."
CUT_BEGIN = "The first effort had begun before the recording; start it two seconds earlier."
CUT_END = "The last effort was not over when the recording ended; go on for two seconds of rest."
NO_REST = (
    "There was hardly any rest before the first effort ({rest:.1f} s); record two seconds of rest "
    "first."
)
PROBE = "Hold the probe still; it moved by {moved:.0f} mm."
OBLIQUE = (
    "The muscles lie at {slope:.0f} degrees in the picture; rock the probe from end to end until "
    "they lie level."
)
MEDIAL = "Move the probe medially until the end of the TrA is in the picture."


def advise(analysis: Analysis) -> tuple[str, ...]:
    """Say what to do at the next recording: at most two sentences, none where nothing is wrong.

    Parameters
    ----------
    analysis
        What was found, while the edges of its frames can still be read.
    """
    frames = spread(analysis.footage.edges)
    return tuple(islice(_advice(analysis, frames), MOST_LINES))


def _advice(analysis: Analysis, frames: Sequence[Boundaries]) -> Iterator[str]:
    """Every sentence that applies, the one that matters most first."""
    is_wall = analysis.view is View.ABDOMINAL_WALL
    spacing = analysis.clip.spacing
    if layer_grey(analysis) < DARK_GREY:
        yield DARK
    if not is_wall:
        height_mm = bladder_height_mm(frames, spacing)
        if _base_missing(analysis) > BASE_MISSING_SHARE:
            yield BASE_OUT
        elif height_mm < SMALL_BLADDER_MM:
            yield SMALL.format(height=height_mm)
    yield from _timing(analysis)
    moved_mm = probe_moved_mm(analysis)
    if moved_mm > PROBE_MOVED_MM:
        yield PROBE.format(moved=moved_mm)
    slope_deg = slope_of_muscles_deg(frames, spacing) if is_wall else float("nan")
    if slope_deg > OBLIQUE_DEG:
        yield OBLIQUE.format(slope=slope_deg)
    # At rest nothing slides, so the end is not needed.
    if is_wall and not analysis.footage.is_rest and not analysis.is_lateral_known:
        yield MEDIAL


def layer_grey(analysis: Analysis) -> float:
    """Mean grey of the layers, 0 to 255, in the first frame that shows any; NaN where none does.

    The bladder is black by nature and takes no part.
    """
    for index, edges in enumerate(analysis.footage.edges):
        if not edges.confidence.any():
            continue
        frame = next(islice(analysis.clip.frames(), index, None))
        row = np.arange(frame.pixels.shape[0])[:, None]
        columns = np.rint(edges.column_px).astype(int).clip(0, frame.pixels.shape[1] - 1)
        pixels = frame.pixels[:, columns]  # (rows, C)
        inside = np.zeros(pixels.shape, bool)
        for layer in WALL_LAYERS:
            k = label_of(layer) - 1
            # Comparing with NaN gives False, so what is not seen takes no part.
            inside |= (row >= edges.superficial_px[k]) & (row <= edges.deep_px[k])
        return float(pixels[inside].mean()) if inside.any() else float("nan")
    return float("nan")


def bladder_height_mm(frames: Sequence[Boundaries], spacing: Spacing | None) -> float:
    """Greatest depth of the bladder from wall to wall, median of the frames; NaN where not known.

    A bladder that reaches the bottom of the picture has no lower wall there, and is no small one.
    """
    k = label_of(Structure.BLADDER) - 1
    heights = [
        float(np.nanmax(edges.deep_px[k] - edges.superficial_px[k]))
        for edges in frames
        if np.isfinite(edges.deep_px[k]).any()
    ]
    if spacing is None or not heights:
        return float("nan")
    return float(np.median(heights)) * spacing.row_mm


def _base_missing(analysis: Analysis) -> float:
    """Share of the frames in which the base has no place."""
    base = analysis.series.get("base_displacement", Structure.BLADDER)
    return 0.0 if base is None else float(np.isnan(base.value).mean())


def _timing(analysis: Analysis) -> Iterator[str]:
    """Tell whether the clip begins or ends within an effort, or begins without rest."""
    efforts, time_s = analysis.efforts, analysis.series.time_s
    full = [window for window in efforts.windows if window.state == "contracted"]
    if not efforts.courses or not full or analysis.clip.is_still:
        return
    onset_s, end_s = efforts.courses[0].onset_s, efforts.courses[-1].end_s
    before_s = float(time_s[full[0].first] - time_s[0])
    after_s = float(time_s[-1] - time_s[full[-1].last])
    if np.isnan(onset_s) and before_s < NEAR_END_S:
        yield CUT_BEGIN
    elif onset_s - time_s[0] < LEAST_REST_S:
        yield NO_REST.format(rest=max(float(onset_s - time_s[0]), 0.0))
    if np.isnan(end_s) and after_s < NEAR_END_S:
        yield CUT_END


def probe_moved_mm(analysis: Analysis) -> float:
    """Farthest that the probe was from its first place, but for the odd frame; NaN if unknown."""
    shift = analysis.series.get("probe_shift", "image")
    known = np.empty(0) if shift is None else shift.value[np.isfinite(shift.value)]
    return float(np.percentile(known, PROBE_PERCENTILE)) if known.size else float("nan")


def slope_of_muscles_deg(frames: Sequence[Boundaries], spacing: Spacing | None) -> float:
    """Slope of the muscles against the picture's width, degrees from 0 to 90.

    Median over frames and muscles of the straight line through the middle of each; NaN where none
    is seen over ``FEWEST_COLUMNS``, or without a scale.
    """
    if spacing is None:
        return float("nan")
    slopes = []
    for edges in frames:
        middle = (edges.superficial_px + edges.deep_px) / 2
        for muscle in MUSCLES:
            k = label_of(muscle) - 1
            seen = (edges.confidence[k] >= SEEN_CONFIDENCE) & np.isfinite(middle[k])
            if np.count_nonzero(seen) >= FEWEST_COLUMNS:
                across = edges.column_px[seen].astype(float) * spacing.column_mm
                down = middle[k, seen].astype(float) * spacing.row_mm
                slopes.append(np.polyfit(across, down, 1)[0])
    return float(np.degrees(np.arctan(abs(np.median(slopes))))) if slopes else float("nan")
