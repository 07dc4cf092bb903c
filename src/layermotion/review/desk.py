"""Owns one clip on the desk: what was found, what a person corrected, and the numbers that follow.

Every number comes from the code that measures clips; nothing is computed a second way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

import numpy as np

from layermotion.analysis.analysis import analyse, measure_footage
from layermotion.analysis.pair import analyse_pair
from layermotion.analysis.result import Analysis
from layermotion.clip.pair import Shows, open_recording
from layermotion.clip.source import SourceOptions
from layermotion.edges.blocks import HeldEdges
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError, LayermotionError
from layermotion.labels import STRUCTURES
from layermotion.network.segmenter import Segmenter
from layermotion.review.applying import lapsed, left_out, with_edges, with_windows
from layermotion.review.confirming import (
    confirmed_in,
    key_of,
    measured_of,
    values_of,
    with_status,
)
from layermotion.review.corrections import (
    Calibrate,
    Confirm,
    Correction,
    Withdraw,
    said_of,
    said_of_lapsed,
)
from layermotion.review.pictures import Pictures
from layermotion.ways import way_of


@dataclass(frozen=True)
class Source:
    """Where a clip comes from, and what was stated of it; as ``open_recording`` takes it."""

    sources: tuple[Path, ...]
    options: SourceOptions
    site: str
    shows: Shows | None = None


class Desk:
    """One clip, its corrections, and its measures.

    Parameters
    ----------
    source, segmenter
        What it was measured from, and with.
    found
        As the tool measured it, with its edges in memory.
    """

    def __init__(self, source: Source, segmenter: Segmenter, found: Analysis) -> None:
        self._source, self._segmenter, self._found = source, segmenter, found
        self._pictures = Pictures(found.clip)
        self._steps: list[tuple[Correction, Mapping[str, float]]] = []
        # Source and measures before each calibration.
        self._earlier: list[tuple[Source, Analysis]] = []
        # As corrected, before the status of each measure is told.
        self._measured = self._now = self._found

    @classmethod
    def open(cls, source: Source, segmenter: Segmenter) -> Self:
        """Read and measure a clip.

        Raises
        ------
        LayermotionError
            If it cannot be read or measured.
        """
        return cls(source, segmenter, _analysed(source, segmenter))

    @property
    def clip_id(self) -> str:
        """Short hash of the clip's content."""
        return self._found.clip.clip_id

    @property
    def analysis(self) -> Analysis:
        """The clip as it stands, each measure with its status."""
        return self._now

    @property
    def steps(self) -> tuple[Correction, ...]:
        """All that was settled, in the order of time."""
        return tuple(step for step, _ in self._steps)

    def picture(self, index: int) -> bytes:
        """JPEG of the image area of one frame; IndexError where there is none."""
        return self._pictures[index]

    def columns(self) -> list[float]:
        """Columns of the outlines, in pixels of the image area."""
        frames = self._now.footage.edges
        left = self._now.clip.area.left
        return [round(float(column) - left, 3) for column in frames[0].column_px]

    def outlines(self, first: int = 0, last: int | None = None) -> bytes:
        """Rows of all edges in every frame, or from ``first`` to ``last``, in px of the image area.

        Little-endian float32, shape (frames, 10, columns): superficial and deep edge of fat, EO,
        IO, TrA and bladder in turn; NaN where there is none.
        """
        top, every = self._now.clip.area.top, self._now.footage.edges
        frames = [every[k] for k in range(first, len(every) if last is None else last + 1)]
        # (5, 2, C) of each frame
        both = [np.stack([each.superficial_px, each.deep_px], axis=1) for each in frames]
        rows = np.array(both, "<f4").reshape(len(both), 2 * len(STRUCTURES), -1)
        return (rows - np.float32(top)).astype("<f4").tobytes()

    def apply(self, correction: Correction) -> None:
        """Settle one more thing; all numbers follow.

        Raises
        ------
        InputError
            If it does not fit the clip, which is then as before.
        """
        steps = list(self._steps)
        before = self._source, self._found, self._measured, self._steps
        if isinstance(correction, Calibrate):
            self._measure_again(correction)
        standing = values_of(self._now.measures)
        if isinstance(correction, Confirm | Withdraw):
            unknown = set(correction.keys) - {
                key_of(m) for m in measured_of(self._now.measures) if m.value is not None
            }
            if unknown:
                raise InputError(f"{min(unknown)} is no measured value of this clip.")
        try:
            self._follow([*steps, (correction, standing)])
        except LayermotionError:
            self._source, self._found, self._measured, self._steps = before
            raise
        if isinstance(correction, Calibrate):
            self._earlier.append(before[:2])

    def undo(self) -> Correction:
        """Take back the last correction, and return it.

        Raises
        ------
        InputError
            If there is none.
        """
        if not self._steps:
            raise InputError("There is nothing to take back.")
        steps, last = self._steps[:-1], self._steps[-1][0]
        if isinstance(last, Calibrate):
            self._source, self._found = self._earlier.pop()
            self._measured, self._steps = self._found, []
        self._follow(steps)
        return last

    def clear(self) -> None:
        """Take back all corrections."""
        if self._earlier:
            self._source, self._found = self._earlier[0]
            self._earlier = []
        self._measured, self._steps = self._found, []
        self._follow([])

    def _measure_again(self, calibration: Calibrate) -> None:
        """Measure the clip by another size of its pixels; what was corrected then follows."""
        spacing = (calibration.row_mm, calibration.column_mm)
        options = replace(self._source.options, mm_per_pixel=spacing, depth_mm=None)
        source = replace(self._source, options=options)
        self._found = self._measured = _analysed(source, self._segmenter)
        self._source, self._steps = source, []

    def _follow(self, steps: Sequence[tuple[Correction, Mapping[str, float]]]) -> None:
        """Measure the clip as corrected."""
        corrections = [step for step, _ in steps]
        now = self._as_corrected(corrections)
        automatic = values_of(self._found.measures)
        measures = with_status(now.measures, automatic, confirmed_in(steps))
        void = lapsed(corrections, now.efforts.windows)
        held = [step for step in corrections if step not in void]
        cautions = (*now.cautions, *said_of(held), *said_of_lapsed(void))
        self._measured, self._now = now, replace(now, measures=measures, cautions=cautions)
        self._steps = list(steps)

    def _as_corrected(self, corrections: Sequence[Correction]) -> Analysis:
        """Measure the clip as corrected; what was corrected before is not placed again.

        Unless the windows are others now, or something was taken back.
        """
        found, last = self._found, self._measured
        known = len(self._steps)
        is_more = list(corrections[:known]) == list(self.steps)
        seen, new = (last.footage, corrections[known:]) if is_more else (found.footage, corrections)
        if all(isinstance(step, Confirm | Withdraw | Calibrate) for step in new):
            return last if is_more else found
        efforts = with_windows(found.efforts, corrections, len(found.footage.edges))
        if is_more and efforts.windows != last.efforts.windows:
            seen, new = found.footage, corrections
        return measure_footage(with_edges(seen, efforts.windows, new), self._segmenter, efforts)

    def shown(self) -> dict[str, Any]:
        """All that a page shows of the clip, as plain data."""
        now = self._now
        clip, area = now.clip, now.clip.area
        given = now.given
        measured = measured_of(now.measures)
        site_px = None if now.site_px is None else round(now.site_px - area.left, 2)
        return {
            "clip": self.clip_id,
            "frames": len(now.footage.edges),
            "time_s": [round(float(t), 4) for t in now.series.time_s],
            "height_px": area.height,
            "width_px": area.width,
            "mm_per_pixel": [clip.spacing.row_mm, clip.spacing.column_mm] if clip.spacing else None,
            "calibration": clip.spacing.source if clip.spacing else clip.spacing_reason,
            "view": str(now.view),
            "task": now.footage.task,
            "is_still": clip.is_still,
            "structures": [str(structure) for structure in STRUCTURES],
            "columns": self.columns(),
            "site_px": site_px,
            "series": [
                {
                    "quantity": each.name,
                    "way": way_of(each.name, is_lateral_known=now.is_lateral_known),
                    "structure": str(each.structure),
                    "unit": each.unit,
                    "value": [None if v != v else v for v in np.round(each.value, 4).tolist()],
                }
                for each in given.quantities
            ],
            "windows": [
                {"state": w.state, "first": w.first, "last": w.last, "repeat": w.repeat}
                for w in now.efforts.windows
            ],
            "left_out": [
                {"repeat": repeat, "reason": reason}
                for repeat, reason in sorted(left_out(self.steps).items())
            ],
            "measures": [
                {
                    "key": key_of(m),
                    "way": way_of(m.name, is_lateral_known=now.is_lateral_known),
                    "name": m.name,
                    "structure": str(m.structure),
                    "repeat": m.repeat,
                    "value": m.value,
                    "low": m.low,
                    "high": m.high,
                    "unit": m.unit,
                    "status": str(m.status),
                    "reason": m.reason,
                    "frames": m.frames,
                    "method": m.method,
                    "is_measured": m in measured,
                    "needs_person": m in measured and m.value is None,
                }
                for m in now.measures
            ],
            "cautions": list(now.all_cautions),
            "steps": len(self._steps),
        }


def _analysed(source: Source, segmenter: Segmenter) -> Analysis:
    """Measure a clip; its edges stay in memory, because every correction reads them again.

    What is measured from them once more is not new, but then kept with them, so that the first
    correction is as quick as the others.
    """
    clip = open_recording(source.sources, source.shows, source.options)
    measure = analyse_pair if clip.is_pair else analyse
    with Recording() as recording:
        found = measure(clip, segmenter, parse_site(source.site), recording)
        held = replace(found.footage, edges=HeldEdges.of(found.footage.edges))
    measure_footage(held, segmenter, found.efforts)
    return replace(found, footage=held)
