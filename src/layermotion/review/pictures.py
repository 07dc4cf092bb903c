"""Owns the pictures of a clip on the desk: each frame's image area as a JPEG, on disk, unnamed."""

import tempfile

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.clip import Clip

# JPEG quality: at 85 no border moves by as much as a tenth of a pixel (our choice).
QUALITY = 85


class Pictures:
    """Frames of one clip; the file vanishes with the object or the process."""

    def __init__(self, clip: Clip) -> None:
        self._file = tempfile.TemporaryFile(prefix="layermotion-")
        self._begins = [0]
        for frame in clip.frames():
            self._append(frame.pixels[clip.area.slices])

    def __del__(self) -> None:
        self._file.close()

    def __len__(self) -> int:
        return len(self._begins) - 1

    def __getitem__(self, index: int) -> bytes:
        """JPEG of one frame; IndexError where there is none."""
        if not 0 <= index < len(self):
            raise IndexError(index)
        begin, end = self._begins[index : index + 2]
        self._file.seek(begin)
        return self._file.read(end - begin)

    def _append(self, pixels: NDArray[np.uint8]) -> None:
        is_done, coded = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        assert is_done
        self._file.seek(self._begins[-1])
        self._file.write(coded.tobytes())
        self._begins.append(self._begins[-1] + coded.size)
