"""Owns a drawn visit: small clips and stills of known layers, and a stand-in that tells them apart.

Each file carries its number in black and white blocks along its top, so that one stand-in answers
for all of them.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pydicom.uid import generate_uid
from standin import (
    AREA,
    SPACING,
    TruthSegmenter,
    bladder_labels,
    draw_frames,
    effort,
    wall_labels,
    write_dicom,
)

from layermotion.labels import View
from layermotion.network.grid import ModelGrid

# Frames of a clip; the numbers of all frames of a visit fit the blocks of the stand-in.
COUNT, FRAME_TIME_MS = 34, 125
REST_ROWS = 45


def activation() -> NDArray[np.float64]:
    """Rest, an effort of over two seconds, and rest again."""
    return effort(COUNT, 9, 31, ramp=2)


class DrawnVisit:
    """Files written one after the other, whose truth the stand-in knows by their frame numbers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True)
        self._labels: list[NDArray[np.uint8]] = []
        self._views: list[View] = []

    def wall(self, name: str, rise: float, **attributes: object) -> Path:
        """Write a DICOM clip whose TrA grows from 45 rows by ``rise`` rows."""
        rows = REST_ROWS + rise * activation()
        return self._clip(name, wall_labels, rows, View.ABDOMINAL_WALL, attributes)

    def bladder(self, name: str, lift: float, **attributes: object) -> Path:
        """Write a DICOM clip whose bladder base rises by ``lift`` rows; below 0 it descends."""
        return self._clip(name, bladder_labels, lift * activation(), View.BLADDER, attributes)

    def still(self, name: str, rows: int, view: View = View.ABDOMINAL_WALL) -> Path:
        """Write a PNG of a TrA of so many rows, or of a bladder base lifted by so many."""
        draw = wall_labels if view is View.ABDOMINAL_WALL else bladder_labels
        (frame,) = self._frames(draw, [rows], view)
        cv2.imwrite(str(self.folder / name), frame)
        return self.folder / name

    def split(self, name: str, left_rows: int, right_rows: int) -> Path:
        """Write a PNG with two images of the abdominal wall side by side."""
        left, right = self._frames(wall_labels, [left_rows, right_rows], View.ABDOMINAL_WALL)
        screen = np.zeros((left.shape[0] + 40, 2 * left.shape[1] + 60), np.uint8)
        screen[20:-20, 20 : 20 + left.shape[1]] = left
        screen[20:-20, -20 - right.shape[1] : -20] = right
        cv2.imwrite(str(self.folder / name), screen)
        return self.folder / name

    def segmenter(self) -> TruthSegmenter:
        """Stand-in for all files written so far."""
        grid = ModelGrid.for_area(AREA, SPACING, 320)
        return TruthSegmenter(tuple(self._labels), grid, tuple(self._views))

    def _clip(
        self,
        name: str,
        draw: Callable[[int], NDArray[np.uint8]],
        rows: NDArray[np.float64],
        view: View,
        attributes: Mapping[str, object],
    ) -> Path:
        frames = self._frames(draw, [round(value) for value in rows.tolist()], view)
        uids = {
            key: generate_uid(entropy_srcs=[name, key])
            for key in ("StudyInstanceUID", "SeriesInstanceUID")
        }
        return write_dicom(
            self.folder / name, frames, **{**uids, "FrameTime": FRAME_TIME_MS, **attributes}
        )

    def _frames(
        self, draw: Callable[[int], NDArray[np.uint8]], rows: list[int], view: View
    ) -> list[NDArray[np.uint8]]:
        first = len(self._labels)
        self._labels += [draw(value) for value in rows]
        self._views += [view] * len(rows)
        return draw_frames(first + len(rows))[first:]
