"""Owns the last seconds of a live picture, kept as they were taken, to be measured as a clip."""

import hashlib
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import replace

from layermotion.clip import Clip, Frame, clip_id_of
from layermotion.errors import MeasurementError
from layermotion.live.taking import Taken

# How much is kept: what an effort with its rest before takes, s, and no more than this many bytes,
# 20 s of 540 x 500 pixels at 30 frames/s (our choice).
KEPT_S, MOST_BYTES = 20.0, 170_000_000
# Fewer frames than this are no clip (our choice: a second at 10 frames/s).
FEWEST_FRAMES = 10
TOO_SHORT = "There are hardly any pictures yet; freeze after a few seconds."


class Memory:
    """Keeps the newest frames; the oldest make room."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._frames: deque[Frame] = deque()
        self._bytes = 0

    def add(self, taken: Taken) -> None:
        """Keep one more frame."""
        with self._lock:
            self._frames.append(taken.frame)
            self._bytes += taken.frame.pixels.nbytes
            while self._bytes > MOST_BYTES or taken.frame.time_s - self._frames[0].time_s > KEPT_S:
                self._bytes -= self._frames.popleft().pixels.nbytes

    def clear(self) -> None:
        """Forget all frames, since those that follow do not go on from them."""
        with self._lock:
            self._frames.clear()
            self._bytes = 0

    def clip(self, like: Clip) -> Clip:
        """Make a clip of what is kept, with times from 0 on.

        Parameters
        ----------
        like
            What the source says of its frames.

        Raises
        ------
        MeasurementError
            If there are too few frames.
        """
        with self._lock:
            kept = tuple(self._frames)
        if len(kept) < FEWEST_FRAMES:
            raise MeasurementError(TOO_SHORT)
        digest = hashlib.sha256()
        for frame in kept:
            digest.update(frame.pixels.tobytes())

        def read() -> Iterator[Frame]:
            for index, frame in enumerate(kept):
                yield Frame(index, frame.time_s - kept[0].time_s, frame.pixels)

        return replace(
            like,
            clip_id=clip_id_of(digest.hexdigest()),
            frame_count=len(kept),
            read=read,
            provenance={**like.provenance, "live": "frozen from the live picture"},
        )
